package flow_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/metrics/flow"
)

var origin = time.Date(2026, 2, 16, 0, 0, 0, 0, time.UTC)

func at(hours float64) time.Time { return origin.Add(time.Duration(hours * float64(time.Hour))) }

func from(a, b float64) flow.Interval { return flow.Interval{Start: at(a), End: at(b)} }

func window(a, b float64) flow.Window { return flow.Window{Interval: from(a, b)} }

// TestWilson: Newcombe, Statistics in Medicine 17 (1998) 857–872, table I (the
// attribution is from memory), and two cases worked from the formula.
func TestWilson(t *testing.T) {
	for _, c := range []struct {
		k, n      int
		low, high float64
	}{
		{81, 263, .2553, .3662}, {15, 148, .0624, .1605}, {0, 20, 0, .1611}, {1, 29, .0061, .1718},
		{8, 10, .4902, .9433}, {10, 10, .7225, 1},
	} {
		low, high := flow.Wilson(c.k, c.n)
		if math.Abs(low-c.low) > 1e-4 || math.Abs(high-c.high) > 1e-4 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", c.k, c.n, low, high, c.low, c.high)
		}
	}
	if low, high := flow.Wilson(0, 0); low != 0 || high != 1 {
		t.Errorf("of nothing: %g to %g, nothing is known: 0 to 1", low, high)
	}
}

// threeMachines is a worked example of both methods, by hand from the papers'
// definitions (the papers show figures only).
func threeMachines() *flow.Data {
	d := &flow.Data{}
	for i, active := range [][][2]float64{
		{{0, 4}, {5, 9}, {10, 14}},
		{{0, 7}, {8, 15}},
		{{2, 5}, {6, 8}, {12, 20}},
	} {
		id := fmt.Sprintf("M%d", i+1)
		d.Resources = append(d.Resources, flow.Resource{ID: id, Open: []flow.Interval{from(0, 20)}})
		d.Pools = append(d.Pools, flow.Pool{ID: id, Members: []string{id}})
		for k, a := range active {
			// Changing from one kind of activity to another is no interruption.
			mid := (a[0] + a[1]) / 2
			d.Uses = append(d.Uses,
				flow.Use{Resource: id, Unit: fmt.Sprint(k), State: flow.HandsOn, Interval: from(a[0], mid)},
				flow.Use{Resource: id, Unit: fmt.Sprint(k), State: flow.HandsOff, Interval: from(mid, a[1])})
		}
	}
	return d
}

func TestBottleneckByHand(t *testing.T) {
	b := flow.Measure(threeMachines(), window(0, 20)).Bottleneck
	want := []struct {
		pool                  string
		mean                  float64 // h
		share, sole, shifting float64
	}{{"M2", 7, .70, .40, .30}, {"M3", 13.0 / 3, .65, .25, .15}, {"M1", 4, .60, .05, .15}}
	if len(b.Pools) != len(want) {
		t.Fatalf("%d pools, want %d", len(b.Pools), len(want))
	}
	for i, w := range want {
		g := b.Pools[i]
		if g.Pool != w.pool || math.Abs(g.Mean.Hours()-w.mean) > 1e-6 || !near(g.Share, w.share) || !near(g.Sole, w.sole) || !near(g.Shifting, w.shifting) {
			t.Errorf("place %d: %+v, want %+v", i+1, g, w)
		}
	}
	var shift []string
	for _, m := range b.Shift {
		shift = append(shift, fmt.Sprintf("%s %g-%g", m.Pool, m.From.Hours(), m.To.Hours()))
	}
	if want := []string{"M2 0-7", "M1 7-9", "M2 9-15", "M3 15-20"}; !slices.Equal(shift, want) {
		t.Errorf("momentary bottlenecks %v, want %v", shift, want)
	}
	if b.Now != "M3" || b.NowFor != 8*time.Hour {
		t.Errorf("at the end it is %s for %s, want M3 for 8h", b.Now, b.NowFor)
	}
}

func near(a, b float64) bool { return math.Abs(a-b) < 1e-9 }

// TestLockedIsNotActive: a machine that waits to be relieved is blocked, and
// its active period is over.
func TestLockedIsNotActive(t *testing.T) {
	d := threeMachines()
	d.Uses = append(d.Uses, flow.Use{Resource: "M1", Unit: "x", State: flow.Locked, Interval: from(14, 20)})
	r := flow.Measure(d, window(0, 20))
	if got := r.Bottleneck.Pools[2].Mean; got != 4*time.Hour {
		t.Errorf("M1's mean active period is %s, want 4h", got)
	}
	if l := r.Loads[0]; l.Locked != 6*time.Hour || l.Idle != 2*time.Hour {
		t.Errorf("M1 was locked %s and idle %s, want 6h and 2h", l.Locked, l.Idle)
	}
}

