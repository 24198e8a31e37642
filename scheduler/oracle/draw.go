package oracle

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"tickover/scheduler/model"
)

// Instance is a drawn problem and how to draw it again.
type Instance struct {
	// Name is the family's name and the seed: "wait-3".
	Name    string
	Seed    uint64
	Problem *model.Problem
}

// family says what the problems of one name have that others lack. Every
// problem has flashes whose end may wait while the interface stays locked,
// tags, skills, shifts, breaks, releases, due dates and weights; all but the
// short ones have relearns on a pad in daylight outside quiet hours.
type family struct {
	name                                                    string
	unitsMin, unitsMax                                      int
	workers, interfaces, benches                            int
	short                                                   bool // flash and reset only
	afternoon, families, charge, split, twoHanded, handover bool
	closure, pin, running, inForce, parts, span             bool
}

var families = []family{
	{name: "bay", unitsMin: 3, unitsMax: 4, workers: 2, interfaces: 1, benches: 2},
	{name: "alone", unitsMin: 2, unitsMax: 3, workers: 1, interfaces: 2, benches: 2},
	{name: "wait", unitsMin: 4, unitsMax: 5, workers: 1, interfaces: 1, benches: 2, short: true},
	{name: "dusk", unitsMin: 2, unitsMax: 4, workers: 2, interfaces: 1, benches: 2, afternoon: true},
	{name: "families", unitsMin: 3, unitsMax: 4, workers: 2, interfaces: 2, benches: 2, families: true},
	{name: "charge", unitsMin: 2, unitsMax: 3, workers: 2, interfaces: 1, benches: 2, charge: true},
	{name: "assembly", unitsMin: 2, unitsMax: 3, workers: 2, interfaces: 1, benches: 2, split: true},
	{name: "crew", unitsMin: 2, unitsMax: 3, workers: 3, interfaces: 1, benches: 2, twoHanded: true, handover: true},
	{name: "closure", unitsMin: 2, unitsMax: 4, workers: 2, interfaces: 2, benches: 2, closure: true},
	{name: "pin", unitsMin: 3, unitsMax: 4, workers: 2, interfaces: 1, benches: 2, pin: true},
	{name: "running", unitsMin: 2, unitsMax: 4, workers: 2, interfaces: 1, benches: 2, running: true},
	{name: "inforce", unitsMin: 3, unitsMax: 4, workers: 2, interfaces: 1, benches: 2, inForce: true},
	{name: "parts", unitsMin: 2, unitsMax: 4, workers: 2, interfaces: 1, benches: 2, parts: true},
	{name: "span", unitsMin: 3, unitsMax: 3, workers: 2, interfaces: 1, benches: 2, span: true, handover: true},
}

// SeedsPerFamily is how many problems Draw makes of each family.
const SeedsPerFamily = 5

// Draw makes all instances, in a fixed order. Ticks are minutes and time 0 is
// a midnight. Durations are common practice, no source.
func Draw() []Instance {
	var out []Instance
	for _, f := range families {
		for seed := uint64(1); seed <= SeedsPerFamily; seed++ {
			out = append(out, Instance{fmt.Sprintf("%s-%d", f.name, seed), seed, f.draw(seed)})
		}
	}
	return out
}

const (
	day  = 24 * 60
	days = 2
)

type drawing struct {
	family
	r *rand.Rand
	p *model.Problem
}

func (f *family) draw(seed uint64) *model.Problem {
	key := uint64(14695981039346656037) // FNV-1a of the family's name
	for _, c := range []byte(f.name) {
		key = (key ^ uint64(c)) * 1099511628211
	}
	d := &drawing{family: *f, r: rand.New(rand.NewPCG(seed, key)), p: &model.Problem{
		Horizon: (days-1)*day + 18*60, Weights: model.ShopWeights(),
	}}
	d.p.Now = model.Time(8*60 + d.r.IntN(90))
	switch {
	case f.afternoon:
		d.p.Now = model.Time(14*60 + d.r.IntN(60))
	case f.running: // what runs was begun in a shift
		d.p.Now += 70
	}
	d.site()
	d.technicians()
	for n := range f.unitsMin + d.r.IntN(f.unitsMax-f.unitsMin+1) {
		d.unit(n)
	}
	d.wishes()
	return d.p
}

func (d *drawing) one(percent int) bool { return d.r.IntN(100) < percent }

// about is m, a quarter more or less.
func (d *drawing) about(m int) int { return m*3/4 + d.r.IntN(m/2+1) }

// daily repeats windows of minutes of the day.
func daily(windows ...[2]int) []model.Interval {
	out := []model.Interval{}
	for k := range days {
		for _, w := range windows {
			out = append(out, model.Interval{Start: model.Time(k*day + w[0]), End: model.Time(k*day + w[1])})
		}
	}
	return out
}

