package timesheet_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/services/simshop"
	"tickover/services/timesheet"
	"tickover/testdata"
)

// run simulates days of the demo shop.
func run(t testing.TB, seed uint64, days int) (*logtest.Mem, *queue.Shop, labour.Window) {
	t.Helper()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	mem := logtest.NewMem()
	if _, err := simshop.Run(context.Background(), simshop.Options{Shop: shop, ShopFile: hash, Seed: seed, Days: days, Schedules: 1, Log: mem}); err != nil {
		t.Fatal(err)
	}
	loc := shop.Location()
	return mem, shop, labour.Window{Start: simshop.DemoStart.At(0, loc), End: simshop.DemoStart.AddDays(days).At(0, loc)}
}

func caughtUp(t testing.TB, mem *logtest.Mem, site queue.SiteID) *timesheet.Sheet {
	t.Helper()
	s := timesheet.New(mem, site)
	if err := s.CatchUp(context.Background()); err != nil {
		t.Fatal(err)
	}
	return s
}

// there reports whether a technician is on shift at a moment and in no break,
// read off the shop file itself.
func there(shop *queue.Shop, who queue.PersonID, at time.Time) bool {
	t := shop.Technician(who)
	at = at.In(shop.Location())
	day := at.Format(time.DateOnly)
	if slices.Contains(t.Away, day) {
		return false
	}
	in := func(list []queue.Span) bool {
		minute := at.Hour()*60 + at.Minute()
		return slices.ContainsFunc(list, func(s queue.Span) bool { return int(s.From) <= minute && minute < int(s.To) })
	}
	hours := shop.Hours[at.Weekday()]
	if i := slices.IndexFunc(shop.Days, func(d queue.DayException) bool { return d.Date == day }); i >= 0 {
		hours = shop.Days[i].Spans
	}
	shift := t.Shifts[at.Weekday()]
	if slices.IndexFunc(t.Shifts[:], func(l []queue.Span) bool { return len(l) > 0 }) < 0 {
		shift = hours
	}
	return in(hours) && in(shift) && !in(t.Breaks[at.Weekday()])
}

