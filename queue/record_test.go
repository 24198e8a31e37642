package queue_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/queuetest"
)

// revision3 makes cal-b revision 3 current, mandatory.
func revision3(t *testing.T, s *queuetest.Site) *queue.Campaign {
	t.Helper()
	_, err := s.Do("fred", &queue.ListCalibrations{Calibrations: []queue.Calibration{{ID: "cal-b", Revision: 3, Make: "Mk", Model: "M1", YearFrom: 2020, YearTo: 2026,
		Family: "k1", Fitment: "standard", Released: "2025-06-01", Mandatory: true, Supersedes: "cal-a"}}})
	ok(t, err)
	return s.State.Campaigns["cal-b-r3"]
}

// come checks a machine in.
func come(t *testing.T, s *queuetest.Site, id queue.UnitID, frame string, route queue.RouteID, more ...func(*queue.UnitArrived)) {
	t.Helper()
	a := queuetest.Arrival(route, s.Now.Add(6*time.Hour))
	a.Machine.Frame = frame
	for _, m := range more {
		m(&a)
	}
	_, err := s.Do("", &queue.ReceiveUnit{Unit: id, Arrival: a})
	ok(t, err)
}

func run(t *testing.T, s *queuetest.Site, id queue.UnitID, steps ...queue.StepID) {
	t.Helper()
	for _, st := range steps {
		ok(t, s.Run(id, st))
	}
}

var reflashed = []queue.StepID{"flash", "resets", "relearn", "restart", "ride"}

func leave(t *testing.T, s *queuetest.Site, h queue.HandOver) {
	t.Helper()
	_, err := s.Do("", &h)
	ok(t, err)
}

// TestAMachineIsOneHoweverItsNumberIsTyped: also with O for 0, I for 1 and
// blanks, at a second visit, in a campaign, and as an owner is called.
func TestAMachineIsOneHoweverItsNumberIsTyped(t *testing.T) {
	s := queuetest.NewSite()
	come(t, s, "T-1", "KB25-26-00417", "flash-only")
	run(t, s, "T-1", reflashed...)
	leave(t, s, queue.HandOver{Unit: "T-1"})
	come(t, s, "T-2", " kb25 26 oo4l7", "fit-only") // l is no I: another machine
	come(t, s, "T-3", "KB25.26.OO4I7", "fit-only")
	m, found := s.State.MachineByKey("kb25 26 QO4i7")
	if !found || len(m.Visits) != 2 || m.Latest().ID != "T-3" || m.Flashed == nil || m.Flashed.Revision != 2 {
		t.Fatalf("found %v: %+v", found, m)
	}
	c := revision3(t, s)
	if n := len(s.State.Lines(c, s.Now)); n != 2 {
		t.Errorf("%d machines are called back, not 2", n)
	}
	_, err := s.Do("ada", &queue.ContactOwner{Contact: queue.CampaignContacted{ID: c.ID, Machine: "KB25 26 0O4I7", State: queue.Called}})
	ok(t, err)
	if l := s.State.LineOf(s.State.Campaigns[c.ID], "KB252600417", s.Now); l == nil || l.Contact.State != queue.Called {
		t.Errorf("the line is %+v", l)
	}
}

// TestOlderKeysAreFolded: an owner's state that an older program wrote under
// the number with its O is found.
func TestOlderKeysAreFolded(t *testing.T) {
	s := queuetest.NewSite()
	come(t, s, "T-1", "FRO-1", "fit-only")
	c := revision3(t, s)
	_, err := s.Do("ada", &queue.ContactOwner{Contact: queue.CampaignContacted{ID: c.ID, Machine: "FR01", State: queue.Called}})
	ok(t, err)
	// The same entry as it was written before: the key was the number as read.
	old := s.Entries[len(s.Entries)-1]
	d := *old.Events[0].Data.(*queue.CampaignContacted)
	d.Machine, old.Events[0].Data = "FRO1", &d
	again := queue.NewState("test")
	for i := range s.Entries[:len(s.Entries)-1] {
		_, err := again.Apply(&s.Entries[i])
		ok(t, err)
	}
	_, err = again.Apply(&old)
	ok(t, err)
	if l := again.LineOf(again.Campaigns[c.ID], "FR01", s.Now); l == nil || l.Contact.State != queue.Called {
		t.Errorf("the line is %+v", l)
	}
}