func (d *drawing) site() {
	p := d.p
	p.Calendars = []model.Calendar{{ID: "site", Name: "opening hours", Open: daily([2]int{7*60 + 45, 17*60 + 30})}}
	add := func(r model.Resource) { p.Resources = append(p.Resources, r) }
	for i := range d.benches {
		tags := []string{"electrical"}
		if i == 0 {
			tags = append(tags, "lift")
		}
		add(model.Resource{ID: model.ResourceID(fmt.Sprintf("b%d", i+1)), Kind: "bench", Capacity: 1, Tags: tags})
	}
	for i := range d.interfaces {
		tags := []string{"family-a", "family-b"}
		if d.families && i == 0 {
			tags = tags[:1]
		}
		add(model.Resource{ID: model.ResourceID(fmt.Sprintf("i%d", i+1)), Kind: "interface", Capacity: 1, Tags: tags})
		add(model.Resource{ID: model.ResourceID(fmt.Sprintf("c%d", i+1)), Kind: "charger", Capacity: 1})
	}
	quiet, dusk := 12*60+d.r.IntN(40), 16*60+d.r.IntN(50)
	outdoors := daily([2]int{8*60 + 20, quiet}, [2]int{quiet + 60, dusk})
	add(model.Resource{ID: "pad", Kind: "pad", Capacity: 1, Within: true, Open: outdoors})
	add(model.Resource{ID: "loop", Kind: "loop", Capacity: 2, Within: true, Open: outdoors})
	if d.closure {
		d.closures()
	}
}

func (d *drawing) closures() {
	for i := range d.p.Resources {
		if r := &d.p.Resources[i]; d.one(45) {
			at := d.p.Now + model.Time(d.r.IntN(200))
			r.Closures = []model.Closure{{Interval: model.Interval{Start: at, End: at + model.Time(20+d.r.IntN(150))}, Reason: "down"}}
		}
	}
	bench := &d.p.Resources[d.r.IntN(d.benches)]
	bench.Open = daily([2]int{8 * 60, 12 * 60}, [2]int{12*60 + 30, 17 * 60})
}

func (d *drawing) technicians() {
	for i := range d.workers {
		w := model.Worker{ID: model.WorkerID(fmt.Sprintf("w%d", i+1)), Skills: []string{"engine", "fit"}}
		if i == 0 || d.one(40) {
			w.Skills = append(w.Skills, "flash")
		}
		if i == d.workers-1 || d.one(40) {
			w.Skills = append(w.Skills, "ride")
		}
		from := 7*60 + 30 + d.r.IntN(3)*30
		tea, noon := 10*60+d.r.IntN(3)*15, 12*60+d.r.IntN(3)*30
		w.Shifts = daily([2]int{from, from + 8*60 + 30})
		w.Breaks = daily([2]int{tea, tea + 15}, [2]int{noon, noon + 30})
		d.p.Workers = append(d.p.Workers, w)
	}
}

// route adds the steps of a unit, one after another.
type route struct {
	*drawing
	unit string
	last model.ActivityID
}

func (r *route) step(name string, needs []model.Need, st ...model.Stretch) *model.Activity {
	a := model.Activity{
		ID: model.ActivityID(r.unit + "/" + name), Job: model.JobID(r.unit), Handover: r.handover && r.one(50),
		Modes: []model.Mode{{Stretches: st, Needs: needs}},
	}
	if r.last != "" {
		r.p.Lags = append(r.p.Lags, model.Lag{From: r.last, To: a.ID})
	}
	r.last = a.ID
	r.p.Activities = append(r.p.Activities, a)
	return &r.p.Activities[len(r.p.Activities)-1]
}

func hands(minutes int, skill string) model.Stretch {
	return model.Stretch{Duration: model.Time(minutes), Workers: 1, Skills: []string{skill}}
}

func need(kind string, tags ...string) model.Need { return model.Need{Kind: kind, Tags: tags} }

// bench is the unit's own where it stays on one.
func (r *route) bench(tags ...string) model.Need {
	if r.span {
		return model.Need{Span: model.SpanID(r.unit)}
	}
	return need("bench", tags...)
}

func (d *drawing) unit(n int) {
	r := &route{drawing: d, unit: fmt.Sprintf("u%d", n+1)}
	j := model.Job{
		ID: model.JobID(r.unit), Release: d.p.Now + model.Time(d.r.IntN(150)-100),
		Due: model.Unlimited, Weight: int64(1 + d.r.IntN(10)), OnePlace: true,
	}
	if d.one(85) {
		j.Due = d.p.Now + model.Time(60+d.r.IntN(300))
	}
	d.p.Jobs = append(d.p.Jobs, j)
	if d.span {
		d.p.Spans = append(d.p.Spans, model.Span{ID: model.SpanID(r.unit), Need: need("bench", "electrical")})
	}
	if d.split && (n == 0 || d.one(60)) {
		s := hands(d.about(90), "fit")
		s.Splittable = true
		r.step("assembly", []model.Need{r.bench("lift")}, s)
	}
	if d.charge {
		r.charge()
	}
	r.flash(d.families && n%3 == 1 || !d.families && d.one(50))
	r.step("reset", []model.Need{r.bench()}, hands(d.about(6), "engine"))
	if !d.short {
		r.outdoors()
	}
	if d.twoHanded {
		first := model.Stretch{Duration: 6, Workers: 2, MaxWait: 20}
		r.step("final", []model.Need{r.bench()}, first, hands(d.about(8), "engine"))
	}
}

