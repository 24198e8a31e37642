package week

import (
	"fmt"
	"slices"

	"tickover/scheduler/model"
)

// trade is what a unit is in for.
type trade int

const (
	setUp trade = iota
	reflash
	relearnOnly
	accessories
	tradeIn
)

// mix is how often each trade comes, in percent: a season of campaigns and
// deliveries.
var mix = [...]int{setUp: 40, reflash: 32, relearnOnly: 8, accessories: 10, tradeIn: 10}

// fittedPercent of the set-ups have accessories fitted, late parts for some.
const (
	fittedPercent = 35
	latePercent   = 40
)

// on and off are stretches.
func on(d Time, skill string) model.Stretch {
	return model.Stretch{Duration: d, Workers: 1, Skills: []string{skill}}
}

func off(d, wait Time) model.Stretch { return model.Stretch{Duration: d, MaxWait: wait} }

func split(d Time, skill string) model.Stretch {
	st := on(d, skill)
	st.Splittable = true
	return st
}

func need(kind string, tags ...string) model.Need { return model.Need{Kind: kind, Tags: tags} }

// step is a kind of work without its unit.
type step struct {
	name      string
	needs     []model.Need
	stretches []model.Stretch
	handover  bool
	// guarded: somebody is on site throughout, and it ends before closing.
	guarded bool
	after   []string
	// beside may run meanwhile.
	beside []string
}

// route lists a trade's steps in an order that their precedences allow. The
// times are those of the demo shop: common practice, no source.
func route(t trade, family string, fitted bool) []step {
	out := []step{{name: "check-in", stretches: []model.Stretch{on(10, "check")}}}
	switch t {
	case setUp:
		charge := []model.Stretch{on(4, "prep"), off(90, model.Unlimited), on(3, "prep")}
		charge[1].Inside = "open"
		out = append(out,
			step{name: "assembly", needs: []model.Need{need("bench", "lift")}, stretches: []model.Stretch{split(75, "prep")}, handover: true, after: []string{"check-in"}},
			step{name: "charge", needs: []model.Need{need("charger")}, stretches: charge, handover: true, after: []string{"check-in"}, beside: []string{"assembly", "fitting"}})
		out = append(out, tuned(family, "assembly", "charge")...)
		if fitted {
			out = append(out, fitting("assembly"))
		}
		out = append(out, ride(), finalCheck("test-ride", "fitting"))
	case reflash:
		out = append(out, tuned(family, "check-in")...)
		out = append(out, ride(), finalCheck("test-ride"))
	case relearnOnly:
		out = append(out, warmed("check-in")...)
		out = append(out, finalCheck("restart-check"))
	case accessories:
		out = append(out, fitting("check-in"), finalCheck("fitting"))
	case tradeIn:
		out = append(out, step{name: "hours-check", needs: []model.Need{need("bench", "electrical"), need("interface", family)},
			stretches: []model.Stretch{on(20, "engine")}, after: []string{"check-in"}})
	}
	return out
}

// tuned is flash, resets and what follows them outdoors.
func tuned(family string, after ...string) []step {
	return append([]step{
		{name: "flash", needs: []model.Need{need("bench", "electrical"), need("interface", family), need("charger")},
			stretches: []model.Stretch{on(6, "flash"), off(28, model.Unlimited), on(6, "flash")}, handover: true, guarded: true, after: after},
		{name: "resets", needs: []model.Need{need("bench", "electrical"), need("interface", family)}, stretches: []model.Stretch{on(8, "flash")}, after: []string{"flash"}},
	}, warmed("resets")...)
}

func warmed(after string) []step {
	return []step{
		{name: "relearn", needs: []model.Need{need("pad")}, stretches: []model.Stretch{on(3, "engine"), off(7, 0), on(3, "engine")}, guarded: true, after: []string{after}},
		{name: "restart-check", needs: []model.Need{need("pad")}, stretches: []model.Stretch{on(5, "engine")}, guarded: true, after: []string{"relearn"}},
	}
}

func ride() step {
	return step{name: "test-ride", needs: []model.Need{need("loop")}, stretches: []model.Stretch{on(20, "ride")}, guarded: true, after: []string{"restart-check"}}
}

func fitting(after string) step {
	return step{name: "fitting", needs: []model.Need{need("bench", "lift")}, stretches: []model.Stretch{split(45, "fit")}, after: []string{after}}
}

func finalCheck(after ...string) step {
	return step{name: "final-check", needs: []model.Need{need("bench", "wash")}, stretches: []model.Stretch{on(20, "check")}, after: after}
}

// load is what a unit takes of the scarce things on average, in minutes.
type load struct{ hands, interfaces, pads Time }

func loadOf(steps []step) load {
	var l load
	for _, s := range steps {
		var whole Time
		for _, st := range s.stretches {
			whole += st.Duration
			if st.Workers > 0 {
				l.hands += st.Duration
			}
		}
		for _, n := range s.needs {
			switch n.Kind {
			case "interface":
				l.interfaces += whole
			case "pad":
				l.pads += whole
			}
		}
	}
	return l
}