// TestActivePeriodsGoOnOverNightAndShortGaps: the clock stands still while the
// shop is shut.
func TestActivePeriodsGoOnOverNightAndShortGaps(t *testing.T) {
	open := []flow.Interval{from(8, 17), from(32, 41)}
	d := &flow.Data{
		Resources: []flow.Resource{{ID: "b1", Open: open}}, Pools: []flow.Pool{{ID: "bench", Members: []string{"b1"}}}, Open: open,
		Uses: []flow.Use{
			{Resource: "b1", Unit: "1", State: flow.HandsOn, Interval: from(15, 17)},
			{Resource: "b1", Unit: "1", State: flow.HandsOn, Interval: from(32, 33)},
			{Resource: "b1", Unit: "2", State: flow.HandsOn, Interval: from(33+1./30, 35)}, // 2 min later
		},
	}
	w := window(0, 48)
	if got := flow.Measure(d, w).Bottleneck.Pools[0]; got.Periods != 2 {
		t.Errorf("%d periods, want 2: the night is no gap, two minutes are", got.Periods)
	}
	w.Join = 5 * time.Minute
	if got := flow.Measure(d, w).Bottleneck.Pools[0]; got.Periods != 1 || got.Mean != 5*time.Hour {
		t.Errorf("%d periods of %s, want one of 5h", got.Periods, got.Mean)
	}
}

// TestPoolIsActiveWhenNoneIsFree: a pool counts only members that are open.
func TestPoolIsActiveWhenNoneIsFree(t *testing.T) {
	d := &flow.Data{
		Resources: []flow.Resource{{ID: "ada", Open: []flow.Interval{from(0, 10)}}, {ID: "ben", Open: []flow.Interval{from(0, 6)}}},
		Pools:     []flow.Pool{{ID: "flash", Members: []string{"ada", "ben", "nobody"}}},
		Uses: []flow.Use{
			{Resource: "ada", Unit: "1", State: flow.HandsOn, Interval: from(1, 9)},
			{Resource: "ben", Unit: "2", State: flow.HandsOn, Interval: from(3, 5)},
		},
	}
	// Both busy 3–5; from 6 on ada is alone, busy until 9.
	got := flow.Measure(d, window(0, 10)).Bottleneck.Pools[0]
	if got.Periods != 2 || got.Mean != 150*time.Minute {
		t.Errorf("%d periods of %s, want 2 of 2h30m", got.Periods, got.Mean)
	}
}

// line is a row of stations, each with some machines, that w jobs go round in:
// one leaves, one enters. It returns the jobs' visits and the machines' uses.
func line(w, jobs int, hours []float64, machines []int) *flow.Data {
	d := &flow.Data{}
	free := make([][]float64, len(hours))
	for s := range hours {
		free[s] = make([]float64, machines[s])
		p := flow.Pool{ID: fmt.Sprintf("S%d", s+1)}
		for m := range machines[s] {
			id := fmt.Sprintf("S%d.%d", s+1, m)
			p.Members = append(p.Members, id)
			d.Resources = append(d.Resources, flow.Resource{ID: id, Open: []flow.Interval{from(-1e3, 1e5)}})
		}
		d.Pools = append(d.Pools, p)
	}
	left := make([]float64, jobs)
	for k := range jobs {
		enters := 0.0
		if k >= w {
			enters = left[k-w]
		}
		now := enters
		for s, h := range hours {
			m := slices.Index(free[s], slices.Min(free[s]))
			start := max(now, free[s][m])
			now = start + h
			free[s][m] = now
			d.Uses = append(d.Uses, flow.Use{Resource: d.Pools[s].Members[m], Unit: fmt.Sprint(k), State: flow.HandsOff, Interval: from(start, now)})
		}
		left[k] = now
		d.Visits = append(d.Visits, flow.Visit{Unit: fmt.Sprint(k), Arrived: at(enters), Left: at(now), Ready: at(now)})
	}
	return d
}