// TestSupersededOnTheBench: a revision that comes out while an older one is
// being flashed never interrupts the flash, and lets nothing leave without it.
func TestSupersededOnTheBench(t *testing.T) {
	s := queuetest.NewSite()
	upTo(t, s, "T-1", "flash")
	ok(t, s.Start("T-1", "flash"))
	c := revision3(t, s)
	_, err := s.Do("fred", &queue.SweepUnit{Unit: "T-1", Campaign: c.ID})
	wantRefusal(t, err, queue.I2, "a flash runs")
	_, err = s.Do("ada", &queue.FinishStep{Unit: "T-1", Step: "flash", Technician: "ada", Evidence: queue.Evidence{"calibration": "cal-b", "revision": "3"}})
	wantRefusal(t, err, queue.I12, "was read back, 2 was begun")
	ok(t, s.Finish("T-1", "flash")) // with what was begun
	for _, st := range []queue.StepID{"resets", "relearn", "restart", "ride"} {
		ok(t, s.Run("T-1", st))
	}
	_, err = s.Do("fred", &queue.HandOver{Unit: "T-1"})
	wantRefusal(t, err, queue.I11, "is called back by")
	_, err = s.Do("fred", &queue.SweepUnit{Unit: "T-1", Campaign: c.ID})
	ok(t, err)
	if m := s.State.Machine(s.State.Units["T-1"]); m.Flashed == nil || m.Flashed.Revision != 2 {
		t.Errorf("asked for again, it counts as flashed with %v, not with revision 2", m.Flashed)
	}
	run(t, s, "T-1", reflashed...)
	leave(t, s, queue.HandOver{Unit: "T-1"})
	if m := s.State.Machine(s.State.Units["T-1"]); m.Flashed == nil || m.Flashed.Revision != 3 {
		t.Errorf("flashed %v", m.Flashed)
	}
}

// TestNewController: what was flashed before is not on it. A flash that was
// done is asked for again with what it voids, a visit without one gets its
// steps, and every campaign opens again.
func TestNewController(t *testing.T) {
	s := queuetest.NewSite()
	c := revision3(t, s)
	come(t, s, "T-1", "FR-1", "flash-only")
	run(t, s, "T-1", reflashed...)
	swap := func(unit queue.UnitID, why string) error {
		_, err := s.Do("ada", &queue.AmendUnit{Unit: unit, Change: queue.UnitAmended{NewController: true, Reason: why}})
		return err
	}
	wantCode(t, swap("T-1", ""), queue.CodeMalformed)
	if l := s.State.LineOf(c, "FR1", s.Now); l == nil || l.Open {
		t.Fatalf("not swept: %+v", l)
	}
	ok(t, swap("T-1", "water in it"))
	l := s.State.LineOf(c, "FR1", s.Now)
	if l == nil || !l.Open || l.Flashed != nil || l.Unsure != queue.ControllerNew {
		t.Errorf("with a new controller: %+v", l)
	}
	for _, st := range s.State.Units["T-1"].Steps {
		if st.Status != queue.Todo {
			t.Errorf("%s is %s", st.ID, st.Status)
		}
	}
	_, err := s.Do("fred", &queue.HandOver{Unit: "T-1"})
	wantRefusal(t, err, queue.I11, "not ready")
	ok(t, s.Start("T-1", "flash"))
	wantRefusal(t, swap("T-1", "again"), queue.I2, "a flash runs")
	ok(t, s.Finish("T-1", "flash"))
	run(t, s, "T-1", reflashed[1:]...)
	leave(t, s, queue.HandOver{Unit: "T-1"})

	// At a visit for something else.
	come(t, s, "T-2", "FR-1", "fit-only")
	ok(t, swap("T-2", "burnt out"))
	var ids []queue.StepID
	for _, st := range s.State.Units["T-2"].Steps {
		ids = append(ids, st.ID)
	}
	if want := []queue.StepID{"fit", "flash", "resets", "relearn", "restart", "ride", "final"}; !slices.Equal(ids, want) {
		t.Errorf("steps %v, want %v", ids, want)
	}
	// A family of its own: the answer follows it.
	family := queue.Family("k9")
	_, err = s.Do("ada", &queue.AmendUnit{Unit: "T-2", Change: queue.UnitAmended{Family: &family}})
	ok(t, err)
	if _, none := s.State.CalibrationFor(&s.State.Units["T-2"].Machine, s.Now); none == nil {
		t.Error("there is a calibration for family k9")
	}
}