// count is how many units bring the week to its load.
func (d *drawer) count() int {
	w := d.w
	var sum load // of a hundred units
	for t, percent := range mix {
		plain, fitted := loadOf(route(trade(t), families[0], false)), loadOf(route(trade(t), families[0], true))
		for k, x := range [...]load{plain, fitted} {
			share := Time(percent)
			if trade(t) == setUp {
				share = Time(percent*[...]int{100 - fittedPercent, fittedPercent}[k]) / 100
			} else if k == 1 {
				continue
			}
			sum.hands, sum.interfaces, sum.pads = sum.hands+share*x.hands, sum.interfaces+share*x.interfaces, sum.pads+share*x.pads
		}
	}
	most := min(100*d.hands/sum.hands,
		100*Time(w.Interfaces)*covered(w.open, 0, w.end)/sum.interfaces,
		100*Time(w.Pads)*covered(w.outdoor, 0, w.end)/sum.pads)
	return max(3, int(most)*w.LoadPercent/100)
}

// arrivals: a quarter stands there when the week begins; crates come in lots,
// customers by appointment at opening or during the day.
func (d *drawer) arrivals() {
	w := d.w
	w.Units = d.count()
	days := w.open[:after(w.open, w.end-1)+1]
	lots := []int{0}
	for i := range days {
		if i%2 == 1 {
			lots = append(lots, i)
		}
	}
	lotAt := make([]Time, len(days))
	for i := range days {
		lotAt[i] = days[i].Start + d.between(10, 100)
	}
	for n := range w.Units {
		t := d.trade()
		i := d.r.IntN(len(days))
		var at Time
		switch {
		case n*4 < w.Units:
			i, at = 0, days[0].Start
		case t == setUp:
			i = lots[d.r.IntN(len(lots))]
			at = lotAt[i]
		case d.one(45):
			at = days[i].Start + d.between(0, 40)
		default:
			at = days[i].Start + d.between(0, days[i].End-days[i].Start-45)
		}
		d.unit(n, t, i, at)
	}
}

func (d *drawer) trade() trade {
	x := d.r.IntN(100)
	for t, percent := range mix {
		if x -= percent; x < 0 {
			return trade(t)
		}
	}
	return tradeIn
}

// unit adds a unit that arrives on the i-th open day.
func (d *drawer) unit(n int, t trade, i int, at Time) {
	p := &d.w.shop
	name := fmt.Sprintf("T-%03d", n+1)
	j := model.Job{ID: model.JobID(name), Release: at, OnePlace: true, Due: d.promise(t, i, at)}
	switch t {
	case setUp:
		j.Weight = 2 + int64(d.r.IntN(4))
	case tradeIn:
		j.Weight = 1 + int64(d.r.IntN(3))
	default:
		j.Weight = 4 + int64(d.r.IntN(7))
	}
	p.Jobs = append(p.Jobs, j)
	steps := route(t, families[d.r.IntN(len(families))], d.one(fittedPercent))
	late := d.one(latePercent)
	of := func(step string) model.ActivityID { return model.ActivityID(name + "/" + step) }
	has := func(name string) bool {
		return slices.ContainsFunc(steps, func(s step) bool { return s.name == name })
	}
	for _, s := range steps {
		a := model.Activity{ID: of(s.name), Job: j.ID, Release: at, Handover: s.handover,
			Modes: []model.Mode{{Stretches: s.stretches, Needs: s.needs}}}
		if s.guarded {
			a.Presence, a.Inside = true, "open"
		}
		if s.name == "fitting" && late && t == setUp { // parts come the next morning
			a.Release = d.w.open[i+1].Start + 2*60
		}
		p.Activities = append(p.Activities, a)
		for _, b := range s.after {
			if has(b) {
				p.Lags = append(p.Lags, model.Lag{From: of(b), To: a.ID})
			}
		}
		for _, b := range s.beside {
			if has(b) {
				p.Parallel = append(p.Parallel, model.Pair{A: a.ID, B: of(b)})
			}
		}
	}
}

// promise is what the counter says from habit, without asking anybody: a new
// unit in one to three days; a customer's the same day if it comes early, for
// some while they wait, else by noon or the end of the next day.
func (d *drawer) promise(t trade, i int, at Time) Time {
	open := d.w.open
	end := func(days int) Time { return open[i+days].End - 30 }
	into := at - open[i].Start
	switch {
	case t == setUp:
		return end(1 + d.r.IntN(3))
	case t == tradeIn:
		return end(1)
	case into < 3*60 && d.one(25):
		return at + 4*60
	case into < 4*60 && d.one(60):
		return max(end(0), at+3*60)
	case d.one(50):
		return open[i+1].Start + 4*60
	}
	return end(1)
}
