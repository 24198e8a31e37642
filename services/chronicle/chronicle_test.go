package chronicle_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/services/chronicle"
	"tickover/services/simshop"
	"tickover/testdata"
)

// run simulates days of the demo shop and returns its log and its span.
func run(t testing.TB, seed uint64, days int) (*logtest.Mem, *queue.Shop, flow.Interval) {
	t.Helper()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	mem := logtest.NewMem()
	r, err := simshop.Run(context.Background(), simshop.Options{Shop: shop, ShopFile: hash, Seed: seed, Days: days, Schedules: 1, Log: mem})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("seed %d: %s", seed, r)
	loc := shop.Location()
	return mem, shop, flow.Interval{Start: simshop.DemoStart.At(0, loc), End: simshop.DemoStart.AddDays(days).At(0, loc)}
}

const day = 24 * time.Hour

func caughtUp(t testing.TB, o chronicle.Options) *chronicle.Chronicle {
	t.Helper()
	c := chronicle.New(o)
	if err := c.CatchUp(context.Background()); err != nil {
		t.Fatal(err)
	}
	return c
}

// recount is what a log comes to, counted from its events alone.
type recount struct {
	arrived, left map[string]time.Time
	promise       map[string]time.Time
	lastEnd       map[string]time.Time
	runs          []*past
}

// past is one run of a step: its marks are its start and the starts of its
// later stretches.
type past struct {
	unit      string
	op        *queue.Operation
	marks     []time.Time
	stretches []int
	end       time.Time
	resources []queue.ResourceID
}

func recountOf(t testing.TB, mem *logtest.Mem, shop *queue.Shop, end time.Time) *recount {
	t.Helper()
	rc := &recount{arrived: map[string]time.Time{}, left: map[string]time.Time{}, promise: map[string]time.Time{}, lastEnd: map[string]time.Time{}}
	open := map[string]*past{}
	for _, en := range logtest.Collect(t, mem, shop.Site, 0) {
		for i := range en.Events {
			e := &en.Events[i]
			id, ok := e.Subject.Unit()
			if !ok {
				continue
			}
			unit, key := string(id), string(id)+"/"+string(e.StepOf())
			switch d := e.Data.(type) {
			case *queue.UnitArrived:
				rc.arrived[unit], rc.promise[unit] = e.When(), d.Promise
			case *queue.UnitAmended:
				if d.Promise != nil {
					rc.promise[unit] = *d.Promise
				}
			case *queue.UnitLeft:
				rc.left[unit] = e.When()
			case *queue.StepStarted:
				kind := string(e.Type)[:len(e.Type)-len(".started")]
				at := slices.IndexFunc(shop.Operations, func(o queue.Operation) bool { return o.Kind.String() == kind })
				open[key] = &past{unit: unit, op: &shop.Operations[at], marks: []time.Time{e.When()}, stretches: []int{0}, resources: d.Resources, end: end}
				rc.runs = append(rc.runs, open[key])
			case *queue.StepAdvanced:
				open[key].marks = append(open[key].marks, e.When())
				open[key].stretches = append(open[key].stretches, d.Stretch)
			case *queue.StepDone:
				open[key].end, rc.lastEnd[unit] = e.When(), e.When()
				delete(open, key)
			case *queue.StepFailed:
				open[key].end = e.When()
				delete(open, key)
			case *queue.StepSkipped:
				rc.lastEnd[unit] = e.When()
			}
		}
	}
	return rc
}

// machine splits a run into what ran by itself and what waited after that.
func (p *past) machine() (off, wait time.Duration) {
	for i, at := range p.marks {
		next := p.end
		if i+1 < len(p.marks) {
			next = p.marks[i+1]
		}
		if x := p.op.Stretches[p.stretches[i]]; !x.HandsOn {
			off += min(next.Sub(at), x.Duration)
			wait += max(0, next.Sub(at)-x.Duration)
		}
	}
	return off, wait
}