// TestPennyFab measures the two lines of W. J. Hopp and M. L. Spearman, Factory
// Physics, chapter 7, at their best: throughput an hour and cycle time by work
// in process (the table's attribution is from memory, its values were
// recomputed; the lines' data are published).
func TestPennyFab(t *testing.T) {
	one := struct {
		hours    []float64
		machines []int
	}{[]float64{2, 2, 2, 2}, []int{1, 1, 1, 1}}
	two := struct {
		hours    []float64
		machines []int
	}{[]float64{2, 5, 10, 3}, []int{1, 2, 6, 2}}
	for _, c := range []struct {
		name   string
		w      int
		th, ct float64
	}{
		{"one", 1, .125, 8}, {"one", 2, .250, 8}, {"one", 3, .375, 8}, {"one", 4, .5, 8}, {"one", 6, .5, 12}, {"one", 8, .5, 16}, {"one", 10, .5, 20}, {"one", 12, .5, 24},
		{"two", 1, .05, 20}, {"two", 2, .10, 20}, {"two", 3, .15, 20}, {"two", 4, .20, 20}, {"two", 6, .30, 20}, {"two", 8, .40, 20}, {"two", 10, .40, 25}, {"two", 12, .40, 30},
	} {
		fab := one
		if c.name == "two" {
			fab = two
		}
		d := line(c.w, 2000, fab.hours, fab.machines)
		const a, b = 400, 2400 // the line has settled; whole rounds of either
		r := flow.Measure(d, window(a, b))
		if th := float64(r.Left) / (b - a); math.Abs(th-c.th) > 0.001 {
			t.Errorf("penny fab %s, w %d: throughput %.4f/h, want %.4f", c.name, c.w, th, c.th)
		}
		if ct := r.Stay.Mean.Hours(); math.Abs(ct-c.ct) > 0.01 {
			t.Errorf("penny fab %s, w %d: cycle time %.3f h, want %.3f", c.name, c.w, ct, c.ct)
		}
		if math.Abs(r.Little.L-float64(c.w)) > 1e-9 {
			t.Errorf("penny fab %s, w %d: work in process %.4f", c.name, c.w, r.Little.L)
		}
		if c.name == "two" && c.w == 12 {
			if got := r.Bottleneck.Pools[0]; got.Pool != "S2" || got.Share < .999 {
				t.Errorf("the bottleneck of penny fab two is %+v, want S2 (0.4/h), always active", got)
			}
		}
	}
}

func visits(t *rapid.T) []flow.Visit {
	n := rapid.IntRange(0, 40).Draw(t, "units")
	out := make([]flow.Visit, n)
	hour := rapid.Float64Range(-50, 150)
	for i := range out {
		v := flow.Visit{Unit: fmt.Sprint(i), Arrived: at(hour.Draw(t, "arrived"))}
		if rapid.Bool().Draw(t, "ready") {
			v.Ready = v.Arrived.Add(time.Duration(rapid.Float64Range(0, 60).Draw(t, "work") * float64(time.Hour)))
			if rapid.Bool().Draw(t, "left") {
				v.Left = v.Ready.Add(time.Duration(rapid.Float64Range(0, 60).Draw(t, "shelf") * float64(time.Hour)))
			}
		}
		if rapid.Bool().Draw(t, "promised") {
			v.First = at(hour.Draw(t, "first"))
			v.Promise = at(hour.Draw(t, "promise"))
		}
		out[i] = v
	}
	return out
}

// TestLittlesLaw holds on every window of every shop, to the millisecond.
func TestLittlesLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := &flow.Data{Visits: visits(t)}
		a := rapid.Float64Range(-60, 160).Draw(t, "from")
		w := window(a, a+rapid.Float64Range(0.001, 200).Draw(t, "length"))
		l := flow.Measure(d, w).Little
		if l.AreaMS != l.StayMS {
			t.Fatalf("the integral is %d ms, the stays sum up to %d ms", l.AreaMS, l.StayMS)
		}
		if right := l.LambdaPerDay * l.W.Hours() / 24; math.Abs(l.L-right) > 1e-6*max(1, l.L) {
			t.Fatalf("L %g, λW %g", l.L, right)
		}
	})
}

// TestCountsAreTheUnitsBehindThem, and flow is conserved.
func TestCountsAreTheUnitsBehindThem(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := &flow.Data{Visits: visits(t)}
		a := rapid.Float64Range(-60, 160).Draw(t, "from")
		w := window(a, a+rapid.Float64Range(0.001, 200).Draw(t, "length"))
		r := flow.Measure(d, w)
		for of, want := range map[flow.Of]int{
			flow.Arrived: r.Arrived, flow.Left: r.Left, flow.Present: r.Little.Present, flow.AtEnd: r.AtEnd,
			flow.Due: r.Promises.Of, flow.Kept: r.Promises.Kept, flow.Missed: r.Promises.Of - r.Promises.Kept,
			flow.FirstDue: r.FirstPromises.Of, flow.FirstKept: r.FirstPromises.Kept,
		} {
			if got := len(flow.Select(d, w, flow.Query{Of: of})); got != want {
				t.Fatalf("%s: %d units, the report says %d", of, got, want)
			}
		}
		if r.AtStart+r.Arrived-r.Left != r.AtEnd {
			t.Fatalf("%d at the start + %d arrived − %d left is not %d at the end", r.AtStart, r.Arrived, r.Left, r.AtEnd)
		}
		if r.Stay.Units != r.Left || r.Stay.Median > r.Stay.P90 {
			t.Fatalf("stays %+v, %d left", r.Stay, r.Left)
		}
		sum := 0
		for _, b := range flow.Count(d.Visits, cutUp(w.Interval, 7)) {
			sum += b.Left
		}
		if sum != r.Left {
			t.Fatalf("the buckets hold %d, the window %d", sum, r.Left)
		}
	})
}