// TestMinutesEqualTheLog: a simulated week; hands-on time by technician and
// unit, and the standard time of what was done, counted anew from the raw
// events, second by second where work may pause.
func TestMinutesEqualTheLog(t *testing.T) {
	mem, shop, w := run(t, queuetest.Seed(t, 3), 5)
	type sum struct{ worked, produced time.Duration }
	want := map[string]sum{}
	type begun struct {
		op    *queue.Operation
		marks []time.Time
		who   []queue.PersonID
		on    []int
	}
	open := map[string]*begun{}
	var count func(unit string, b *begun, end time.Time, done bool)
	var absent []*queue.ResourceClosed
	away := func(who queue.PersonID, at time.Time) bool {
		return slices.ContainsFunc(absent, func(a *queue.ResourceClosed) bool {
			return a.Technician == who && !at.Before(a.From) && at.Before(a.Until)
		})
	}
	var later []func() // once all absences are known
	add := func(unit string, b *begun, end time.Time, done bool) {
		later = append(later, func() { count(unit, b, end, done) })
	}
	count = func(unit string, b *begun, end time.Time, done bool) {
		for i, at := range b.marks {
			x := b.op.Stretches[b.on[i]]
			if !x.HandsOn {
				continue
			}
			until := end
			if i+1 < len(b.marks) {
				until = b.marks[i+1]
			}
			var worked time.Duration
			for s := at; s.Before(until); s = s.Add(time.Second) {
				if !x.Splittable || there(shop, b.who[i], s) && !away(b.who[i], s) {
					worked += min(time.Second, until.Sub(s))
				}
			}
			for _, k := range []string{"technician " + string(b.who[i]), "unit " + unit} {
				v := want[k]
				v.worked += worked
				if done {
					v.produced += x.Duration
				}
				want[k] = v
			}
		}
	}
	ops := map[string]*queue.Operation{}
	for i := range shop.Operations {
		ops[shop.Operations[i].Kind.String()] = &shop.Operations[i]
		ops[string(shop.Operations[i].ID)] = &shop.Operations[i] // several may be of one kind
	}
	for _, en := range logtest.Collect(t, mem, shop.Site, 0) {
		for i := range en.Events {
			e := &en.Events[i]
			id, _ := e.Subject.Unit()
			key := string(id) + "/" + string(e.StepOf())
			switch d := e.Data.(type) {
			case *queue.ResourceClosed:
				absent = append(absent, d)
			case *queue.ResourceOpened:
				for _, a := range absent {
					if a.Technician == d.Technician && a.Until.After(e.When()) {
						a.Until = e.When()
					}
				}
			case *queue.StepStarted:
				kind := string(e.Type)[:len(e.Type)-len(".started")]
				if op := ops[string(d.Step)]; op != nil {
					kind = string(d.Step) // the demo's steps are named after their operations
				}
				open[key] = &begun{ops[kind], []time.Time{e.When()}, []queue.PersonID{d.Technician}, []int{0}}
			case *queue.StepAdvanced:
				b := open[key]
				who := d.Technician
				if who == "" {
					who = b.who[len(b.who)-1]
				}
				b.marks, b.who, b.on = append(b.marks, e.When()), append(b.who, who), append(b.on, d.Stretch)
			case *queue.StepDone:
				add(string(id), open[key], e.When(), true)
				delete(open, key)
			case *queue.StepFailed:
				add(string(id), open[key], e.When(), false)
				delete(open, key)
			}
		}
	}
	for key, b := range open {
		add(key[:slices.Index([]byte(key), '/')], b, w.End, false)
	}

	for _, f := range later {
		f()
	}

	s := caughtUp(t, mem, shop.Site)
	pieces := s.Pieces(w.Start, w.End)
	doubted := 0
	for i := range pieces {
		if pieces[i].Doubt != labour.Sure {
			doubted++
			pieces[i].Doubt = labour.Sure // the recount believes all
		}
	}
	r := labour.Measure(pieces, s.Available(w.Start, w.End), w)
	got := map[string]sum{}
	for _, x := range r.Technicians {
		if x.Worked+x.Produced > 0 {
			got["technician "+x.ID] = sum{x.Worked, x.Produced}
		}
	}
	for _, x := range r.Units {
		got["unit "+x.ID] = sum{x.Worked, x.Produced}
	}
	for k, v := range want {
		if v == (sum{}) {
			delete(want, k)
		}
	}
	if len(want) < 15 {
		t.Fatalf("only %d sums: the run shows little", len(want))
	}
	if d := cmp.Diff(want, got, cmp.AllowUnexported(sum{})); d != "" {
		t.Errorf("the events say − and the sheet says +:\n%s", d)
	}
	t.Logf("%d pieces, %d doubted, %s worked, %s produced, %s available", len(pieces), doubted, r.All.Worked, r.All.Produced, r.All.Available)
}