// TestFoldAgreesWithARecount: a simulated fortnight, folded, and counted anew
// from the raw events.
func TestFoldAgreesWithARecount(t *testing.T) {
	mem, shop, in := run(t, queuetest.Seed(t, 3), 12)
	d := caughtUp(t, chronicle.Options{Log: mem, Site: shop.Site}).Data(in.Start, in.End)
	r := flow.Measure(d, flow.Window{Interval: in})
	rc := recountOf(t, mem, shop, in.End)
	if r.Arrived != len(rc.arrived) || r.Left != len(rc.left) || r.Arrived == 0 || r.Left == 0 {
		t.Errorf("%d arrived and %d left, the events say %d and %d", r.Arrived, r.Left, len(rc.arrived), len(rc.left))
	}
	kept, due, stay := 0, 0, time.Duration(0)
	for unit, left := range rc.left {
		stay += left.Sub(rc.arrived[unit])
	}
	for unit, promise := range rc.promise {
		if !promise.Before(in.End) || promise.Before(in.Start) {
			continue
		}
		due++
		if _, left := rc.left[unit]; left && !rc.lastEnd[unit].After(promise) {
			kept++
		}
	}
	// A unit that is ready and still here counts as kept too; the recount asks
	// for those that left.
	ready := 0
	for _, v := range flow.Select(d, r.Window, flow.Query{Of: flow.Kept}) {
		if v.Left.IsZero() {
			ready++
		}
	}
	if r.Promises.Of != due || r.Promises.Kept-ready != kept || kept == 0 || kept == due {
		t.Errorf("%d of %d promises kept (%d of them ready to leave), the events say %d of %d left in time", r.Promises.Kept, r.Promises.Of, ready, kept, due)
	}
	if want := stay / time.Duration(len(rc.left)); (r.Stay.Mean - want).Abs() > time.Millisecond {
		t.Errorf("mean stay %s, the events say %s", r.Stay.Mean, want)
	}

	type held struct{ all, off, wait time.Duration }
	want, got := map[string]held{}, map[string]held{}
	for _, p := range rc.runs {
		off, wait := p.machine()
		for _, id := range p.resources {
			h := want[string(id)]
			want[string(id)] = held{h.all + p.end.Sub(p.marks[0]), h.off + off, h.wait + wait}
		}
	}
	for _, u := range d.Uses {
		if shop.Resource(queue.ResourceID(u.Resource)) == nil || u.State == flow.Down {
			continue
		}
		h := got[u.Resource]
		h.all += u.End.Sub(u.Start)
		switch u.State {
		case flow.HandsOff:
			h.off += u.End.Sub(u.Start)
		case flow.Locked:
			h.wait += u.End.Sub(u.Start)
		}
		got[u.Resource] = h
	}
	for i := range shop.Resources {
		id, kind := string(shop.Resources[i].ID), shop.Resources[i].Kind
		g, w := got[id], want[id]
		if kind == queue.Bench { // paused assembly is locked too; here only the sums must agree
			g.wait, w.wait = 0, 0
		}
		if g != w {
			t.Errorf("%s: held %s, by itself %s, locked %s; the events say %s, %s, %s", id, g.all, g.off, g.wait, w.all, w.off, w.wait)
		}
		if w.all == 0 {
			t.Errorf("%s was never used: the run shows nothing", id)
		}
	}
	for _, l := range r.Loads {
		g := got[l.Resource]
		if shop.Resource(queue.ResourceID(l.Resource)) == nil || l.Down > 0 {
			continue
		}
		if sum := l.HandsOn + l.HandsOff + l.Locked + l.Outside; (sum - g.all).Abs() > time.Second {
			t.Errorf("%s: the load says %s, the uses say %s", l.Resource, sum, g.all)
		}
	}
	if want["i1"].wait+want["i2"].wait == 0 {
		t.Error("no interface was ever locked in this run: choose another seed")
	}
}

// TestUnitsWorkOrWait: at any moment a unit that is in the shop and not ready
// is either worked on, or waits for one cause.
func TestUnitsWorkOrWait(t *testing.T) {
	mem, shop, in := run(t, queuetest.Seed(t, 4), 6)
	d := caughtUp(t, chronicle.Options{Log: mem, Site: shop.Site}).Data(in.Start, in.End)
	rc := recountOf(t, mem, shop, in.End)
	waits, causes := map[string][]flow.Wait{}, map[flow.Cause]int{}
	for _, w := range d.Waits {
		waits[w.Unit] = append(waits[w.Unit], w)
		causes[w.Cause]++
	}
	seen := 0
	for _, v := range d.Visits {
		end := v.Ready
		if end.IsZero() {
			end = in.End
		}
		for at := v.Arrived.Add(time.Second); at.Before(end); at = at.Add(7 * time.Minute) {
			n := 0
			for _, w := range waits[v.Unit] {
				if !at.Before(w.Start) && at.Before(w.End) {
					n++
				}
			}
			runs, pausing := working(rc, v.Unit, at)
			switch {
			case runs && !pausing && n != 0, !runs && n != 1, n > 1:
				t.Fatalf("unit %s at %s: worked on %v, %d waits", v.Unit, at, runs, n)
			}
			seen++
		}
	}
	if seen < 1000 || len(causes) < 5 {
		t.Errorf("only %d moments and %d causes looked at: %v", seen, len(causes), causes)
	}
	t.Logf("waits by cause: %v", causes)
}