func cutUp(in flow.Interval, n int) []flow.Interval {
	var out []flow.Interval
	step := in.End.Sub(in.Start) / time.Duration(n)
	for i := range n {
		v := flow.Interval{Start: in.Start.Add(time.Duration(i) * step), End: in.Start.Add(time.Duration(i+1) * step)}
		if i == n-1 {
			v.End = in.End
		}
		out = append(out, v)
	}
	return out
}

// TestStatesAddUp: whatever overlaps, the states fill the open time exactly;
// and the momentary bottlenecks never overlap.
func TestStatesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hour := rapid.Float64Range(0, 100)
		d := &flow.Data{}
		for r := range rapid.IntRange(1, 4).Draw(t, "resources") {
			res := flow.Resource{ID: fmt.Sprint(r), Capacity: rapid.IntRange(1, 3).Draw(t, "capacity")}
			for day := 0.0; day < 96; day += 24 {
				if rapid.Bool().Draw(t, "open") {
					res.Open = append(res.Open, from(day+8, day+17))
				}
			}
			d.Resources = append(d.Resources, res)
			d.Pools = append(d.Pools, flow.Pool{ID: res.ID, Members: []string{res.ID}})
		}
		for range rapid.IntRange(0, 30).Draw(t, "uses") {
			a := hour.Draw(t, "start")
			d.Uses = append(d.Uses, flow.Use{
				Resource: fmt.Sprint(rapid.IntRange(0, 4).Draw(t, "resource")), Unit: "u",
				State:    flow.State(rapid.IntRange(1, 4).Draw(t, "state")),
				Interval: from(a, a+rapid.Float64Range(0, 20).Draw(t, "hours")),
			})
		}
		w := window(10, 90)
		r := flow.Measure(d, w)
		for _, l := range r.Loads {
			sum := time.Duration(0)
			for s := flow.HandsOn; s <= flow.Idle; s++ {
				if l.Of(s) < 0 {
					t.Fatalf("%s of %s is %s", s, l.Resource, l.Of(s))
				}
				sum += l.Of(s)
			}
			if sum != l.Open {
				t.Fatalf("the states of %s add up to %s, it was open %s", l.Resource, sum, l.Open)
			}
		}
		b, last := r.Bottleneck, time.Duration(0)
		for _, m := range b.Shift {
			if m.From < last || m.To <= m.From {
				t.Fatalf("moments %v", b.Shift)
			}
			last = m.To
		}
		whole := 0.0
		for _, p := range b.Pools {
			whole += p.Sole
			if p.Sole < 0 || p.Sole+p.Shifting > p.Share+1e-9 {
				t.Fatalf("sole and shifting beyond what it was active: %+v", p)
			}
		}
		if whole > 1+1e-9 {
			t.Fatalf("sole bottlenecks for %g of the window", whole)
		}
	})
}

func TestEmpty(t *testing.T) {
	for _, w := range []flow.Window{window(0, 0), window(5, 4), window(0, 5)} {
		for _, d := range []*flow.Data{{}, threeMachines(), {Open: []flow.Interval{}, Pools: []flow.Pool{{ID: "x"}}}} {
			r := flow.Measure(d, w)
			if v := r.Promises.Value(); math.IsNaN(v) || math.IsNaN(r.Little.L) || math.IsInf(r.Little.LambdaPerDay, 0) {
				t.Errorf("window %v: %+v", w, r)
			}
		}
	}
}

func TestNamesComeBack(t *testing.T) {
	for o := flow.Arrived; o <= flow.Waiting; o++ {
		if flow.ParseOf(o.String()) != o {
			t.Errorf("%d is %q and comes back as %d", o, o, flow.ParseOf(o.String()))
		}
	}
	for _, c := range flow.Causes() {
		if flow.ParseCause(c.String()) != c {
			t.Errorf("%d is %q", c, c)
		}
	}
	for s := flow.HandsOn; s <= flow.Idle; s++ {
		if flow.ParseState(s.String()) != s {
			t.Errorf("%d is %q", s, s)
		}
	}
	if flow.ParseOf("nonsense") != 0 || flow.ParseCause("") != 0 || flow.ParseState("x") != 0 {
		t.Error("nonsense is something")
	}
}
