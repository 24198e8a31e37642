package simulate

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/shopfile"
	"tickover/scheduler/model"
	"tickover/scheduler/tally"
	"tickover/scheduler/week"
	"tickover/services/almanac"
	"tickover/services/simshop"
	"tickover/testdata"
)

func demo(t testing.TB) *queue.Shop {
	t.Helper()
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	return shop
}

var february = time.Date(2026, 2, 16, 0, 0, 0, 0, time.UTC)

func scenarios(t testing.TB, shop *queue.Shop, texts ...string) (out []Scenario) {
	t.Helper()
	for _, x := range texts {
		s, err := ParseScenario(shop, x)
		if err != nil {
			t.Fatal(err)
		}
		if s.String() != x {
			t.Errorf("%q is written %q", x, s)
		}
		out = append(out, s)
	}
	return out
}

// TestWhatChangesBring: directions that nobody would doubt, in the demo shop.
func TestWhatChangesBring(t *testing.T) {
	shop := demo(t)
	o := Options{Shop: shop, Start: february, Seed: 1, Pairs: 5, Weeks: 2, WarmUp: 1, Threads: 2,
		Scenarios: scenarios(t, shop, "add=ruth", "add=l1", "crates=30", "without=i1", "more=-50")}
	r, err := Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if r.Cut() || r.Pairs != 5 || r.AsItIs.Units.Mean < 20 {
		t.Errorf("%d of %d pairs, %v", r.Pairs, r.PairsWant, r.AsItIs)
	}
	by := map[string]Outcome{}
	for _, x := range r.Scenarios {
		by[x.Changes.String()] = x
	}
	if d := by["add=ruth"].Diff.Full; d.Mean < 5 || !d.Sure() {
		t.Errorf("a fifth technician brings %+v units a week at full load", d)
	}
	if d := by["add=l1"].Diff; d.Full.Mean != 0 || d.Units.Mean != 0 || d.Kept.Mean != 0 {
		t.Errorf("a third place on the loop, which nobody waits for, changes something: %+v", d)
	}
	if d := by["crates=30"].Diff; d.Kept.Mean > -5 || !d.Kept.Sure() || d.Full.Mean != 0 {
		t.Errorf("thirty crates: %+v", d)
	}
	if d := by["without=i1"].Diff; d.Units.Mean > -3 {
		t.Errorf("without the only interface for a family: %+v", d)
	}
	if d := by["more=-50"].Diff; d.Units.Mean > -10 || d.Stay.Mean > 0 {
		t.Errorf("half the work: %+v", d)
	}
	if best := r.Ranked()[0].Changes.String(); best != "add=ruth" {
		t.Errorf("%s brings most", best)
	}
	o.Threads = 1
	again, err := Run(t.Context(), o)
	if err != nil || !reflect.DeepEqual(r, again) {
		t.Errorf("the same options give another result: %v", err)
	}
}

// TestCommonLuckNarrowsTheDifference: with the same luck in both worlds the
// difference varies far less than with luck of their own.
func TestCommonLuckNarrowsTheDifference(t *testing.T) {
	shop := demo(t)
	seen := func(seed uint64) [][]*measured {
		o := Options{Shop: shop, Start: february, Seed: seed, Pairs: 10, Weeks: 2, WarmUp: 1, Threads: 2, Scenarios: scenarios(t, shop, "add=i2")}
		s, err := newStudy(&o)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.run(t.Context()); err != nil {
			t.Fatal(err)
		}
		return s.seen
	}
	common, other := seen(1), seen(2)
	for i, figure := range []string{"units a week", "promises kept", "time in the shop", "units a week at full load"} {
		var paired, apart tally.Sample
		for k := range common {
			paired.Add(common[k][1].values()[i] - common[k][0].values()[i])
			apart.Add(other[k][1].values()[i] - common[k][0].values()[i])
		}
		t.Logf("%s: variance of the difference %.3f with common luck, %.3f with luck of their own", figure, paired.Variance(), apart.Variance())
		if paired.Variance() > apart.Variance()/2 {
			t.Errorf("%s: the variance is %.3f with common luck, %.3f without", figure, paired.Variance(), apart.Variance())
		}
	}
}