// TestAFailedFlashLeavesNothingKnown: a machine that was flashed, and then
// failed to be, does not count as what it was before.
func TestAFailedFlashLeavesNothingKnown(t *testing.T) {
	s := queuetest.NewSite()
	c := revision3(t, s)
	come(t, s, "T-1", "FR-1", "flash-only")
	run(t, s, "T-1", reflashed...)
	leave(t, s, queue.HandOver{Unit: "T-1"})
	come(t, s, "T-2", "FR-1", "flash-only")
	ok(t, s.Start("T-2", "flash"))
	_, err := s.Do("ada", &queue.FinishStep{Unit: "T-2", Step: "flash", Technician: "ada", Failed: true, Reason: "stopped at 62 %"})
	ok(t, err)
	if l := s.State.LineOf(c, "FR1", s.Now); l == nil || !l.Open || l.Unsure != queue.FlashFailed {
		t.Errorf("after a failure: %+v", l)
	}
}

// TestSoldFromTheShowroom: refused until it is swept, recorded with its owner,
// and a machine that has come back since is sold as what it is now.
func TestSoldFromTheShowroom(t *testing.T) {
	s := queuetest.NewSite()
	come(t, s, "T-1", "FR-1", "flash-only")
	run(t, s, "T-1", reflashed...)
	leave(t, s, queue.HandOver{Unit: "T-1", Showroom: true})
	c := revision3(t, s)
	sale := &queue.HandOver{Unit: "T-1", Contact: "buyer"}
	_, err := s.Do("", sale)
	wantRefusal(t, err, queue.I11, "is called back by")
	come(t, s, "T-2", "FR-1", "flash-only")
	_, err = s.Do("", sale)
	wantCode(t, err, queue.CodeWrongStep)
	run(t, s, "T-2", reflashed...)
	leave(t, s, queue.HandOver{Unit: "T-2", Showroom: true})
	s.Now = s.Now.Add(48 * time.Hour)
	leave(t, s, queue.HandOver{Unit: "T-2", Contact: "buyer"})
	u := s.State.Units["T-2"]
	if u.Status != queue.Delivered || u.Contact != "buyer" || !u.Sold.Equal(s.Now) || !u.Left.Equal(s.Now) {
		t.Errorf("sold: %+v", u)
	}
	for _, h := range s.State.House(s.Now) {
		t.Errorf("%s is in the house", h.ID)
	}
	if l := s.State.LineOf(c, "FR1", s.Now); l == nil || l.Open {
		t.Errorf("the line is %+v", l)
	}
	_, err = s.Do("", &queue.HandOver{Unit: "T-2"})
	wantCode(t, err, queue.CodeWrongStep)
	if found := s.State.Audit(); len(found) > 0 {
		t.Errorf("audit: %v", found)
	}
}

