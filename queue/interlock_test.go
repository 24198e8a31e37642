package queue_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/queuetest"
	"tickover/queue/said"
)

// wantRefusal fails unless err is a refusal by the interlock that says what is
// wrong and what to do.
func wantRefusal(t *testing.T, err error, n queue.Interlock, words ...string) {
	t.Helper()
	var r *queue.Refusal
	if !errors.As(err, &r) {
		t.Fatalf("got %v, want a refusal by %s", err, n)
	}
	if r.Interlock != n || r.Code != queue.CodeInterlock {
		t.Fatalf("got %s (%s), want %s: %v", r.Interlock, r.Code, n, err)
	}
	if r.What == "" || r.Do == "" {
		t.Errorf("%s says not what is wrong (%q) or what to do (%q)", n, r.What, r.Do)
	}
	if r.Override != n.Overridable() {
		t.Errorf("%s: override %v", n, r.Override)
	}
	for _, w := range words {
		if !strings.Contains(r.Error(), w) {
			t.Errorf("%q does not mention %q", r.Error(), w)
		}
	}
}

func wantCode(t *testing.T, err error, c queue.Code) {
	t.Helper()
	var r *queue.Refusal
	if !errors.As(err, &r) || r.Code != c {
		t.Fatalf("got %v, want the code %s", err, c)
	}
}