// TestArrivalsDoNotDependOnTheChange: whoever comes anyhow comes at the same
// time with the same promise.
func TestArrivalsDoNotDependOnTheChange(t *testing.T) {
	shop := demo(t)
	o := Options{Shop: shop, Start: february, Seed: 3, Scenarios: scenarios(t, shop, "crates=30", "more=50", "more=-50", "till=kofi@19:00")}
	s, err := newStudy(&o)
	if err != nil {
		t.Fatal(err)
	}
	list := func(w *world) map[uint64]week.Arrival {
		out := map[uint64]week.Arrival{}
		c := s.days.arrivals(7, w.variant, s.warmed())
		for range 42 {
			last := week.Time(0)
			for _, a := range c.next() {
				if a.At < last || a.Due <= a.At {
					t.Errorf("%+v comes after %d", a, last)
				}
				last = a.At
				out[a.Key] = a
			}
		}
		return out
	}
	base, crates, more, less, till := list(s.worlds[0]), list(s.worlds[1]), list(s.worlds[2]), list(s.worlds[3]), list(s.worlds[4])
	within := func(small, large map[uint64]week.Arrival) {
		t.Helper()
		for k, a := range small {
			if !reflect.DeepEqual(large[k], a) {
				t.Fatalf("unit %d is %+v in one world and %+v in the other", k, a, large[k])
			}
		}
	}
	within(base, crates)
	within(base, more)
	within(less, base)
	within(base, till)
	if len(crates) != len(base)+30 || len(till) != len(base) {
		t.Errorf("%d, with the crates %d, till seven %d", len(base), len(crates), len(till))
	}
	monday := week.Time(14 * minutesDay)
	for k, a := range crates {
		if _, ok := base[k]; !ok && (a.At < monday || a.At >= monday+minutesDay) {
			t.Errorf("a crate comes at minute %d", a.At)
		}
	}
	if n := float64(len(base)); math.Abs(float64(len(more))/n-1.5) > 0.2 || math.Abs(float64(len(less))/n-0.5) > 0.2 {
		t.Errorf("%d units, half as many again %d, half as many %d", len(base), len(more), len(less))
	}
}

// TestCalendarsOfChanges: lamps light one pad and end no quiet hours; who stays
// keeps the shop open, on weekdays.
func TestCalendarsOfChanges(t *testing.T) {
	shop := demo(t)
	december := time.Date(2026, 12, 7, 0, 0, 0, 0, time.UTC) // a Monday
	o := Options{Shop: shop, Start: december, Scenarios: scenarios(t, shop, "lit=p1", "till=kofi@19:00", "lit=p1,add=p1")}
	s, err := newStudy(&o)
	if err != nil {
		t.Fatal(err)
	}
	at := func(list []model.Interval, day, hour, minute int) bool {
		x := week.Time(day*minutesDay + hour*60 + minute)
		return slices.ContainsFunc(list, func(iv model.Interval) bool { return iv.Start <= x && x < iv.End })
	}
	place := func(w *world, id string) []model.Interval {
		c := w.calendars(0, 7*minutesDay)
		i := slices.IndexFunc(w.shop.Resources, func(r model.Resource) bool { return string(r.ID) == id })
		return c.Places[i]
	}
	lit := s.worlds[1]
	if p := place(s.base, "p1"); at(p, 1, 16, 30) || !at(p, 1, 11, 0) {
		t.Error("the pad as it is:", p)
	}
	if p := place(lit, "p1"); !at(p, 1, 16, 30) || !at(p, 1, 17, 29) || at(p, 1, 12, 45) || at(p, 1, 8, 30) || at(p, 1, 18, 0) {
		t.Error("the lit pad:", p)
	}
	if at(place(lit, "l1"), 1, 16, 30) {
		t.Error("the loop is lit too")
	}
	if !at(place(s.worlds[3], "p1+2"), 1, 16, 30) {
		t.Error("a copy of the lit pad is dark")
	}
	till := s.worlds[2]
	c := till.calendars(0, 7*minutesDay)
	kofi := slices.IndexFunc(till.shop.Workers, func(w model.Worker) bool { return w.ID == "kofi" })
	if !at(c.Work[kofi], 1, 18, 45) || !at(c.Open, 1, 18, 45) || at(c.Open, 0, 18, 0) || at(c.Open, 5, 14, 0) || at(c.Open, 1, 19, 0) {
		t.Error("till seven:", c.Work[kofi], c.Open)
	}
	ruth := slices.IndexFunc(till.shop.Workers, func(w model.Worker) bool { return w.ID == "ruth" })
	if at(c.Work[ruth], 1, 18, 0) {
		t.Error("ruth stays too")
	}
	if p := place(till, "p1"); at(p, 1, 18, 0) {
		t.Error("it gets light when somebody stays:", p)
	}
}