// TestTheNewOwnerIsCalled: what the one before said does not count once the
// machine was traded in or sold; that it was done elsewhere does.
func TestTheNewOwnerIsCalled(t *testing.T) {
	s := queuetest.NewSite()
	mine := func(who queue.ContactID) func(*queue.UnitArrived) {
		return func(a *queue.UnitArrived) { a.Ownership, a.Contact = queue.CustomerUnit, who }
	}
	visit := func(id queue.UnitID, more func(*queue.UnitArrived)) {
		t.Helper()
		s.Now = s.Now.Add(time.Hour)
		come(t, s, id, "FR-1", "fit-only", more)
		run(t, s, id, "fit", "final")
	}
	visit("T-1", mine("first"))
	leave(t, s, queue.HandOver{Unit: "T-1"})
	_, err := s.Do("fred", &queue.OpenCampaign{Campaign: queue.CampaignOpened{ID: "guide", Title: "Chain guide", Bulletin: &queue.Selection{Make: "Mk"}}})
	ok(t, err)
	stands := func(x queue.CampaignContacted) {
		t.Helper()
		x.ID, x.Machine = "guide", "FR1"
		s.Now = s.Now.Add(time.Minute)
		_, err := s.Do("ada", &queue.ContactOwner{Contact: x})
		ok(t, err)
	}
	is := func(want queue.ContactState, open bool) {
		t.Helper()
		l := s.State.LineOf(s.State.Campaigns["guide"], "FR1", s.Now)
		if l == nil || l.Contact.State != want || l.Open != open {
			t.Errorf("%v, open %v; want %v, %v", l.Contact.State, l.Open, want, open)
		}
	}
	stands(queue.CampaignContacted{State: queue.Declined, Note: "sells it"})
	is(queue.Declined, true)
	visit("T-2", func(a *queue.UnitArrived) { a.Ownership, a.Contact = queue.TradeIn, "first" })
	is(queue.ToCall, true)
	if !s.State.Units["T-2"].House() {
		t.Error("a trade-in is not the house's")
	}
	ok(t, override(s, queue.I11, &queue.HandOver{Unit: "T-2", Showroom: true}))
	stands(queue.CampaignContacted{State: queue.Declined, Note: "before the season"})
	is(queue.Declined, true)
	s.Now = s.Now.Add(time.Hour)
	ok(t, override(s, queue.I11, &queue.HandOver{Unit: "T-2", Contact: "second"}))
	is(queue.ToCall, true)
	if got := s.State.Machine(s.State.Units["T-1"]); got.Latest().Contact != "second" {
		t.Errorf("the owner is %q", got.Latest().Contact)
	}
	stands(queue.CampaignContacted{State: queue.Booked, Slot: s.Now.Add(24 * time.Hour)})
	visit("T-3", mine("second"))
	is(queue.Booked, true)
	leave3 := &queue.HandOver{Unit: "T-3"}
	ok(t, override(s, queue.I11, leave3))
	stands(queue.CampaignContacted{State: queue.Called})
	says := func(id queue.UnitID, c queue.UnitAmended) error {
		s.Now = s.Now.Add(time.Minute)
		_, err := s.Do("ada", &queue.AmendUnit{Unit: id, Change: c})
		return err
	}
	ok(t, says("T-3", queue.UnitAmended{Contact: new(queue.ContactID("second"))}))
	is(queue.Called, true)
	ok(t, says("T-3", queue.UnitAmended{Contact: new(queue.ContactID("third")), Reason: "sold it himself"}))
	is(queue.ToCall, true)
	if got := s.State.Units["T-3"].Contact; got != "third" {
		t.Errorf("it is %q's", got)
	}
	wantCode(t, says("T-1", queue.UnitAmended{Contact: new(queue.ContactID("third"))}), queue.CodeWrongStep)                // T-3 now
	wantCode(t, says("T-3", queue.UnitAmended{Contact: new(queue.ContactID("x")), Note: new("left")}), queue.CodeWrongStep) // it has left
	stands(queue.CampaignContacted{State: queue.SweptElsewhere, Note: "at the works"})
	visit("T-4", mine("third"))
	is(queue.SweptElsewhere, false)
}

// TestRecordSurvivesTheSnapshot: what was written, and sales, are the same
// after a restart.
func TestRecordSurvivesTheSnapshot(t *testing.T) {
	s := queuetest.NewSite()
	come(t, s, "T-1", "FR-1", "flash-only")
	run(t, s, "T-1", reflashed...)
	leave(t, s, queue.HandOver{Unit: "T-1", Showroom: true})
	leave(t, s, queue.HandOver{Unit: "T-1", Contact: "buyer"})
	b, err := s.State.MarshalSnapshot()
	ok(t, err)
	back, err := queue.UnmarshalSnapshot(b)
	ok(t, err)
	one, two := s.State.Machine(s.State.Units["T-1"]), back.Machine(back.Units["T-1"])
	if got, want := fmt.Sprint(two.Flashed, two.FlashedAt, back.Units["T-1"].Sold), fmt.Sprint(one.Flashed, one.FlashedAt, s.State.Units["T-1"].Sold); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}