func ok(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// upTo brings a unit of the flash-only route to the step, exclusively.
func upTo(t *testing.T, s *queuetest.Site, unit queue.UnitID, step queue.StepID) {
	t.Helper()
	if s.State.Units[unit] == nil {
		ok(t, s.Arrive(unit, "flash-only"))
	}
	for _, id := range []queue.StepID{"flash", "resets", "relearn", "restart", "ride"} {
		if id == step {
			return
		}
		ok(t, s.Run(unit, id))
	}
}

func startFlash(unit queue.UnitID, res ...queue.ResourceID) *queue.StartStep {
	return &queue.StartStep{Unit: unit, Step: "flash", Technician: "ada", Resources: res}
}

func override(s *queuetest.Site, n queue.Interlock, a queue.Action) error {
	_, err := s.Send(queue.Command{ID: queue.CommandID("over-" + n.String() + s.Now.String()), At: s.Now, Actor: "fred",
		Overrides: []queue.Override{{Interlock: n, Reason: "seen by me", By: "fred"}}, Action: a})
	return err
}

func TestI1OneFlashOnAnInterface(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	ok(t, s.Arrive("T-2", "flash-only"))
	_, err := s.Do("ada", startFlash("T-1", "b1", "i1", "c1"))
	ok(t, err)
	_, err = s.Do("ben", startFlash("T-2", "b2", "i1", "c2"))
	wantRefusal(t, err, queue.I1, "i1", "T-1")
	// Time frees nothing: an overdue flash keeps its interface.
	s.Now = s.Now.Add(5 * time.Hour)
	_, err = s.Do("ben", startFlash("T-2", "b2", "i1", "c2"))
	wantRefusal(t, err, queue.I1)
	wantRefusal(t, override(s, queue.I1, startFlash("T-2", "b2", "i1", "c2")), queue.I1)
	ok(t, s.Finish("T-1", "flash"))
	s.ClosesAt = s.ClosesAt.Add(5 * time.Hour)
	_, err = s.Do("ben", startFlash("T-2", "b2", "i1", "c2"))
	ok(t, err)
}

func TestI1OneUnitOnABench(t *testing.T) {
	s := queuetest.NewSite()
	for _, u := range []queue.UnitID{"T-1", "T-2"} {
		ok(t, s.Arrive(u, "set-up"))
		ok(t, s.Run(u, "check-in"))
	}
	ok(t, s.Start("T-1", "assembly"))
	wantRefusal(t, s.Start("T-2", "assembly"), queue.I1, "b1")
}

func TestI2NothingBesideAFlash(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	_, err := s.Do("ada", startFlash("T-1", "b1", "i1", "c1"))
	ok(t, err)
	_, err = s.Do("ada", &queue.StartStep{Unit: "T-1", Step: "resets", Technician: "ada", Resources: []queue.ResourceID{"b2", "i2"}})
	wantRefusal(t, err, queue.I2)
	ok(t, s.Arrive("T-2", "flash-only"))
	_, err = s.Do("ada", startFlash("T-2", "b1", "i2", "c2"))
	wantRefusal(t, err, queue.I2, "b1")
	_, err = s.Do("ada", startFlash("T-2", "b2", "i2", "c1"))
	wantRefusal(t, err, queue.I2, "c1")
	_, err = s.Do("ada", &queue.HandOver{Unit: "T-1"})
	wantRefusal(t, err, queue.I2)
}

func TestI3FlashNeedsPower(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	a := startFlash("T-1", "b1", "i1")
	_, err := s.Do("ada", a)
	wantRefusal(t, err, queue.I3, "no charger")
	a.Evidence = queue.Evidence{queue.EvidenceBattery: "12.1"}
	_, err = s.Do("ada", a)
	wantRefusal(t, err, queue.I3, "12.1", "12.4")
	a.Evidence = queue.Evidence{queue.EvidenceBattery: "12.4"}
	_, err = s.Do("ada", a)
	ok(t, err)
}

func TestI4OnlyTheCurrentCalibration(t *testing.T) {
	s := queuetest.NewSite()
	for id, m := range map[queue.UnitID]queue.Machine{
		"T-old":  {Make: "Mk", Model: "M1", Year: 2012, Family: "k1", Fitment: "standard"},
		"T-pipe": {Make: "Mk", Model: "M1", Year: 2025, Family: "k1", Fitment: "race pipe"},
		"T-none": {Make: "Mk", Model: "M2", Year: 2025, Family: "k2", Fitment: "standard"},
		"T-1":    queuetest.Machine(),
	} {
		a := queuetest.Arrival("flash-only", s.Now.Add(time.Hour))
		a.Machine = m
		_, err := s.Do("", &queue.ReceiveUnit{Unit: id, Arrival: a})
		ok(t, err)
	}
	_, err := s.Do("ada", startFlash("T-old", "b1", "i1", "c1"))
	wantRefusal(t, err, queue.I4, "none has been published for this year", "2012")
	_, err = s.Do("ada", startFlash("T-pipe", "b1", "i1", "c1"))
	wantRefusal(t, err, queue.I4, "race pipe", "open, standard")
	_, err = s.Do("ada", startFlash("T-none", "b1", "i2", "c1"))
	wantRefusal(t, err, queue.I4, "learns by itself")
	a := startFlash("T-1", "b1", "i1", "c1")
	a.Calibration = &queue.CalibrationRef{ID: "cal-a", Revision: 1}
	_, err = s.Do("ada", a)
	wantRefusal(t, err, queue.I4, "cal-b revision 2")
	a.Calibration = nil
	o, err := s.Do("ada", a)
	ok(t, err)
	if d := o.Events[0].Data.(*queue.StepStarted); d.Calibration == nil || *d.Calibration != (queue.CalibrationRef{ID: "cal-b", Revision: 2}) {
		t.Errorf("the flash took %v, want cal-b revision 2", d.Calibration)
	}
}

func TestI5NoFlashPastClosing(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	s.Now = s.ClosesAt.Add(-40*time.Minute + time.Second)
	_, err := s.Do("ada", startFlash("T-1", "b1", "i1", "c1"))
	wantRefusal(t, err, queue.I5, "18:00")
	s.ClosesAt = time.Time{}
	_, err = s.Do("ada", startFlash("T-1", "b1", "i1", "c1"))
	wantRefusal(t, err, queue.I5, "shut")
	ok(t, override(s, queue.I5, startFlash("T-1", "b1", "i1", "c1")))
	st := s.State.Units["T-1"].Step("flash")
	if len(st.Overrides) != 1 || st.Overrides[0].By != "fred" || st.Overrides[0].Reason == "" {
		t.Errorf("the override is not kept as evidence: %+v", st.Overrides)
	}
}

func TestI6ResetsAfterFlashThenRelearn(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	wantRefusal(t, s.Start("T-1", "resets"), queue.I6)
	ok(t, s.Run("T-1", "flash"))
	ok(t, s.Run("T-1", "resets"))
	wantRefusal(t, s.Start("T-1", "restart"), queue.I6, "relearn")
	ok(t, s.Run("T-1", "relearn"))
	ok(t, s.Run("T-1", "restart"))
}

func TestI7EngineOutdoorsOnly(t *testing.T) {
	s := queuetest.NewSite()
	upTo(t, s, "T-1", "relearn")
	for _, res := range [][]queue.ResourceID{{"b1"}, {"b1", "p1"}, {}} {
		a := &queue.StartStep{Unit: "T-1", Step: "relearn", Technician: "ada", Resources: res}
		_, err := s.Do("ada", a)
		wantRefusal(t, err, queue.I7)
		wantRefusal(t, override(s, queue.I7, a), queue.I7)
	}
}

func TestI8DaylightAndQuietHours(t *testing.T) {
	s := queuetest.NewSite()
	upTo(t, s, "T-1", "relearn")
	s.Outdoor["p1"] = queue.Window{Why: said.Say("quiet hours until 13:30")}
	wantRefusal(t, s.Start("T-1", "relearn"), queue.I8, "quiet hours until 13:30")
	s.Outdoor["p1"] = queue.Window{Until: s.Now.Add(12 * time.Minute), Why: said.Say("dusk")}
	wantRefusal(t, s.Start("T-1", "relearn"), queue.I8, "dusk")
	s.Outdoor["p1"] = queue.Window{Until: s.Now.Add(13 * time.Minute), Why: said.Say("dusk")}
	ok(t, s.Start("T-1", "relearn"))
	ok(t, s.Finish("T-1", "relearn"))
	s.Outdoor["p1"] = queue.Window{Until: s.Now.Add(13 * time.Minute), Why: said.Say("dusk")}
	ok(t, s.Run("T-1", "restart"))
	delete(s.Outdoor, "l1")
	wantRefusal(t, s.Start("T-1", "ride"), queue.I8)
}

func TestI9FlashAndResetVoidWhatCameAfter(t *testing.T) {
	for _, again := range []queue.StepID{"flash", "resets"} {
		s := queuetest.NewSite()
		upTo(t, s, "T-1", "")
		_, err := s.Do("fred", &queue.ReopenStep{Unit: "T-1", Step: again, Reason: "newer calibration"})
		ok(t, err)
		ok(t, s.Start("T-1", again))
		for _, id := range []queue.StepID{"relearn", "restart", "ride"} {
			if st := s.State.Units["T-1"].Step(id); st.Status != queue.Todo || st.Why == "" {
				t.Errorf("after a new %s, %s is %s (%q), want todo with a reason", again, id, st.Status, st.Why)
			}
		}
		if st := s.State.Units["T-1"].Step("resets").Status; again == "flash" && st != queue.Todo {
			t.Errorf("after a new flash the resets are %s, want todo", st)
		}
	}
}

func TestI10TestRideLast(t *testing.T) {
	s := queuetest.NewSite()
	upTo(t, s, "T-1", "relearn")
	wantRefusal(t, s.Start("T-1", "ride"), queue.I10, "relearn")
	ok(t, s.Run("T-1", "relearn"))
	wantRefusal(t, s.Start("T-1", "ride"), queue.I10, "restart-check")
	ok(t, s.Run("T-1", "restart"))
	_, err := s.Do("ben", &queue.StartStep{Unit: "T-1", Step: "ride", Technician: "ben", Resources: []queue.ResourceID{"l1"}})
	wantRefusal(t, err, queue.I10, "Ben")
	ok(t, s.Run("T-1", "ride"))
}

func TestI11NothingLeavesUnfinished(t *testing.T) {
	s := queuetest.NewSite()
	upTo(t, s, "T-1", "ride")
	for _, showroom := range []bool{false, true} {
		_, err := s.Do("ada", &queue.HandOver{Unit: "T-1", Showroom: showroom})
		wantRefusal(t, err, queue.I11, "ride")
	}
	ok(t, s.Run("T-1", "ride"))
	_, err := s.Do("ada", &queue.HandOver{Unit: "T-1"})
	ok(t, err)
	if u := s.State.Units["T-1"]; u.Status != queue.Delivered {
		t.Errorf("the unit is %s", u.Status)
	}
	_, err = s.Do("ada", &queue.HandOver{Unit: "T-1"})
	wantCode(t, err, queue.CodeWrongStep)
}

func TestI11EvidenceComplete(t *testing.T) {
	s := queuetest.NewSite()
	upTo(t, s, "T-1", "restart")
	ok(t, s.Start("T-1", "restart"))
	finish := &queue.FinishStep{Unit: "T-1", Step: "restart", Technician: "ada"}
	_, err := s.Do("ada", finish)
	wantRefusal(t, err, queue.I11, "Idle speed")
	ok(t, override(s, queue.I11, finish))
	if got := s.State.Units["T-1"].Step("restart").Overrides; len(got) != 1 {
		t.Errorf("the override is not kept: %v", got)
	}
}

func TestI12EvidencePlausible(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	ok(t, s.Start("T-1", "flash"))
	good := queue.Evidence{"calibration": "cal-b", "revision": "2", "odometer_km": "6.4", "engine_h": "0.5"}
	finish := func(key queue.EvidenceKey, v string) error {
		ev := queue.Evidence{}
		for k, x := range good {
			ev[k] = x
		}
		ev[key] = v
		_, err := s.Do("ada", &queue.FinishStep{Unit: "T-1", Step: "flash", Technician: "ada", Evidence: ev})
		return err
	}
	wantRefusal(t, finish("revision", "1"), queue.I12, "2 was begun")
	wantRefusal(t, finish("calibration", "cal-a"), queue.I12)
	wantCode(t, finish("odometer_km", "six"), queue.CodeMalformed)
	wantCode(t, finish("odometer_km", "NaN"), queue.CodeMalformed)
	wantCode(t, finish("colour", "red"), queue.CodeMalformed)
	again := func() {
		t.Helper()
		_, err := s.Do("fred", &queue.ReopenStep{Unit: "T-1", Step: "flash", Reason: "again"})
		ok(t, err)
		ok(t, s.Start("T-1", "flash"))
	}
	// A controller may report nonsense: recorded as read, flagged, neither
	// believed nor refused (common practice, no source).
	for _, c := range []struct{ read, why string }{
		{"2026-02-16", ""}, {"2026-02-17", ""}, // a zone ahead
		{"2026-02-18", "future"}, {"9999-12-31", "future"}, {"1999-12-31", "can't be right"}, {"0001-01-01", "can't be right"},
		{"2000-01-01", "before the machine was built"}, {"FF-FF-FFFF", "no date"}, {"2026-02-30", "no date"},
	} {
		ok(t, finish("programmed_on", c.read))
		st := s.State.Units["T-1"].Step("flash")
		if st.Evidence["programmed_on"] != c.read || len(st.Flags) != min(1, len(c.why)) {
			t.Errorf("read-back date %s: evidence %v, flags %v", c.read, st.Evidence, st.Flags)
		} else if c.why != "" && (st.Flags[0].Key != "programmed_on" || !strings.Contains(st.Flags[0].Why, c.why)) {
			t.Errorf("read-back date %s: flags %v, want %q", c.read, st.Flags, c.why)
		}
		again()
	}
	// Another calibration than was begun is refused first. Let pass, it is
	// recorded and flagged, and the machine does not count as flashed.
	ok(t, override(s, queue.I12, &queue.FinishStep{Unit: "T-1", Step: "flash", Technician: "ada", Evidence: queue.Evidence{
		"calibration": "cal-b", "revision": "1", "odometer_km": "6.4", "engine_h": "0.5"}}))
	u := s.State.Units["T-1"]
	if st := u.Step("flash"); !st.Unlike() || st.Evidence["revision"] != "1" || len(st.Overrides) != 1 {
		t.Errorf("another revision: evidence %v, flags %v, overrides %v", st.Evidence, st.Flags, st.Overrides)
	}
	if m := s.State.Machine(u); m.Flashed != nil {
		t.Errorf("the machine counts as flashed with %v", m.Flashed)
	}
	again()
	wantRefusal(t, finish("odometer_km", "6.3"), queue.I12, "6.4")
	wantRefusal(t, finish("engine_h", "0.4"), queue.I12)
	ok(t, finish("engine_h", "0.7"))
}

// The check digit is a duty in North America only (49 CFR 565); the number is
// the published must-fail example 3FA6P0HR5DR246490, which computes 4.
func TestI12CheckDigitWhereItIsADuty(t *testing.T) {
	s := queuetest.NewSite()
	receive := func(frame string) *queue.ReceiveUnit {
		a := queuetest.Arrival("flash-only", s.Now.Add(time.Hour))
		a.Machine.Frame = frame
		return &queue.ReceiveUnit{Unit: queue.UnitID("T-" + frame[:4]), Arrival: a}
	}
	_, err := s.Do("", receive("3FA6P0HR5DR246490"))
	wantRefusal(t, err, queue.I12, "5", "4")
	ok(t, override(s, queue.I12, receive("3FA6P0HR5DR246490")))
	if d := s.Entries[len(s.Entries)-1].Events[0].Data.(*queue.UnitArrived); len(d.Overrides) != 1 || d.Overrides[0].By != "fred" {
		t.Errorf("the override is not kept as evidence: %+v", d.Overrides)
	}
	for _, frame := range []string{"1M8GDM9AXKP042788", "LK2TR30A5S1000417", "AB12-00417", "WDBEA3QD3HA39I172"} {
		_, err := s.Do("", receive(frame))
		ok(t, err)
	}
}

func TestI13FailedRideOpensRework(t *testing.T) {
	s := queuetest.NewSite()
	upTo(t, s, "T-1", "ride")
	ok(t, s.Start("T-1", "ride"))
	fail := &queue.FinishStep{Unit: "T-1", Step: "ride", Technician: "ada", Failed: true}
	_, err := s.Do("ada", fail)
	wantCode(t, err, queue.CodeMalformed) // a failure has a reason
	fail.Reason = "pulls to the left"
	o, err := s.Do("ada", fail)
	ok(t, err)
	if got := []queue.EventType{o.Events[0].Type, o.Events[1].Type}; got[0] != "test-ride.failed" || got[1] != queue.TypeReworkOpened {
		t.Fatalf("events %v", got)
	}
	_, err = s.Do("ada", &queue.HandOver{Unit: "T-1"})
	wantRefusal(t, err, queue.I13, "pulls to the left")
	for _, step := range []queue.StepID{"rework-1", "ride"} {
		_, err = s.Do("fred", &queue.SkipStep{Unit: "T-1", Step: step, Reason: "no time"})
		wantRefusal(t, err, queue.I13)
	}
	wantCode(t, s.Start("T-1", "ride"), queue.CodeNotReady)
	ok(t, s.Run("T-1", "rework-1"))
	ok(t, s.Run("T-1", "ride"))
	_, err = s.Do("ada", &queue.HandOver{Unit: "T-1"})
	ok(t, err)
}

func TestOnlyAForemanOverrides(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	s.ClosesAt = time.Time{}
	for _, o := range []queue.Override{{Interlock: queue.I5, Reason: "hurry", By: "ada"}, {Interlock: queue.I5, Reason: "hurry", By: "fred"}} {
		_, err := s.Send(queue.Command{ID: queue.CommandID("x" + o.By), At: s.Now, Actor: "ada", Overrides: []queue.Override{o},
			Action: startFlash("T-1", "b1", "i1", "c1")})
		wantCode(t, err, queue.CodeWrongPerson)
	}
	_, err := s.Send(queue.Command{ID: "y", At: s.Now, Actor: "fred", Overrides: []queue.Override{{Interlock: queue.I5, By: "fred"}},
		Action: startFlash("T-1", "b1", "i1", "c1")})
	wantCode(t, err, queue.CodeMalformed)
}