func TestWrongChanges(t *testing.T) {
	shop := demo(t)
	for text, want := range map[string]string{
		"ad=i1":           `Did you mean "add"?`,
		"add=i9":          "neither a resource nor a technician",
		"add":             "write add=ID",
		"till=kofi":       "till=kofi@19:00",
		"till=kofi@25:00": "till=kofi@19:00",
		"till=kofi@15:00": "works until 15:00 or later already",
		"till=i1@19:00":   "no technician",
		"lit=b1":          "no pad",
		"crates=0":        "1 to 300",
		"crates=many":     "no whole number",
		"more=0":          "and not 0",
		"":                "write add=ID",
		"add=i1,add=i1,add=i1,add=i1,add=i1,add=i1,add=i1,add=i1,add=i1": "at most 8",
	} {
		if _, err := ParseScenario(shop, text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// TestLittleAndNothing: shops with hardly anything, and habits that make no
// sense, get an answer or an error that says what to do.
func TestLittleAndNothing(t *testing.T) {
	shop := *demo(t)
	quick := Options{Start: february, Pairs: 2, Weeks: 1, WarmUp: 1}
	run := func(change func(s *queue.Shop, o *Options)) (*Result, error) {
		s, o := shop, quick
		o.Shop = &s
		change(&s, &o)
		return Run(t.Context(), o)
	}
	for name, change := range map[string]func(s *queue.Shop, o *Options){
		"one technician": func(s *queue.Shop, _ *Options) { s.Technicians = s.Technicians[:1] },
		"nothing ever comes": func(_ *queue.Shop, o *Options) {
			o.Habits = &Habits{Groups: []Group{{Units: []Visit{{Route: "set-up", Family: "kr5"}}}}}
		},
		"a route nobody has": func(_ *queue.Shop, o *Options) {
			o.Habits = &Habits{Groups: []Group{{Units: []Visit{{Route: "set-up", Family: "kr5"}, {Route: "gone"}, {Route: "reflash", Family: "xx"}}}}, PerDay: [7]float64{9, 9, 9, 9, 9, 9, 9}}
		},
		"a hundred times too much": func(_ *queue.Shop, o *Options) {
			o.Habits = &Habits{Groups: []Group{{Units: []Visit{{Route: "accessories", Family: "kr5", Weight: -4}}}}, PerDay: [7]float64{1, 300, 1e9, 9, 9, 9, 9}}
		},
		"absurd lengths": func(_ *queue.Shop, o *Options) {
			o.Lengths = func(queue.OperationID, int) (Length, bool) { return Length{900 * time.Hour, 9}, true }
		},
	} {
		r, err := run(change)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		b, err := json.Marshal(r) // refuses NaN and infinities
		if err != nil || strings.Contains(string(b), "NaN") {
			t.Errorf("%s: %s %v", name, b, err)
		}
	}
	for name, change := range map[string]func(s *queue.Shop, o *Options){
		"no technicians": func(s *queue.Shop, _ *Options) { s.Technicians = nil },
		"no routes":      func(s *queue.Shop, _ *Options) { s.Routes = nil },
		"no habits":      func(_ *queue.Shop, o *Options) { o.Habits = &Habits{} },
	} {
		if r, err := run(change); !errors.Is(err, errNothing) {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
	}
	if _, err := Run(t.Context(), Options{Shop: &shop, Start: february, Weeks: 53}); err == nil {
		t.Error("53 weeks")
	}
}

// TestCancel: what is done so far is kept; nothing at all is an error.
func TestCancel(t *testing.T) {
	shop := demo(t)
	ctx, cancel := context.WithCancel(t.Context())
	o := Options{Shop: shop, Start: february, Seed: 1, Pairs: 50, Weeks: 1, WarmUp: 1, Scenarios: scenarios(t, shop, "add=i1")}
	o.Progress = func(done, total int) {
		if total != 100 {
			t.Errorf("%d of %d", done, total)
		}
		if done == 7 {
			cancel()
		}
	}
	r, err := Run(ctx, o)
	if err != nil || !r.Cut() || r.Pairs != 3 || r.AsItIs.Units.Pairs != 3 {
		t.Fatalf("%+v, %v", r, err)
	}
	o.Pairs, o.Progress = 3, nil
	full, err := Run(t.Context(), o)
	if err != nil || full.AsItIs != r.AsItIs {
		t.Errorf("three pairs are %+v, cut after three %+v, %v", full.AsItIs, r.AsItIs, err)
	}
	if _, err := Run(ctx, o); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled before the first pair: %v", err)
	}
}

// TestHabitsFromALog: what is learnt from a simulated shop's log comes again.
func TestHabitsFromALog(t *testing.T) {
	shop, l := demo(t), logtest.NewMem()
	if _, err := simshop.Run(t.Context(), simshop.Options{Shop: shop, ShopFile: "x", Seed: 1, Days: 10, Log: l, Schedules: 1}); err != nil {
		t.Fatal(err)
	}
	var learner Learner
	if err := l.Read(t.Context(), shop.Site, 0, learner.Entry); err != nil {
		t.Fatal(err)
	}
	h := learner.Habits()
	if h == nil {
		t.Fatal("nothing was learnt")
	}
	r, err := Run(t.Context(), Options{Shop: shop, Start: february, Habits: h, Pairs: 3, Weeks: 2, WarmUp: 1, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	perWeek := float64(h.Seen) / 10 * 7
	if r.Learnt != h.Seen || math.Abs(r.AsItIs.Units.Mean-perWeek) > 0.35*perWeek {
		t.Errorf("%d units in 10 days; simulated %.1f a week", h.Seen, r.AsItIs.Units.Mean)
	}
	a, err := almanac.New(shop)
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range h.Groups {
		if len(a.Open(february, february.AddDate(0, 0, 1))) == 0 || g.At < 7*60 || g.At > 18*60 {
			t.Errorf("a group at %s", g.At)
		}
	}
	if h := (&Learner{}).Habits(); h != nil {
		t.Errorf("an empty log taught %+v", h)
	}
}

// TestActivePeriodsOfASimulation: the hand example of the active period
// methods (worked from the definitions of Roser, Nakano and Tanaka 2001 and
// 2002), run through the simulator and measured as the owner's page does. Three
// machines are busy [0,4] [5,9] [10,14]; [0,7] [8,15]; [2,5] [6,8] [12,20].
func TestActivePeriodsOfASimulation(t *testing.T) {
	type job struct{ machine, from, to int }
	var jobs []job
	for m, spans := range [][]int{{0, 4, 5, 9, 10, 14}, {0, 7, 8, 15}, {2, 5, 6, 8, 12, 20}} {
		for i := 0; i < len(spans); i += 2 {
			jobs = append(jobs, job{m, spans[i], spans[i+1]})
		}
	}
	slices.SortStableFunc(jobs, func(a, b job) int { return a.from - b.from })
	var o week.SimulationOptions
	d := flow.Data{}
	at := func(x week.Time) time.Time { return february.Add(time.Duration(x) * time.Minute) }
	for m := range 3 {
		name := string(rune('1' + m))
		o.Shop.Resources = append(o.Shop.Resources, model.Resource{ID: model.ResourceID("M" + name), Kind: "machine " + name, Capacity: 1})
		o.Shop.Workers = append(o.Shop.Workers, model.Worker{ID: model.WorkerID("W" + name), Skills: []string{name}})
		o.Kinds = append(o.Kinds, week.Kind{Name: name, Activities: []model.Activity{{ID: "work", Modes: []model.Mode{{
			Stretches: []model.Stretch{{Duration: 60, Workers: 1, Skills: []string{name}}}, Needs: []model.Need{{Kind: "machine " + name}},
		}}}}})
		d.Resources = append(d.Resources, flow.Resource{ID: "M" + name, Open: []flow.Interval{{Start: february, End: at(20 * 60)}}})
		d.Pools = append(d.Pools, flow.Pool{ID: "M" + name, Members: []string{"M" + name}})
	}
	n := 0
	o.Arrivals = func() (week.Arrival, bool) {
		if n == len(jobs) {
			return week.Arrival{}, false
		}
		j := jobs[n]
		n++
		return week.Arrival{Key: uint64(n), Kind: j.machine, At: week.Time(60 * j.from), Due: model.Unlimited}, true
	}
	lengths := map[[2]int]int{} // by machine and how many it has done
	done := [3]int{}
	for _, j := range jobs {
		k := 0
		for ; lengths[[2]int{j.machine, k}] > 0; k++ {
		}
		lengths[[2]int{j.machine, k}] = j.to - j.from
	}
	o.Length = func(_ *rand.Rand, kind, _, _ int, _ *model.Stretch) week.Time {
		done[kind]++
		return week.Time(60 * lengths[[2]int{kind, done[kind] - 1}])
	}
	o.Observer.Left = func(v *week.Visit) {
		d.Visits = append(d.Visits, flow.Visit{Unit: string(rune('a' + v.Key)), Arrived: at(v.At), Left: at(v.Left)})
	}
	o.Observer.Held = func(h week.Hold) {
		if h.Resource >= 0 {
			d.Uses = append(d.Uses, flow.Use{Resource: string(o.Shop.Resources[h.Resource].ID), Unit: string(rune('a' + h.Key)),
				State: flow.HandsOn, Interval: flow.Interval{Start: at(h.Start), End: at(h.End)}})
		}
	}
	s, err := week.NewSimulation(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Run(t.Context(), 20*60); err != nil {
		t.Fatal(err)
	}
	r := flow.Measure(&d, flow.Window{Interval: flow.Interval{Start: february, End: at(20 * 60)}})
	want := map[string]struct {
		mean           time.Duration
		sole, shifting float64
	}{
		"M1": {4 * time.Hour, 0.05, 0.15}, "M2": {7 * time.Hour, 0.40, 0.30}, "M3": {13 * time.Hour / 3, 0.25, 0.15},
	}
	if len(r.Bottleneck.Pools) != 3 || r.Bottleneck.Pools[0].Pool != "M2" {
		t.Fatalf("%+v", r.Bottleneck)
	}
	for _, p := range r.Bottleneck.Pools {
		w := want[p.Pool]
		if (p.Mean-w.mean).Abs() > time.Second || math.Abs(p.Sole-w.sole) > 1e-9 || math.Abs(p.Shifting-w.shifting) > 1e-9 {
			t.Errorf("%s: %v, sole %.3f, shifting %.3f; want %v", p.Pool, p.Mean, p.Sole, p.Shifting, w)
		}
	}
	if r.Little.AreaMS != r.Little.StayMS || r.Little.AreaMS == 0 {
		t.Errorf("Little's law: %+v", r.Little)
	}
}

// demoRun is the demo shop as it is, for so many days, with the fast policy.
func demoRun(t testing.TB, days int) {
	t.Helper()
	o := Options{Shop: demo(t), Start: february, Seed: 1, Weeks: WeeksMax}
	s, err := newStudy(&o)
	if err != nil {
		t.Fatal(err)
	}
	sim, done := s.endless(t, days)
	if err := sim.Run(t.Context(), week.Time(days*minutesDay)); err != nil {
		t.Fatal(err)
	}
	if *done < days {
		t.Errorf("%d units left in %d days", *done, days)
	}
}

// endless is the work as it comes without an end.
func (s *study) endless(t testing.TB, days int) (*week.Simulation, *int) {
	o, index := s.simulation(s.base, 0)
	src := s.days.arrivals(o.Seed, s.base.variant, 0)
	var pending []week.Arrival
	o.Arrivals = func() (week.Arrival, bool) {
		for len(pending) == 0 {
			if src.n > days {
				return week.Arrival{}, false
			}
			pending = src.next()
		}
		a := pending[0]
		pending = pending[1:]
		a.Kind = index[a.Kind]
		return a, true
	}
	left := new(int)
	o.Observer.Left = func(*week.Visit) { *left++ }
	sim, err := week.NewSimulation(o)
	if err != nil {
		t.Fatal(err)
	}
	return sim, left
}

// TestMemoryDoesNotGrowWithDays: after five hundred days the live heap is what it was
// after a hundred.
func TestMemoryDoesNotGrowWithDays(t *testing.T) {
	o := Options{Shop: demo(t), Start: february, Seed: 1, Weeks: WeeksMax}
	s, err := newStudy(&o)
	if err != nil {
		t.Fatal(err)
	}
	const days = 500
	sim, left := s.endless(t, days)
	heap := func(day int) uint64 {
		if err := sim.Run(t.Context(), week.Time(day*minutesDay)); err != nil {
			t.Fatal(err)
		}
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	early, late := heap(100), heap(days)
	runtime.KeepAlive(sim)
	t.Logf("%d units; %d KB after 100 days, %d KB after %d", *left, early>>10, late>>10, days)
	if *left < 5*days {
		t.Errorf("%d units left in %d days", *left, days)
	}
	if late > early+early/4+512<<10 {
		t.Errorf("the heap grew from %d KB after 100 days to %d KB after %d", early>>10, late>>10, days)
	}
}

// BenchmarkShopDays is the fast policy in the demo shop: shop-days a minute.
func BenchmarkShopDays(b *testing.B) {
	b.ReportAllocs()
	days := 0
	for b.Loop() {
		demoRun(b, 180)
		days += 180
	}
	b.ReportMetric(float64(days)/b.Elapsed().Minutes(), "shop-days/min")
}