// TestAvailable: a week's shifts less breaks and absences, worked out by hand.
func TestAvailable(t *testing.T) {
	mem := logtest.NewMem()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	site := site{t: t, mem: mem, st: queue.NewState(shop.Site), now: time.Date(2026, 2, 16, 7, 0, 0, 0, time.UTC)}
	site.do("", &queue.ConfigureShop{Shop: *shop, FileHash: hash})
	// Tomas: 9 h a day less 60 min of breaks. On Tuesday he is away from 13:00
	// to 17:00, and comes back at 15:00.
	site.do("ruth", &queue.Close{Technician: "tomas", From: at(17, 13, 0), Until: at(17, 17, 0), Reason: "dentist"})
	site.now = at(17, 15, 0)
	site.do("ruth", &queue.Reopen{Technician: "tomas"})
	s := caughtUp(t, mem, shop.Site)
	if before := s.Available(at(2, 0, 0), at(16, 7, 0)); before["tomas"] != 0 {
		t.Errorf("before the shop began: %s", before["tomas"])
	}
	if d := cmp.Diff(s.Available(at(16, 0, 0), at(23, 0, 0)), s.Available(at(2, 0, 0), at(23, 0, 0))); d != "" {
		t.Errorf("with two weeks before the shop began: %s", d)
	}
	got := s.Available(at(16, 0, 0), at(23, 0, 0))
	for who, want := range map[string]time.Duration{
		"tomas": 5*8*time.Hour - 2*time.Hour,
		// Kofi: Tuesday to Thursday 8.5 h less 60 min, away on Friday; Saturday 4.5 h.
		"kofi": 3*(7*time.Hour+30*time.Minute) + 4*time.Hour + 30*time.Minute,
		// Ines: 9 h less 60 min, and Saturday.
		"ines": 5*8*time.Hour + 4*time.Hour + 30*time.Minute,
		// Ruth: the shop's hours, 9.5 h less 60 min, and Saturday.
		"ruth": 5*(8*time.Hour+30*time.Minute) + 4*time.Hour + 30*time.Minute,
	} {
		if got[who] != want {
			t.Errorf("%s was there %s, want %s", who, got[who], want)
		}
	}
}

func at(day, hour, minute int) time.Time {
	return time.Date(2026, 2, day, hour, minute, 0, 0, time.UTC)
}

// site sends commands to a log.
type site struct {
	t   *testing.T
	mem *logtest.Mem
	st  *queue.State
	now time.Time
	n   int
}

func (s *site) do(actor queue.PersonID, a queue.Action) {
	s.t.Helper()
	s.n++
	o, err := queue.Decide(s.st, queue.Conditions{Now: s.now, ClosesAt: s.now.Add(8 * time.Hour)}, queue.Command{ID: queue.CommandID(fmt.Sprint("c", s.n)), At: s.now, Actor: actor, Action: a})
	if err != nil {
		s.t.Fatal(err)
	}
	en := o.Entry(s.st)
	if _, err := s.mem.Append(context.Background(), en, s.st.Seq); err != nil {
		s.t.Fatal(err)
	}
	if _, err := s.st.Apply(en); err != nil {
		s.t.Fatal(err)
	}
}

// TestForgottenDone: check-in is begun at 16:00 and signed off the next
// morning; the minutes are shown, and counted nowhere.
func TestForgottenDone(t *testing.T) {
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	s := site{t: t, mem: logtest.NewMem(), st: queue.NewState(shop.Site), now: at(17, 16, 0)}
	s.do("", &queue.ConfigureShop{Shop: *shop, FileHash: hash})
	s.do("ruth", &queue.ReceiveUnit{Unit: "LM-1", Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "KB25-26-00417", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		Ownership: queue.CustomerUnit, Route: "reflash", Promise: at(19, 16, 0), Weight: 5}})
	s.do("ines", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "ines"})
	sheet := caughtUp(t, s.mem, shop.Site)
	day := labour.Window{Start: at(17, 0, 0), End: at(17, 16, 5)}
	if p := sheet.Pieces(day.Start, day.End); len(p) != 1 || !p[0].Running || p[0].Time() != 5*time.Minute || p[0].Doubt != labour.Sure {
		t.Errorf("while it runs: %+v", p)
	}
	s.now = at(18, 8, 30)
	s.do("ines", &queue.FinishStep{Unit: "LM-1", Step: "check-in", Technician: "ines", Evidence: queue.Evidence{"frame_number": "KB25-26-00417", "odometer_km": "12.5", "engine_h": "0.4"}})
	if err := sheet.CatchUp(context.Background()); err != nil {
		t.Fatal(err)
	}
	w := labour.Window{Start: at(17, 0, 0), End: at(19, 0, 0)}
	r := labour.Measure(sheet.Pieces(w.Start, w.End), sheet.Available(w.Start, w.End), w)
	if r.All.Worked != 0 || r.All.Produced != 0 || r.All.Doubted != 1 || r.All.Doubtful != 16*time.Hour+30*time.Minute {
		t.Errorf("%+v", r.All)
	}
}
