package week

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"tickover/scheduler/model"
	"tickover/scheduler/tally"
)

// service is the mean service time in ticks. Lengths and arrivals are rounded
// to whole ticks, up as often as down, which does not show in the means.
const service = 1000

// Lengths in mean service times.
func exponential(r *rand.Rand) float64 { return r.ExpFloat64() }
func constant(*rand.Rand) float64      { return 1 }

// hyperexponential has the squared coefficient of variation 3: rate 2p with
// probability p, else rate 2(1−p), where 1/(2p(1−p)) − 1 = 3.
func hyperexponential(r *rand.Rand) float64 {
	p := (1 + math.Sqrt(0.5)) / 2
	if r.Float64() < p {
		return r.ExpFloat64() / (2 * p)
	}
	return r.ExpFloat64() / (2 * (1 - p))
}

// station is a shop with one kind of work: M/G/c, and with room for c units
// only, Erlang's loss system.
type station struct {
	erlangs float64 // arrivals in a mean service time
	servers int
	length  func(*rand.Rand) float64
	room    int // 0: no limit
}

// seen are the means of independent batches; times in mean service times.
type seen struct{ present, stay, wait, waited, lost tally.Sample }

const (
	batches = 40
	warmUp  = 500 // mean service times
)

// run lets the station run in a shop of as many technicians, first come first
// served.
func (q station) run(t *testing.T, seed uint64, length Time) *seen {
	t.Helper()
	luck := rand.New(rand.NewPCG(seed, 1))
	at, n := 0.0, uint64(0)
	stretch := []model.Stretch{{Duration: service, Workers: 1}}
	out := &seen{}
	var stay, wait, waited, lost tally.Sample
	var inside tally.Level
	var began Time
	o := SimulationOptions{
		Seed: seed, Rule: FirstCome, Shop: Shop{RoomMax: q.room},
		Kinds: []Kind{{Name: "customer", Activities: []model.Activity{{ID: "service", Modes: []model.Mode{{Stretches: stretch}}}}}},
		Arrivals: func() (Arrival, bool) {
			at += luck.ExpFloat64() * service / q.erlangs
			n++
			return Arrival{Key: n, At: Time(math.Round(at)), Due: model.Unlimited, Weight: 1}, true
		},
		Length: func(r *rand.Rand, _, _, _ int, _ *model.Stretch) Time { return Time(math.Round(q.length(r) * service)) },
		Observer: Observer{
			Came:   func(a *Arrival) { lost.Add(0); inside.Add(int64(a.At), 1) },
			Turned: func(*Arrival) { lost.Add(1) },
			Held:   func(h Hold) { began = h.Start },
			Left: func(v *Visit) {
				inside.Add(int64(v.Left), -1)
				stay.Add(float64(v.Left-v.At) / service)
				wait.Add(float64(began-v.At) / service)
				if began > v.At {
					waited.Add(1)
				} else {
					waited.Add(0)
				}
			},
		},
	}
	for i := range q.servers {
		o.Shop.Workers = append(o.Shop.Workers, model.Worker{ID: model.WorkerID(fmt.Sprint(i))})
	}
	s, err := NewSimulation(o)
	if err != nil {
		t.Fatal(err)
	}
	for b := range batches + 1 {
		until := Time(warmUp+Time(b)*length) * service
		inside.Reset(int64(s.Now()))
		stay, wait, waited, lost = tally.Sample{}, tally.Sample{}, tally.Sample{}, tally.Sample{}
		if err := s.Run(context.Background(), until); err != nil {
			t.Fatal(err)
		}
		if b == 0 {
			continue // the shop was empty at first
		}
		out.present.Add(inside.Mean(int64(until)))
		out.stay.Add(stay.Mean())
		out.wait.Add(wait.Mean())
		out.waited.Add(waited.Mean())
		out.lost.Add(lost.Mean())
	}
	return out
}

// errors4 is within how many standard errors of the mean of the batches a
// published value has to lie.
const errors4 = 4

func within4(t *testing.T, what string, got *tally.Sample, want float64) {
	t.Helper()
	if e := got.Error(); math.Abs(got.Mean()-want) > errors4*e || e > 0.05*want {
		t.Errorf("%s is %.5f ± %.5f (standard error), want %.5f", what, got.Mean(), e, want)
	}
}

