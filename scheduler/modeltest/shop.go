// Package modeltest makes planning problems for tests and benchmarks: random
// shops with everything the model can say, and the state of such a shop a
// while later. It is pure; a seed gives the same problem everywhere.
package modeltest

import (
	"fmt"
	"math/rand/v2"

	"tickover/scheduler/model"
)

// Size is how big a shop is. The zero value of a field means one, of Days two.
type Size struct {
	Jobs, Benches, Interfaces, Chargers, Pads, Workers int
	Days                                               int
	// Wild adds what a real shop has seldom: closures, holds, pins, handover,
	// two-handed stretches, maximum lags, a buffer, missing skills.
	Wild bool
}

const day = 24 * 60

// Shop draws a shop-like problem. Ticks are minutes and time 0 is a midnight.
// Durations are common practice, no source.
func Shop(r *rand.Rand, s Size) *model.Problem {
	s = s.filled()
	b := builder{r: r, s: s, p: &model.Problem{
		Now:     model.Time(8*60 + r.IntN(300)),
		Horizon: model.Time(s.Days * day),
		Weights: model.ShopWeights(),
	}}
	b.site()
	b.resources()
	b.workers()
	for j := range s.Jobs {
		b.job(j)
	}
	if s.Wild {
		b.wishes()
	}
	return b.p
}

func (s Size) filled() Size {
	for _, n := range []*int{&s.Jobs, &s.Benches, &s.Interfaces, &s.Chargers, &s.Pads, &s.Workers} {
		*n = max(*n, 1)
	}
	if s.Days == 0 {
		s.Days = 2
	}
	return s
}

type builder struct {
	r *rand.Rand
	s Size
	p *model.Problem
}

// daily repeats [from, to) minutes of the day over the horizon.
func (b *builder) daily(from, to int) []model.Interval {
	out := []model.Interval{}
	for d := range b.s.Days {
		out = append(out, model.Interval{Start: model.Time(d*day + from), End: model.Time(d*day + to)})
	}
	return out
}

func (b *builder) one(percent int) bool { return b.r.IntN(100) < percent }

func (b *builder) site() {
	b.p.Calendars = []model.Calendar{{ID: "site", Name: "opening hours", Open: b.daily(7*60+30, 18*60)}}
}

func (b *builder) resources() {
	add := func(r model.Resource) { b.p.Resources = append(b.p.Resources, r) }
	for i := range b.s.Benches {
		tags := []string{"electrical"}
		if i%2 == 0 {
			tags = append(tags, "lift")
		}
		add(model.Resource{ID: model.ResourceID(fmt.Sprintf("b%d", i+1)), Kind: "bench", Capacity: 1, Tags: tags})
	}
	for i := range b.s.Interfaces {
		tags := []string{"family-a"}
		if i > 0 || b.s.Interfaces == 1 {
			tags = append(tags, "family-b")
		}
		add(model.Resource{ID: model.ResourceID(fmt.Sprintf("i%d", i+1)), Kind: "interface", Capacity: 1, Tags: tags})
	}
	for i := range b.s.Chargers {
		add(model.Resource{ID: model.ResourceID(fmt.Sprintf("c%d", i+1)), Kind: "charger", Capacity: 1})
	}
	for i := range b.s.Pads {
		add(model.Resource{ID: model.ResourceID(fmt.Sprintf("p%d", i+1)), Kind: "pad", Capacity: 1, Within: true, Open: b.daily(8*60+10, 16*60+40)})
	}
	add(model.Resource{ID: "loop", Kind: "loop", Capacity: 2, Within: true, Open: b.daily(8*60+10, 16*60+40)})
	if !b.s.Wild {
		return
	}
	for i := range b.p.Resources {
		if r := &b.p.Resources[i]; b.one(20) {
			at := b.p.Now + model.Time(b.r.IntN(400))
			r.Closures = append(r.Closures, model.Closure{Interval: model.Interval{Start: at, End: at + model.Time(30+b.r.IntN(300))}, Reason: "leaks"})
		}
		if r := &b.p.Resources[i]; r.Kind == "bench" && b.one(15) {
			r.Open = b.daily(8*60, 17*60)
		}
	}
}

func (b *builder) workers() {
	for i := range b.s.Workers {
		w := model.Worker{ID: model.WorkerID(fmt.Sprintf("w%d", i+1)), Skills: []string{"engine", "fit"}}
		if i == 0 || b.one(60) {
			w.Skills = append(w.Skills, "flash")
		}
		if i == b.s.Workers-1 || b.one(60) {
			w.Skills = append(w.Skills, "ride")
		}
		early := b.r.IntN(3) * 30
		w.Shifts = b.daily(8*60+early-30, 16*60+30+early)
		noon := 12*60 + b.r.IntN(3)*30
		w.Breaks = append(b.daily(10*60, 10*60+15), b.daily(noon, noon+30)...)
		w.Breaks = sortIntervals(w.Breaks)
		b.p.Workers = append(b.p.Workers, w)
	}
}