// working reports whether a step of the unit is worked on, by hand or by
// itself, and whether it is one that may pause.
func working(rc *recount, unit string, at time.Time) (runs, pausing bool) {
	for _, p := range rc.runs {
		if p.unit != unit || at.Before(p.marks[0]) || !at.Before(p.end) {
			continue
		}
		i := 0
		for i+1 < len(p.marks) && !at.Before(p.marks[i+1]) {
			i++
		}
		x := p.op.Stretches[p.stretches[i]]
		if x.HandsOn || at.Before(p.marks[i].Add(x.Duration)) {
			runs, pausing = true, pausing || x.Splittable
		}
	}
	return runs, pausing
}

// TestReadingOnIsReadingAnew: whatever was read before, the rest makes the
// same chronicle.
func TestReadingOnIsReadingAnew(t *testing.T) {
	mem, shop, in := run(t, queuetest.Seed(t, 5), 3)
	late := logtest.NewMem()
	c := chronicle.New(chronicle.Options{Log: late, Site: shop.Site})
	for _, en := range logtest.Collect(t, mem, shop.Site, 0) {
		if _, err := late.Append(context.Background(), en, en.Seq-1); err != nil {
			t.Fatal(err)
		}
		if en.Seq%37 == 0 {
			if err := c.CatchUp(context.Background()); err != nil {
				t.Fatal(err)
			}
			c.Data(in.Start, in.End) // reading changes nothing
		}
	}
	if err := c.CatchUp(context.Background()); err != nil {
		t.Fatal(err)
	}
	want := caughtUp(t, chronicle.Options{Log: mem, Site: shop.Site}).Data(in.Start, in.End)
	if diff := cmp.Diff(want, c.Data(in.Start, in.End)); diff != "" {
		t.Errorf("read in one go (−) and bit by bit (+):\n%.2000s", diff)
	}
}

// TestCutOffReadingGoesOn: a reader that gave up keeps what it read.
func TestCutOffReadingGoesOn(t *testing.T) {
	site := visited(t, 5, day)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	c := chronicle.New(chronicle.Options{Log: site, Site: "test"})
	if err := c.CatchUp(ctx); err == nil {
		t.Fatal("a cancelled read says nothing")
	}
	if err := c.CatchUp(context.Background()); err != nil {
		t.Fatal(err)
	}
	w := flow.Window{Interval: flow.Interval{Start: queuetest.Monday, End: queuetest.Monday.AddDate(0, 0, 7)}}
	if r := flow.Measure(c.Data(w.Start, w.End), w); r.Left != 5 {
		t.Errorf("%d left, want 5", r.Left)
	}
}

// scene is a small shop in which things are done by hand.
type scene struct {
	*queuetest.Site
	t   *testing.T
	log *logtest.Mem
}

func newScene(t *testing.T) *scene {
	return &scene{queuetest.NewSite(), t, logtest.NewMem()}
}

func (s *scene) do(minute int, actor queue.PersonID, a queue.Action) {
	s.t.Helper()
	s.Now = queuetest.Monday.Add(time.Duration(minute) * time.Minute)
	if _, err := s.Do(actor, a); err != nil {
		s.t.Fatalf("minute %d: %v", minute, err)
	}
}

func (s *scene) arrive(minute int, id queue.UnitID, a queue.UnitArrived) {
	s.t.Helper()
	s.do(minute, "", &queue.ReceiveUnit{Unit: id, Arrival: a})
}