// TestQueues runs queues in the shop simulator itself and holds it against
// published worked examples.
func TestQueues(t *testing.T) {
	const seed = 1
	for _, test := range []struct {
		name   string
		q      station
		length Time
		check  func(t *testing.T, s *seen)
	}{
		// R. Bronson, Schaum's Outline of Operations Research (1982): 23.3, 24
		// arrivals and 30 services an hour: L 4, W 1/6 h = 5 service times.
		{"M/M/1, Bronson 23.3", station{erlangs: 0.8, servers: 1, length: exponential}, 1500, func(t *testing.T, s *seen) {
			within4(t, "L", &s.present, 4)
			within4(t, "W", &s.stay, 5)
			within4(t, "the share that waits", &s.waited, 0.8)
		}},
		// 23.16: one a minute, 45 s each: Wq 2.25 min, W 3 min.
		{"M/M/1, Bronson 23.16", station{erlangs: 0.75, servers: 1, length: exponential}, 2000, func(t *testing.T, s *seen) {
			within4(t, "Wq", &s.wait, 2.25/0.75)
			within4(t, "W", &s.stay, 3/0.75)
			within4(t, "L", &s.present, 3)
		}},
		// 24.6: 300 a year, three servers of 182.5 a year each: L 1.996,
		// Wq 0.001175 and W 0.006654 years.
		{"M/M/3, Bronson 24.6", station{erlangs: 300 / 182.5, servers: 3, length: exponential}, 1500, func(t *testing.T, s *seen) {
			within4(t, "L", &s.present, 1.996)
			within4(t, "Wq", &s.wait, 0.001175*182.5)
			within4(t, "W", &s.stay, 0.006654*182.5)
		}},
		// Erlang's C: C(2, 1) = 1/3 and C(3, 2) = 4/9 (textbook values).
		{"Erlang C(2, 1)", station{erlangs: 1, servers: 2, length: exponential}, 1500, func(t *testing.T, s *seen) {
			within4(t, "the share that waits", &s.waited, 1.0/3)
		}},
		{"Erlang C(3, 2)", station{erlangs: 2, servers: 3, length: exponential}, 800, func(t *testing.T, s *seen) {
			within4(t, "the share that waits", &s.waited, 4.0/9)
		}},
		// Taha, Operations Research (from memory): constant 10 minutes, 4 an
		// hour: L 4/3, Wq 1/6 h = one service time.
		{"M/D/1, car wash", station{erlangs: 4.0 / 6, servers: 1, length: constant}, 1500, func(t *testing.T, s *seen) {
			within4(t, "L", &s.present, 4.0/3)
			within4(t, "Wq", &s.wait, 1)
		}},
		// Pollaczek and Khinchine: Wq = ρ(1 + c²)/(2(1 − ρ)) service times.
		{"M/D/1, Pollaczek–Khinchine", station{erlangs: 0.6, servers: 1, length: constant}, 1500, func(t *testing.T, s *seen) {
			within4(t, "Wq", &s.wait, 0.6/(2*0.4))
		}},
		{"M/G/1, Pollaczek–Khinchine", station{erlangs: 0.6, servers: 1, length: hyperexponential}, 5000, func(t *testing.T, s *seen) {
			within4(t, "Wq", &s.wait, 0.6*4/(2*0.4))
			within4(t, "L", &s.present, 0.6+0.6*0.6*4/(2*0.4))
		}},
		// Erlang B, lines and erlangs of a published table at 2 %, and 15 lines
		// with 8.108 erlangs at 1 % (the manual of a traffic calculator). It holds
		// for any service time.
		{"Erlang B, 3 lines, 2 %", station{erlangs: 0.602, servers: 3, room: 3, length: exponential}, 1500, func(t *testing.T, s *seen) { within4(t, "lost", &s.lost, 0.02) }},
		{"Erlang B, 5 lines, 2 %", station{erlangs: 1.657, servers: 5, room: 5, length: constant}, 1500, func(t *testing.T, s *seen) { within4(t, "lost", &s.lost, 0.02) }},
		{"Erlang B, 9 lines, 2 %", station{erlangs: 4.345, servers: 9, room: 9, length: exponential}, 600, func(t *testing.T, s *seen) { within4(t, "lost", &s.lost, 0.02) }},
		{"Erlang B, 15 lines, 1 %", station{erlangs: 8.108, servers: 15, room: 15, length: exponential}, 500, func(t *testing.T, s *seen) { within4(t, "lost", &s.lost, 0.01) }},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			test.check(t, test.q.run(t, seed, test.length))
		})
	}
}