func sortIntervals(list []model.Interval) []model.Interval {
	for i := range list {
		for k := i; k > 0 && list[k].Start < list[k-1].Start; k-- {
			list[k], list[k-1] = list[k-1], list[k]
		}
	}
	return list
}

// on and off are stretches.
func on(d int, skill string) model.Stretch {
	return model.Stretch{Duration: model.Time(d), Workers: 1, Skills: []string{skill}}
}

func off(d int, wait model.Time) model.Stretch {
	return model.Stretch{Duration: model.Time(d), MaxWait: wait}
}

func split(s model.Stretch) model.Stretch { s.Splittable = true; return s }

func need(kind string, tags ...string) model.Need { return model.Need{Kind: kind, Tags: tags} }

func (b *builder) job(n int) {
	id := fmt.Sprintf("u%03d", n+1)
	p := b.p
	j := model.Job{ID: model.JobID(id), Release: p.Now + model.Time(b.r.IntN(600)-400), Weight: int64(1 + b.r.IntN(10)), OnePlace: true, Due: model.Unlimited}
	if b.one(80) {
		j.Due = j.Release + model.Time(200+b.r.IntN(1600))
	}
	p.Jobs = append(p.Jobs, j)
	family := []string{"family-a", "family-b"}[b.r.IntN(2)]
	d := func(base int) int { return base*3/4 + b.r.IntN(base/2+1) }
	var last model.ActivityID
	add := func(step string, a model.Activity) model.ActivityID {
		a.ID, a.Job = model.ActivityID(id+"/"+step), j.ID
		p.Activities = append(p.Activities, a)
		if last != "" {
			p.Lags = append(p.Lags, model.Lag{From: last, To: a.ID})
		}
		last = a.ID
		return a.ID
	}
	step := func(needs []model.Need, st ...model.Stretch) model.Activity {
		return model.Activity{Modes: []model.Mode{{Stretches: st, Needs: needs}}}
	}
	if b.one(50) {
		add("assembly", step([]model.Need{need("bench", "lift")}, split(on(d(90), "fit"))))
	}
	before := last
	if b.one(50) {
		charge := add("charge", step([]model.Need{need("charger")}, off(d(120), 0)))
		if b.one(50) {
			last = before
			fit := add("fit", step([]model.Need{need("bench")}, split(on(d(45), "fit"))))
			p.Parallel = append(p.Parallel, model.Pair{A: charge, B: fit})
			p.Lags = append(p.Lags, model.Lag{From: charge, To: model.ActivityID(id + "/flash")})
		}
	}
	flash := step([]model.Need{need("bench", "electrical"), need("interface", family), need("charger")}, on(6, "flash"), off(d(28), model.Unlimited), on(6, "flash"))
	flash.Presence, flash.Inside = true, "site"
	add("flash", flash)
	reset := add("reset", step([]model.Need{need("bench")}, on(5, "engine")))
	relearn := step([]model.Need{need("pad")}, on(3, "engine"), off(7, 0), on(3, "engine"))
	relearn.Presence = true
	warm := add("relearn", relearn)
	if b.s.Wild && b.one(20) {
		p.Lags = append(p.Lags, model.Lag{From: reset, To: warm, Limited: true, Max: 90})
	}
	ride := step([]model.Need{need("loop")}, on(d(20), "ride"))
	ride.Presence = true
	add("ride", ride)
	final := step([]model.Need{need("bench")}, on(d(15), "engine"))
	if b.s.Wild && b.one(30) {
		final.Modes[0].Stretches = []model.Stretch{{Duration: 5, Workers: 2}, on(8, "engine")}
		final.Modes[0].Stretches[0].MaxWait = 20
		final.Handover = b.one(50)
	}
	add("final", final)
}

func (b *builder) wishes() {
	p := b.p
	for i := range p.Activities {
		a := &p.Activities[i]
		switch {
		case b.one(3):
			p.Holds = append(p.Holds, model.Hold{Activity: a.ID, Until: p.Now + model.Time(b.r.IntN(400)), Reason: "parts on the way"})
		case b.one(1):
			p.Holds = append(p.Holds, model.Hold{Activity: a.ID, Until: model.Unlimited, Reason: "customer asked to wait"})
		case b.one(4):
			pin := model.Pin{ID: model.PinID("pin-" + string(a.ID)), Activity: a.ID}
			switch b.r.IntN(3) {
			case 0:
				pin.HasStart, pin.Start = true, p.Now+model.Time(b.r.IntN(600))
			case 1:
				pin.Worker = p.Workers[b.r.IntN(len(p.Workers))].ID
			default:
				pin.Resource = p.Resources[b.r.IntN(len(p.Resources))].ID
			}
			p.Pins = append(p.Pins, pin)
		case b.one(5):
			a.Release = p.Now + model.Time(b.r.IntN(500))
		}
	}
	if b.one(30) {
		p.Buffer = &model.Buffer{Capacity: b.r.IntN(3)}
	}
}