func (s *scene) flash(minute int, id queue.UnitID, who queue.PersonID, on ...queue.ResourceID) {
	s.t.Helper()
	st := s.State.Units[id].Step("flash")
	s.do(minute, who, &queue.StartStep{Unit: id, Step: "flash", Technician: who, Resources: on, Evidence: queuetest.EvidenceFor(s.State.Shop.Operation("flash"), st, true)})
}

func (s *scene) advance(minute int, id queue.UnitID, stretch int, who queue.PersonID) {
	s.t.Helper()
	s.do(minute, who, &queue.AdvanceStep{Unit: id, Step: "flash", Stretch: stretch, Technician: who})
}

func (s *scene) done(minute int, id queue.UnitID, who queue.PersonID) {
	s.t.Helper()
	st := s.State.Units[id].Step("flash")
	s.do(minute, who, &queue.FinishStep{Unit: id, Step: "flash", Technician: who, Evidence: queuetest.EvidenceFor(s.State.Shop.Operation("flash"), st, false)})
}

// data is what the scene came to between two minutes.
func (s *scene) data(from, to int) *flow.Data {
	s.t.Helper()
	for i := range s.Entries {
		if _, err := s.log.Append(context.Background(), &s.Entries[i], uint64(i)); err != nil {
			s.t.Fatal(err)
		}
	}
	c := caughtUp(s.t, chronicle.Options{Log: s.log, Site: "test"})
	return c.Data(queuetest.Monday.Add(time.Duration(from)*time.Minute), queuetest.Monday.Add(time.Duration(to)*time.Minute))
}

func waitsOf(d *flow.Data, unit string) []string {
	var list []flow.Wait
	for _, w := range d.Waits {
		if w.Unit == unit {
			list = append(list, w)
		}
	}
	slices.SortFunc(list, func(a, b flow.Wait) int { return a.Start.Compare(b.Start) })
	var out []string
	for _, w := range list {
		out = append(out, fmt.Sprintf("%s %g-%g", w.Cause, w.Start.Sub(queuetest.Monday).Minutes(), w.End.Sub(queuetest.Monday).Minutes()))
	}
	return out
}

// TestWhatUnitsWaitFor: three units, two interfaces, and one thing after the
// other in the way. Monday 10:00 is minute 0.
func TestWhatUnitsWaitFor(t *testing.T) {
	s := newScene(t)
	plain := queuetest.Arrival("flash-only", queuetest.Monday.Add(6*time.Hour))
	parts := plain
	parts.Parts = map[queue.StepID]time.Time{"flash": queuetest.Monday.Add(20 * time.Minute)}
	s.arrive(0, "u1", plain)
	s.arrive(0, "u2", plain)
	s.flash(0, "u1", "ada", "b1", "i1", "c1")
	s.flash(0, "u2", "ben", "b2", "i2", "c2")
	s.arrive(5, "u3", parts)
	yes, no := true, false
	s.do(8, "fred", &queue.AmendUnit{Unit: "u3", Change: queue.UnitAmended{Held: &yes, Reason: "owner undecided"}})
	s.do(12, "fred", &queue.AmendUnit{Unit: "u3", Change: queue.UnitAmended{Held: &no, Reason: "owner decided"}})
	s.advance(6, "u1", 1, "")
	s.advance(10, "u2", 1, "")
	s.advance(50, "u1", 2, "ada") // hands-off was over at 34
	s.done(56, "u1", "ada")
	s.flash(60, "u3", "ada", "b1", "i1", "c1")
	d := s.data(0, 70)

	// Parts until 20, but held 8–12; then both interfaces are taken until 56;
	// then nothing stood in the way.
	if got, want := waitsOf(d, "u3"), []string{"parts 5-8", "held 8-12", "parts 12-20", "interface 20-56", "unknown 56-60"}; !slices.Equal(got, want) {
		t.Errorf("u3 waited for %v, want %v", got, want)
	}
	// Nobody came back to u1's finished flash for 16 minutes; afterwards the
	// next step is free to begin: what it waits for is not known.
	if got, want := waitsOf(d, "u1"), []string{"technician 34-50", "unknown 56-60", "interface 60-70"}; !slices.Equal(got, want) {
		t.Errorf("u1 waited for %v, want %v", got, want)
	}
	r := flow.Measure(d, flow.Window{Interval: flow.Interval{Start: queuetest.Monday, End: queuetest.Monday.Add(70 * time.Minute)}})
	for _, l := range r.Loads {
		want := map[string][4]int{ // hands-on, hands-off, locked, idle in minutes
			"i1":  {6 + 6 + 10, 28, 16, 4},
			"i2":  {10, 28, 32, 0},
			"ada": {6 + 6 + 10, 0, 0, 48},
			"ben": {10, 0, 0, 60},
			"p1":  {0, 0, 0, 70},
		}[l.Resource]
		if want == ([4]int{}) {
			continue
		}
		if got := [4]int{int(l.HandsOn.Minutes()), int(l.HandsOff.Minutes()), int(l.Locked.Minutes()), int(l.Idle.Minutes())}; got != want {
			t.Errorf("%s: %v, want %v", l.Resource, got, want)
		}
	}
}