// charge: a battery charges while parts are fitted, both before the flash.
func (r *route) charge() {
	charge := r.step("charge", []model.Need{need("charger")}, model.Stretch{Duration: model.Time(r.about(60)), Inside: "site"}).ID
	r.last = ""
	fit := r.step("fit", []model.Need{need("bench", "lift")}, hands(r.about(40), "fit")).ID
	r.p.Parallel = append(r.p.Parallel, model.Pair{A: charge, B: fit})
	r.p.Lags = append(r.p.Lags, model.Lag{From: charge, To: model.ActivityID(r.unit + "/flash")})
}

// flash: interface and charger are locked until somebody signs it off.
func (r *route) flash(other bool) {
	tag := "family-a"
	if other {
		tag = "family-b"
	}
	off := model.Stretch{Duration: 28, MaxWait: model.Unlimited}
	if r.one(20) {
		off.MaxWait = 15
	}
	a := r.step("flash", []model.Need{r.bench("electrical"), need("interface", tag), need("charger")}, hands(6, "flash"), off, hands(6, "flash"))
	a.Presence, a.Inside = true, "site"
}

// outdoors: somebody is there when the relearn's hands-off time ends.
func (r *route) outdoors() {
	reset := r.last
	r.step("relearn", []model.Need{need("pad")}, hands(3, "engine"), model.Stretch{Duration: 7}, hands(3, "engine")).Presence = true
	if r.parts && r.one(60) {
		r.p.Lags = append(r.p.Lags, model.Lag{From: reset, To: r.last, Min: 5, Limited: true, Max: 60})
	}
	if r.one(55) {
		r.step("ride", []model.Need{need("loop")}, hands(r.about(20), "ride")).Presence = true
	}
}

// wishes adds pins, part times, what runs and the plan in force.
func (d *drawing) wishes() {
	p := d.p
	if d.pin {
		d.pins()
	}
	if d.parts {
		p.Activities[d.r.IntN(len(p.Activities))].Release = p.Now + model.Time(20+d.r.IntN(200))
		p.Holds = []model.Hold{{Activity: p.Activities[d.r.IntN(len(p.Activities))].ID, Until: p.Now + model.Time(20+d.r.IntN(150)), Reason: "parts on the way"}}
	}
	if d.running {
		d.begin()
	}
	if d.inForce {
		for i := range p.Activities {
			d.planned(&p.Activities[i])
		}
	}
}

// pins that hold together: a bench, a technician and a start in the early
// afternoon.
func (d *drawing) pins() {
	p := d.p
	first, last := &p.Activities[0], &p.Activities[len(p.Activities)-1]
	p.Pins = []model.Pin{
		{ID: "bench", Activity: first.ID, Resource: "b2"},
		{ID: "technician", Activity: last.ID, Worker: d.able(last)},
	}
	for i := range p.Activities {
		if a := &p.Activities[i]; strings.HasSuffix(string(a.ID), "/reset") && d.one(50) {
			p.Pins = append(p.Pins, model.Pin{ID: "start", Activity: a.ID, HasStart: true, Start: model.Time(13*60 + 30 + d.r.IntN(60))})
			return
		}
	}
}

// able draws a worker for all of a's stretches.
func (d *drawing) able(a *model.Activity) model.WorkerID {
	from := d.r.IntN(len(d.p.Workers))
	for i := range d.p.Workers {
		w := &d.p.Workers[(from+i)%len(d.p.Workers)]
		if all(a.Modes[0].Stretches[0].Skills, w.Skills) {
			return w.ID
		}
	}
	return ""
}

// begin makes the first unit's flash run: its hands-off stretch is under way,
// or about to be over.
func (d *drawing) begin() {
	p := d.p
	a := &p.Activities[0]
	left := model.Time(d.r.IntN(25))
	start := p.Now + left - 34
	a.Progress = &model.Progress{
		Held: []model.ResourceID{"b1", "i1", "c1"},
		Stretches: []model.StretchTime{
			{Start: start, End: start + 6, Workers: []model.WorkerID{"w1"}},
			{Start: start + 6, End: p.Now + left},
		},
	}
	a.Modes[0].Stretches[1].MaxWait = model.Unlimited
	p.Jobs[0].Release = min(p.Jobs[0].Release, start)
}

// planned draws an entry of the plan in force, not always one that can stay.
func (d *drawing) planned(a *model.Activity) {
	if d.one(35) {
		return
	}
	q := model.Previous{Activity: a.ID, Start: d.p.Now + model.Time(d.r.IntN(60)), Accepted: d.one(50)}
	for n := range a.Modes[0].Needs {
		var fit []model.ResourceID
		for i := range d.p.Resources {
			if r := &d.p.Resources[i]; matches(&a.Modes[0].Needs[n], r) {
				fit = append(fit, r.ID)
			}
		}
		q.Resources = append(q.Resources, fit[d.r.IntN(len(fit))])
	}
	q.Workers = []model.WorkerID{d.able(a)}
	d.p.Previous = append(d.p.Previous, q)
}