// TestLittlesLawInTheSimulator: the integral of the number in the shop is the
// sum of the stays, to the tick.
func TestLittlesLawInTheSimulator(t *testing.T) {
	var inside tally.Level
	var stays int64
	present := map[uint64]Time{}
	o := penny([]fab{{"cut", 300, 1}, {"stamp", 500, 2}}, constant, 0, 3)
	n := uint64(0)
	o.Follow = nil
	luck, at := rand.New(rand.NewPCG(9, 9)), 0.0
	o.Arrivals = func() (Arrival, bool) {
		at += luck.ExpFloat64() * 400
		n++
		return Arrival{Key: n, At: Time(at), Due: model.Unlimited}, true
	}
	o.Observer.Came = func(a *Arrival) { inside.Add(int64(a.At), 1); present[a.Key] = a.At }
	o.Observer.Left = func(v *Visit) {
		inside.Add(int64(v.Left), -1)
		stays += int64(v.Left - v.At)
		delete(present, v.Key)
	}
	s, err := NewSimulation(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Run(context.Background(), 2_000_000); err != nil {
		t.Fatal(err)
	}
	for _, came := range present {
		stays += int64(s.Now() - came)
	}
	if area := inside.Area(int64(s.Now())); area != stays || area == 0 || len(present) != s.Present() {
		t.Errorf("the area is %d, the stays sum to %d; %d present, %d counted", area, stays, s.Present(), len(present))
	}
}

// fab is a station of a line: a place for each machine and somebody at each.
type fab struct {
	name     string
	mean     Time
	machines int
}

// penny is a line with a constant number of units in it: when one leaves, the
// next comes (CONWIP).
func penny(line []fab, length func(*rand.Rand) float64, units int, seed uint64) SimulationOptions {
	kind := Kind{Name: "penny"}
	o := SimulationOptions{Seed: seed, Rule: FirstCome}
	for i, st := range line {
		kind.Activities = append(kind.Activities, model.Activity{ID: model.ActivityID(st.name), Modes: []model.Mode{{
			Stretches: []model.Stretch{{Duration: st.mean, Workers: 1, Skills: []string{st.name}}}, Needs: []model.Need{{Kind: st.name}},
		}}})
		if i > 0 {
			kind.Lags = append(kind.Lags, model.Lag{From: model.ActivityID(line[i-1].name), To: model.ActivityID(st.name)})
		}
		for k := range st.machines {
			name := fmt.Sprint(st.name, k)
			o.Shop.Resources = append(o.Shop.Resources, model.Resource{ID: model.ResourceID(name), Kind: st.name, Capacity: 1})
			o.Shop.Workers = append(o.Shop.Workers, model.Worker{ID: model.WorkerID(name), Skills: []string{st.name}})
		}
	}
	o.Kinds = []Kind{kind}
	n := uint64(0)
	next := func() (Arrival, bool) {
		n++
		return Arrival{Key: n, Due: model.Unlimited}, true
	}
	o.Arrivals = func() (Arrival, bool) {
		if int(n) >= units {
			return Arrival{}, false
		}
		return next()
	}
	o.Follow = func(*Visit) (Arrival, bool) { return next() }
	o.Length = func(r *rand.Rand, _, act, _ int, _ *model.Stretch) Time {
		return Time(math.Round(length(r) * float64(line[act].mean)))
	}
	return o
}

// Hours of the Penny Fabs are a thousand ticks.
const hour = 1000

var (
	pennyFabOne = []fab{{"head", 2 * hour, 1}, {"tail", 2 * hour, 1}, {"rim", 2 * hour, 1}, {"deburr", 2 * hour, 1}}
	pennyFabTwo = []fab{{"head", 2 * hour, 1}, {"tail", 5 * hour, 2}, {"rim", 10 * hour, 6}, {"deburr", 3 * hour, 2}}
)

// throughput and cycle time, in units an hour and hours, by batches.
func (l line) run(t *testing.T, units int) (rate, stay tally.Sample) {
	t.Helper()
	o := penny(l.stations, l.length, units, 1)
	left := 0
	var stays tally.Sample
	o.Observer.Left = func(v *Visit) { left++; stays.Add(float64(v.Left-v.At) / hour) }
	s, err := NewSimulation(o)
	if err != nil {
		t.Fatal(err)
	}
	for b := range batches + 1 {
		left, stays = 0, tally.Sample{}
		// Whole cycles of the deterministic lines: 20 and 8 hours, and w/rb.
		if err := s.Run(context.Background(), Time(200+b*l.hours)*hour); err != nil {
			t.Fatal(err)
		}
		if b > 0 {
			rate.Add(float64(left) / float64(l.hours))
			stay.Add(stays.Mean())
		}
	}
	return rate, stay
}

type line struct {
	stations []fab
	length   func(*rand.Rand) float64
	hours    int
}

// TestPennyFabs: W. Hopp and M. Spearman, Factory Physics, chapter 7 (the
// stations as quoted in course notes; the table's values from memory,
// recomputed from the book's formulas). Without variation the lines reach the
// best case; with exponential times the balanced one is the practical worst
// case, and both are as exact theory has them.
func TestPennyFabs(t *testing.T) {
	for _, c := range []struct{ w, one, oneTime, two, twoTime float64 }{
		{1, .125, 8, .05, 20}, {2, .250, 8, .10, 20}, {3, .375, 8, .15, 20}, {4, .5, 8, .2, 20},
		{6, .5, 12, .3, 20}, {8, .5, 16, .4, 20}, {10, .5, 20, .4, 25}, {12, .5, 24, .4, 30},
	} {
		for _, f := range []struct {
			name       string
			stations   []fab
			rate, time float64
		}{{"Penny Fab One", pennyFabOne, c.one, c.oneTime}, {"Penny Fab Two", pennyFabTwo, c.two, c.twoTime}} {
			rate, stay := line{f.stations, constant, 120}.run(t, int(c.w))
			if math.Abs(rate.Mean()-f.rate) > 1e-3*f.rate || math.Abs(stay.Mean()-f.time) > 1e-3*f.time {
				t.Errorf("%s, %v units, no variation: %.4f/h, %.3f h; want %.4f and %.1f", f.name, c.w, rate.Mean(), stay.Mean(), f.rate, f.time)
			}
		}
	}
	// By hand: the practical worst case of a balanced line is exact for one with
	// exponential times.
	for _, c := range []struct{ w, rate, time, twoWorst, twoBest float64 }{
		{1, .1250, 8, .0500, .05}, {4, .2857, 14, .1455, .2}, {8, .3636, 22, .2133, .4}, {12, .4000, 30, .2526, .4},
	} {
		rate, stay := line{pennyFabOne, exponential, 2000}.run(t, int(c.w))
		within4(t, fmt.Sprintf("Penny Fab One, exponential, %v units, throughput", c.w), &rate, c.rate)
		within4(t, fmt.Sprintf("Penny Fab One, exponential, %v units, cycle time", c.w), &stay, c.time)
		if one := convolution(pennyFabOne, int(c.w)); math.Abs(one-c.rate) > 5e-5 {
			t.Errorf("Buzen's convolution for Penny Fab One, %v units: %.5f/h, want %.4f", c.w, one, c.rate)
		}
		rate, stay = line{pennyFabTwo, exponential, 2000}.run(t, int(c.w))
		two := convolution(pennyFabTwo, int(c.w))
		if two < c.twoWorst-5e-5 || two > c.twoBest {
			t.Errorf("Buzen's convolution for Penny Fab Two, %v units: %.5f/h, outside %.4f … %.4f", c.w, two, c.twoWorst, c.twoBest)
		}
		within4(t, fmt.Sprintf("Penny Fab Two, exponential, %v units, throughput", c.w), &rate, two)
		within4(t, fmt.Sprintf("Penny Fab Two, exponential, %v units, cycle time", c.w), &stay, c.w/two)
	}
}

// convolution is the exact throughput, in units an hour, of a closed line of
// stations with exponential times: G(n-1)/G(n) of its normalising constants
// (J. Buzen, Computational algorithms for closed queueing networks with
// exponential servers, Communications of the ACM 16, 1973; from memory).
func convolution(line []fab, units int) float64 {
	constants := make([]float64, units+1)
	constants[0] = 1
	for _, station := range line {
		alone := make([]float64, units+1) // weight of n units at this station
		alone[0] = 1
		for n := 1; n <= units; n++ {
			alone[n] = alone[n-1] * float64(station.mean) / hour / float64(min(n, station.machines))
		}
		next := make([]float64, units+1)
		for n := range next {
			for here := 0; here <= n; here++ {
				next[n] += alone[here] * constants[n-here]
			}
		}
		constants = next
	}
	return constants[units-1] / constants[units]
}