// TestStepsOfACampaignCount: what a campaign adds to a visit is work too, and
// the unit is not ready before it is done.
func TestStepsOfACampaignCount(t *testing.T) {
	s := newScene(t)
	s.arrive(0, "u1", queuetest.Arrival("fit-only", queuetest.Monday.Add(40*time.Hour)))
	for _, id := range []queue.StepID{"fit", "final"} {
		s.do(1, "fred", &queue.SkipStep{Unit: "u1", Step: id, Reason: "x"})
	}
	s.do(2, "fred", &queue.OpenCampaign{Campaign: queue.CampaignOpened{ID: "b", Title: "B", Bulletin: &queue.Selection{Make: "Mk"}}})
	s.do(3, "fred", &queue.SweepUnit{Unit: "u1", Campaign: "b"})
	s.flash(10, "u1", "ada", "b1", "i1", "c1")
	d := s.data(0, 60)
	if !slices.ContainsFunc(d.Uses, func(u flow.Use) bool { return u.Resource == "i1" && u.Unit == "u1" }) {
		t.Error("the interface was not busy with the flash that the campaign added")
	}
	if i := slices.IndexFunc(d.Visits, func(v flow.Visit) bool { return v.Unit == "u1" }); !d.Visits[i].Ready.IsZero() {
		t.Errorf("ready at %s", d.Visits[i].Ready)
	}
}

// TestClosingNightAndDown: a flash that would end after closing can't start; an
// interface that is down is down until somebody says it works, and a unit that
// needs it waits for it.
func TestClosingNightAndDown(t *testing.T) {
	s := newScene(t)
	a := queuetest.Arrival("flash-only", queuetest.Monday.Add(40*time.Hour))
	for id, r := range map[queue.ResourceID]string{"i1": "cable", "i2": "laptop"} {
		s.do(0, "fred", &queue.Close{Resource: id, From: s.Now, Until: s.Now.Add(100 * time.Hour), Reason: r})
	}
	s.arrive(10, "u1", a)
	s.do(390, "fred", &queue.Reopen{Resource: "i1"})
	// Open 8–18, so until minute 480; the last flash starts at 440. The next
	// day begins at minute 22*60.
	d := s.data(0, 22*60+5)
	if got, want := waitsOf(d, "u1"), []string{"interface 10-390", "unknown 390-440", "closing 440-1320", "unknown 1320-1325"}; !slices.Equal(got, want) {
		t.Errorf("u1 waited for %v, want %v", got, want)
	}
	r := flow.Measure(d, flow.Window{Interval: flow.Interval{Start: queuetest.Monday, End: queuetest.Monday.Add(480 * time.Minute)}})
	i := slices.IndexFunc(r.Loads, func(l flow.Load) bool { return l.Resource == "i1" })
	if l := r.Loads[i]; l.Down != 390*time.Minute || l.Idle != 90*time.Minute || l.Open != 480*time.Minute {
		t.Errorf("i1: %+v", l)
	}
}

// visited is a log of whole visits, one beginning every so often.
func visited(t testing.TB, n int, every time.Duration) *logtest.Mem {
	t.Helper()
	site, mem := queuetest.NewSite(), logtest.NewMem()
	site.ClosesAt = site.ClosesAt.AddDate(20, 0, 0)
	for id := range site.Outdoor {
		site.Outdoor[id] = queue.Window{Until: site.ClosesAt}
	}
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	for k := range n {
		unit := queue.UnitID(fmt.Sprintf("T-%d", k))
		site.Now = queuetest.Monday.Add(time.Duration(k) * every)
		must(site.Arrive(unit, "set-up"))
		for _, st := range site.State.Units[unit].Steps {
			must(site.Run(unit, st.ID))
		}
		_, err := site.Do("ada", &queue.HandOver{Unit: unit})
		must(err)
	}
	for i := range site.Entries {
		_, err := mem.Append(context.Background(), &site.Entries[i], uint64(i))
		must(err)
	}
	return mem
}

