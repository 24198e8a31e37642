package simshop

import (
	"fmt"
	"slices"
	"time"

	"tickover/queue"
	"tickover/scheduler/calendar"
)

// trade is what a route of the shop file is for, told by its steps.
type trade int

const (
	newUnits  trade = iota // assembles
	tradeIns               // reads hours
	reflashes              // flashes what is assembled
	relearns               // relearns without a flash
	fittings               // fits accessories only
	others
)

func tradeOf(shop *queue.Shop, r *queue.Route) trade {
	has := func(k queue.OperationKind) bool {
		return slices.ContainsFunc(r.Steps, func(s queue.RouteStep) bool {
			op := shop.Operation(s.Operation)
			return op != nil && op.Kind == k
		})
	}
	switch {
	case has(queue.Assembly):
		return newUnits
	case has(queue.HoursCheck):
		return tradeIns
	case has(queue.Flash):
		return reflashes
	case has(queue.Relearn):
		return relearns
	case has(queue.Fitting):
		return fittings
	}
	return others
}

// What arrives on an ordinary day, on average.
const (
	cratesMean    = 2.0 // in one delivery
	customersMean = 2.8
	tradeInsMean  = 0.6
	busyFactor    = 4.0
	shortFactor   = 0.5 // a day that is open for less than six hours
	arrivalsMax   = 60  // a day
)

// beginDay draws what the day brings; called at each midnight.
func (w *world) beginDay(day calendar.Date) {
	if w.still {
		return
	}
	a := w.floor.Almanac()
	from, to := day.At(0, a.Location()), day.AddDays(1).At(0, a.Location())
	open := a.Open(from, to)
	if len(open) == 0 {
		return
	}
	w.luck("day", day)
	opens, closes := open[0].Start, open[len(open)-1].End
	load := w.o.Load
	switch {
	case day == w.o.Busy && len(w.o.Waiting) > 0:
		load *= shortFactor
		w.onDay(opens.Add(-10*time.Minute), func() { w.doors(w.o.Waiting) })
	case day == w.o.Busy:
		load *= busyFactor
	}
	if open.Total() < 6*time.Hour {
		load *= shortFactor
	}
	w.delivery(opens, w.count(cratesMean*load))
	w.customers(opens, closes, w.count(customersMean*load))
	for range w.count(tradeInsMean * load) {
		w.onDay(opens.Add(w.between(30*time.Minute, closes.Sub(opens)-30*time.Minute)), func() {
			w.luck("trade-in", w.now)
			w.receive(tradeIns, w.now)
		})
	}
	w.mishaps(day, opens, closes)
}

// doors checks in, all at once, who waits before opening.
func (w *world) doors(units []queue.ReceiveUnit) {
	for i := range units {
		w.newBike(units[i].Unit, units[i].Arrival.Ownership)
	}
	if w.do(w.counter(), &queue.ReceiveUnits{Units: units}) != nil {
		w.tally.odd++
	}
}

// count draws from a Poisson distribution by multiplying uniforms (Knuth, The
// Art of Computer Programming, vol. 2, 3.4.1), bounded.
func (w *world) count(mean float64) int {
	limit, p, n := expNeg(mean), 1.0, 0
	for n < arrivalsMax {
		if p *= w.rand.Float64(); p <= limit {
			return n
		}
		n++
	}
	return n
}

// delivery is a lorry with crates, an hour or so after opening: all of them
// checked in by one command.
func (w *world) delivery(opens time.Time, n int) {
	at := opens.Add(w.between(10*time.Minute, 100*time.Minute))
	if n == 0 {
		return
	}
	w.onDay(at, func() {
		w.luck("delivery", at)
		var list queue.ReceiveUnits
		for range n {
			if u, ok := w.arrival(newUnits, w.now); ok {
				list.Units = append(list.Units, u)
			}
		}
		w.promised(list.Units)
		if len(list.Units) > 0 && w.do(w.counter(), &list) == nil {
			w.latePartsOf(list.Units)
		}
	})
}

// customers come by appointment at opening, or walk in during the day.
func (w *world) customers(opens, closes time.Time, n int) {
	for i := range n {
		at := opens.Add(w.between(0, closes.Sub(opens)-45*time.Minute))
		if w.chance(0.45) {
			at = opens.Add(w.between(0, 40*time.Minute))
		}
		w.onDay(at, func() {
			w.luck("customer", at, i)
			t := reflashes
			switch x := w.rand.Float64(); {
			case x < 0.2:
				t = relearns
			case x < 0.5:
				t = fittings
			}
			w.receive(t, w.now)
		})
	}
}

func (w *world) receive(t trade, at time.Time) {
	u, ok := w.arrival(t, at)
	if !ok {
		return
	}
	list := []queue.ReceiveUnit{u}
	w.promised(list)
	if w.do(w.counter(), &list[0]) == nil {
		w.latePartsOf(list)
	}
}

// promised lets the counter look the times up that it promises, if it does.
func (w *world) promised(list []queue.ReceiveUnit) {
	if w.o.Counter == nil || len(list) == 0 || w.fatal != nil {
		return
	}
	times, err := w.o.Counter.Promise(w.ctx, w.floor.View(), w.now, list)
	if err != nil {
		w.fatal = fmt.Errorf("counter at %s: %w", w.now.Format(time.RFC3339), err)
		return
	}
	for i, t := range times {
		if !t.IsZero() {
			list[i].Arrival.Promise = t.UTC()
		}
	}
}

// arrival draws a unit with a ticket for a route of the trade; false if the
// shop has no such route or no machine for it.
func (w *world) arrival(t trade, at time.Time) (queue.ReceiveUnit, bool) {
	shop := w.floor.View().Shop
	var routes []*queue.Route
	for i := range shop.Routes {
		if tradeOf(shop, &shop.Routes[i]) == t {
			routes = append(routes, &shop.Routes[i])
		}
	}
	if len(routes) == 0 {
		return queue.ReceiveUnit{}, false
	}
	r := pick(w, routes)
	m, ok := w.machine(shop, t)
	if !ok {
		return queue.ReceiveUnit{}, false
	}
	u := queue.ReceiveUnit{Unit: w.ticket(), Arrival: queue.UnitArrived{
		Machine: m, Ownership: queue.CustomerUnit, Route: r.ID, Weight: 4 + w.rand.IntN(4),
	}}
	d := &u.Arrival
	switch t {
	case newUnits:
		d.Ownership, d.Weight = queue.NewUnit, 2+w.rand.IntN(4)
	case tradeIns:
		d.Ownership, d.Weight = queue.TradeIn, 2
	}
	if d.Ownership == queue.CustomerUnit {
		d.Contact = contactOf(u.Unit)
	}
	for _, rs := range r.Steps {
		if rs.Optional && w.chance(0.35) {
			d.Options = append(d.Options, rs.ID)
			if w.chance(0.4) {
				d.Parts = map[queue.StepID]time.Time{rs.ID: w.opening(at, 1).Add(2 * time.Hour).UTC()}
			}
		}
	}
	d.Promise = w.promise(t, at).UTC()
	w.newBike(u.Unit, d.Ownership)
	return u, true
}

// promise is what the counter says from habit, without asking the plan.
func (w *world) promise(t trade, at time.Time) time.Time {
	hour := at.In(w.floor.Almanac().Location()).Hour()
	end := func(days int) time.Time { return w.closing(at, days).Add(-30 * time.Minute) }
	noon := func(days int) time.Time { return w.opening(at, days).Add(4 * time.Hour) }
	switch {
	case t == newUnits:
		return end(1 + w.rand.IntN(3))
	case t == tradeIns:
		return end(1)
	case t == fittings && w.chance(0.5):
		return noon(1)
	case t == relearns && hour < 13, t != newUnits && hour < 11 && w.chance(0.7):
		return end(0)
	case hour < 15 && w.chance(0.5):
		return noon(1)
	}
	return end(1)
}

// opening and closing are those of the days-th day with opening hours after
// the one of at, which is the 0th.
func (w *world) opening(at time.Time, days int) time.Time { return w.openDay(at, days).Start }
func (w *world) closing(at time.Time, days int) time.Time { return w.openDay(at, days).End }

func (w *world) openDay(at time.Time, days int) calendar.Interval {
	a := w.floor.Almanac()
	day := calendar.DateOf(at, a.Location())
	for range 60 {
		open := a.Open(day.At(0, a.Location()), day.AddDays(1).At(0, a.Location()))
		if len(open) > 0 && open[len(open)-1].End.After(at) {
			if days == 0 {
				return calendar.Interval{Start: open[0].Start, End: open[len(open)-1].End}
			}
			days--
		}
		day = day.AddDays(1)
	}
	return calendar.Interval{Start: at.Add(24 * time.Hour), End: at.Add(32 * time.Hour)}
}

func (w *world) ticket() queue.UnitID {
	st := w.floor.View()
	for {
		w.tickets++
		if id := queue.UnitID(fmt.Sprintf("T-%04d", w.tickets)); st.Units[id] == nil {
			return id
		}
	}
}

// unlisted is a machine that no calibration is listed for: its flash is
// refused (I4).
var unlisted = queue.Machine{Make: "Fellrigg", Model: "Tarn 300", Year: 2025, Family: "fr2", Fitment: "standard"}

// machine draws a machine out of the shop's list of calibrations.
func (w *world) machine(shop *queue.Shop, t trade) (queue.Machine, bool) {
	var list []*queue.Calibration
	for i := range shop.Calibrations {
		c := &shop.Calibrations[i]
		odd := c.NoneNeeded || !spoken(shop, c.Family)
		if odd && (t == newUnits || w.o.Without&OldMachines != 0) {
			continue
		}
		list = append(list, c)
	}
	if len(list) == 0 {
		return queue.Machine{}, false
	}
	c := pick(w, list)
	m := queue.Machine{Make: c.Make, Model: c.Model, Family: c.Family, Fitment: c.Fitment, Year: c.YearTo}
	if t != newUnits {
		m.Year = c.YearFrom + w.rand.IntN(max(1, c.YearTo-c.YearFrom+1))
		if w.happens(OldMachines, 0.05) && spoken(shop, unlisted.Family) {
			m = unlisted
		}
	}
	m.Frame = fmt.Sprintf("%.2s%.2s%02d-%06d", upper(m.Make), upper(m.Model), m.Year%100, w.rand.IntN(1_000_000))
	return m, true
}

func spoken(shop *queue.Shop, f queue.Family) bool {
	return slices.ContainsFunc(shop.Resources, func(r queue.Resource) bool {
		return r.Kind == queue.Interface && r.Speaks(f)
	})
}