// TestWhatIsOldIsDropped, and it says so.
func TestWhatIsOldIsDropped(t *testing.T) {
	const n = 600 // a visit a day, 21 entries each
	mem := visited(t, n, day)
	last := queuetest.Monday.AddDate(0, 0, n)
	c := caughtUp(t, chronicle.Options{Log: mem, Site: "test", Keep: 100 * day})
	if got := len(c.Data(last.AddDate(0, 0, -1), last).Visits); got > 320 || got < 100 {
		t.Errorf("%d visits kept of %d, 100 days and what came since the last tidying are to be", got, n)
	}
	if since := c.Since(); since.IsZero() || since.After(last.AddDate(0, 0, -100)) {
		t.Errorf("kept since %s, the last visit is of %s", since, last)
	}
	w := flow.Window{Interval: flow.Interval{Start: last.AddDate(0, 0, -100), End: last}}
	if r := flow.Measure(c.Data(w.Start, w.End), w); r.Left != 100 {
		t.Errorf("%d left in the last 100 days", r.Left)
	}
	few := caughtUp(t, chronicle.Options{Log: mem, Site: "test", UnitsMax: 50})
	if got := len(few.Data(last.AddDate(0, 0, -1), last).Visits); got > 50+300 {
		t.Errorf("%d visits kept, 50 and what came since the last tidying are to be", got)
	}
	if all := caughtUp(t, chronicle.Options{Log: mem, Site: "test", Keep: 10_000 * day}); !all.Since().IsZero() {
		t.Error("nothing was dropped, and it says so")
	}
}

// TestNothing: before there is a shop, and in windows without anything.
func TestNothing(t *testing.T) {
	c := caughtUp(t, chronicle.Options{Log: logtest.NewMem(), Site: "test"})
	if d := c.Data(queuetest.Monday, queuetest.Monday.Add(time.Hour)); len(d.Visits)+len(d.Uses)+len(d.Resources) != 0 {
		t.Errorf("an empty log has %+v", d)
	}
	c = caughtUp(t, chronicle.Options{Log: visited(t, 2, day), Site: "test"})
	for _, w := range []flow.Interval{
		{Start: queuetest.Monday, End: queuetest.Monday}, {Start: queuetest.Monday, End: queuetest.Monday.Add(-time.Hour)},
		{End: queuetest.Monday.AddDate(1, 0, 0)}, {Start: queuetest.Monday.AddDate(-1, 0, 0), End: queuetest.Monday.AddDate(-1, 0, 1)},
	} {
		flow.Measure(c.Data(w.Start, w.End), flow.Window{Interval: w})
	}
}

// BenchmarkFold folds 200,000 events: about 10,000 visits.
func BenchmarkFold(b *testing.B) {
	mem := visited(b, 10_000, 5*time.Hour)
	b.ReportAllocs()
	events := 0
	for _, en := range logtest.Collect(b, mem, "test", 0) {
		events += len(en.Events)
	}
	if events < 200_000 {
		b.Fatalf("only %d events", events)
	}
	b.ResetTimer()
	for range b.N {
		caughtUp(b, chronicle.Options{Log: mem, Site: "test"})
	}
	b.ReportMetric(float64(events)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkData asks for twelve months and measures them: 4,380 visits.
func BenchmarkData(b *testing.B) {
	const visits = 4380
	mem := visited(b, visits, 2*time.Hour)
	c := caughtUp(b, chronicle.Options{Log: mem, Site: "test"})
	end := queuetest.Monday.Add(visits * 2 * time.Hour)
	w := flow.Window{Interval: flow.Interval{Start: end.AddDate(-1, 0, 0), End: end}, Join: 5 * time.Minute}
	b.ResetTimer()
	for range b.N {
		w.End = w.End.Add(-time.Second) // not what was just asked
		flow.Measure(c.Data(w.Start, w.End), w)
	}
}
