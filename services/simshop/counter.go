package simshop

import (
	"errors"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/scheduler/calendar"
)

func upper(s string) string { return strings.ToUpper(s) + "XX" }

func expNeg(x float64) float64 { return math.Exp(-x) }

// counter is who checks in and hands over; any name may.
func (w *world) counter() queue.PersonID { return "counter" }

// foreman is who decides: one who doesn't work at a bench, if there is one.
func (w *world) foreman() queue.PersonID {
	shop := w.floor.View().Shop
	for _, f := range shop.Foremen {
		if shop.Technician(f) == nil {
			return f
		}
	}
	if len(shop.Foremen) > 0 {
		return shop.Foremen[0]
	}
	return ""
}

// rounds is what the counter and the foreman see when they look up: units that
// are ready, and flashes that can't be.
func (w *world) rounds() {
	st := w.floor.View()
	for _, u := range st.OpenUnits() {
		if w.handing[u.ID] || !settled(u) {
			continue
		}
		w.handing[u.ID] = true
		w.at(w.collected(u), func() { w.handOver(u.ID) })
	}
	plan := w.plan()
	if plan == nil {
		return
	}
	for i := range plan.Unplaced {
		x := &plan.Unplaced[i]
		key := queue.Hold{Unit: x.Unit, Step: x.Step}
		u, s := w.step(key)
		if s == nil || s.Kind != queue.Flash || s.Status != queue.Todo || w.leaving[key] {
			continue
		}
		if _, r := st.CalibrationFor(&u.Machine, time.Time{}); r != nil {
			w.leaving[key] = true
			w.noCalibration(key)
		}
	}
}

func settled(u *queue.Unit) bool {
	return len(u.Steps) > 0 && !slices.ContainsFunc(u.Steps, func(s queue.Step) bool { return !s.Settled() })
}

// collected is when the unit leaves: a new one is pushed into the showroom, a
// customer comes for his some time after the call, while the shop is open.
func (w *world) collected(u *queue.Unit) time.Time {
	w.luck("collected", u.ID)
	after := w.between(3*time.Minute, 15*time.Minute)
	if u.Ownership == queue.CustomerUnit {
		after = w.between(10*time.Minute, 90*time.Minute)
	}
	at := w.now.Add(after)
	if open := w.openDay(at, 0); at.Before(open.Start) {
		return open.Start.Add(w.between(0, 30*time.Minute))
	}
	return at
}

func (w *world) handOver(id queue.UnitID) {
	u := w.floor.View().Units[id]
	if u == nil || u.Status != queue.InShop { // as the page shows it; what was pressed may still be refused
		delete(w.handing, id)
		return
	}
	w.callBack(u)
	err := w.do(w.counter(), &queue.HandOver{Unit: id, Showroom: u.Ownership != queue.CustomerUnit})
	var r *queue.Refusal
	if errors.As(err, &r) {
		w.in(30*time.Minute, func() { delete(w.handing, id) })
		return
	}
	delete(w.handing, id)
	delete(w.bikes, id)
}

// callBack: a foreman adds what open campaigns ask for to a visit that is about
// to end. A refusal says that it is there already, or comes with the flash.
func (w *world) callBack(u *queue.Unit) {
	st := w.floor.View()
	for _, c := range st.OpenFor(u, w.now) {
		for _, f := range st.Shop.Foremen[:min(1, len(st.Shop.Foremen))] {
			_ = w.do(f, &queue.SweepUnit{Unit: u.ID, Campaign: c.ID})
		}
	}
}

// noCalibration: somebody tries the flash and is told that there is none; the
// foreman tells the customer and leaves it out.
func (w *world) noCalibration(key queue.Hold) {
	at := w.now
	if open := w.openDay(w.now, 0).Start; at.Before(open) {
		at = open
	}
	w.luck("no calibration", key)
	w.at(at.Add(w.between(10*time.Minute, 40*time.Minute)), func() {
		u, s := w.step(key)
		if s == nil || u.Status != queue.InShop || s.Status != queue.Todo {
			return
		}
		if !w.reached(u, s) {
			w.noCalibration(key) // what comes before it is not done yet
			return
		}
		if a, ok := w.flashNow(key); ok {
			_ = w.do(a.Technician, a) // refused by I4, and counted
			_ = w.do(a.Technician, &queue.ReportProblem{Unit: key.Unit, Step: key.Step, Reason: "no calibration is listed for this machine"})
		}
		w.in(w.between(5*time.Minute, 30*time.Minute), func() {
			_ = w.do(w.foreman(), &queue.SkipStep{Unit: key.Unit, Step: key.Step, Reason: "nothing to flash: none is published for this machine, the customer was told"})
			delete(w.leaving, key)
		})
	})
}

// reached: every step before it is settled.
func (w *world) reached(u *queue.Unit, s *queue.Step) bool {
	return !slices.ContainsFunc(s.After, func(a queue.After) bool {
		before := u.Step(a.Step)
		return before != nil && !before.Settled()
	})
}

// flashNow is an attempt at the flash that only the calibration stands against.
func (w *world) flashNow(key queue.Hold) (*queue.StartStep, bool) {
	u, s := w.step(key)
	if s == nil || s.Status != queue.Todo {
		return nil, false
	}
	op := w.operation(s)
	for _, p := range w.people {
		if here, _ := w.present(p); !here || p.played.Load() {
			continue
		}
		a := &queue.StartStep{Unit: key.Unit, Step: key.Step, Technician: p.id, Resources: w.anyResources(u, op)}
		if r := w.try(p.id, a); r != nil && r.Interlock == queue.I4 {
			return a, true
		}
	}
	return nil, false
}

// anyResources names resources that fit the operation's needs, free ones
// first.
func (w *world) anyResources(u *queue.Unit, op *queue.Operation) []queue.ResourceID {
	st := w.floor.View()
	var out []queue.ResourceID
	for _, n := range op.Needs {
		var fits, free []queue.ResourceID
		for i := range st.Shop.Resources {
			r := &st.Shop.Resources[i]
			if r.Kind != n.Kind || (n.Tag != "" && !slices.Contains(r.Tags, n.Tag)) ||
				(r.Kind == queue.Interface && !r.Speaks(u.Machine.Family)) || slices.Contains(out, r.ID) {
				continue
			}
			fits = append(fits, r.ID)
			if len(st.Holds[r.ID]) < max(1, r.Capacity) {
				free = append(free, r.ID)
			}
		}
		switch {
		case len(free) > 0:
			out = append(out, free[0])
		case len(fits) > 0:
			out = append(out, fits[0])
		}
	}
	return out
}

// hasty lets somebody try what the rules forbid, in one of the ways that
// people do; every one is refused, which is seen to first.
func (w *world) hasty() {
	w.luck("haste", w.now)
	var tries [queue.InterlockCount + 1][]queue.Command
	var found []queue.Interlock
	for _, u := range w.floor.View().OpenUnits() {
		for _, a := range w.forbidden(u) {
			cmd := queue.Command{Actor: w.counter(), Action: a}
			if s, ok := a.(*queue.StartStep); ok {
				cmd.Actor = s.Technician
			}
			r := w.try(cmd.Actor, a)
			if r == nil || r.Interlock == 0 {
				continue
			}
			if len(tries[r.Interlock]) == 0 {
				found = append(found, r.Interlock)
			}
			tries[r.Interlock] = append(tries[r.Interlock], cmd)
		}
	}
	if len(found) > 0 {
		cmd := pick(w, tries[pick(w, found)])
		_ = w.do(cmd.Actor, cmd.Action)
	}
}

func (w *world) forbidden(u *queue.Unit) []queue.Action {
	out := []queue.Action{&queue.HandOver{Unit: u.ID}} // I11, I13
	shop := w.floor.View().Shop
	for i := range u.Steps {
		s := &u.Steps[i]
		op := w.operation(s)
		if s.Status != queue.Todo || op == nil {
			continue
		}
		for _, p := range w.hurried(op) {
			start := queue.StartStep{Unit: u.ID, Step: s.ID, Technician: p.id, Resources: w.anyResources(u, op)}
			out = append(out, &start) // I1, I4, I5, I6, I8, I10 as it happens
			if op.Engine {
				indoors := start
				indoors.Resources = []queue.ResourceID{w.someBench()} // I7
				out = append(out, &indoors)
			}
			if op.Kind == queue.Flash {
				bare := start
				bare.Resources = slices.DeleteFunc(slices.Clone(start.Resources), func(id queue.ResourceID) bool {
					return shop.Resource(id).Kind == queue.Charger
				})
				bare.Evidence = queue.Evidence{queue.EvidenceBattery: "11.9"} // I3
				out = append(out, &bare)
			}
		}
	}
	return out
}

// hurried is who might try: for a flash anybody, else one by chance.
func (w *world) hurried(op *queue.Operation) []*person {
	who := []*person{pick(w, w.people)}
	if op.Kind == queue.Flash {
		who = slices.Clone(w.people)
	}
	return slices.DeleteFunc(who, func(p *person) bool { return p.played.Load() })
}

func (w *world) someBench() queue.ResourceID {
	shop := w.floor.View().Shop
	for i := range shop.Resources {
		if shop.Resources[i].Kind == queue.Bench {
			return shop.Resources[i].ID
		}
	}
	return ""
}

// mishaps draws what goes wrong on a day.
func (w *world) mishaps(day calendar.Date, opens, closes time.Time) {
	span := closes.Sub(opens)
	if w.happens(Weather, 0.25) {
		from := opens.Add(w.between(0, span*3/4))
		w.onDay(from, func() {
			w.luck("storm", day)
			w.storm(w.between(40*time.Minute, 150*time.Minute))
		})
	}
	if w.happens(Breakdown, 0.15) {
		w.onDay(opens.Add(w.between(0, span*3/4)), func() { w.breakDown(4) })
	}
	if p := pick(w, w.people); w.happens(Sickness, 0.08) && day != w.o.Busy { // all hands on deck
		w.onDay(opens.Add(-20*time.Minute), func() {
			_ = w.do(w.foreman(), &queue.Close{Technician: p.id, From: w.now.UTC(), Until: closes.Add(time.Hour).UTC(), Reason: "called in sick"})
		})
	}
	for range w.count(2.5) {
		at := opens.Add(w.between(20*time.Minute, span-20*time.Minute))
		if w.happens(Haste, 1) {
			w.onDay(at, w.hasty)
		}
	}
	// Before closing, when it gets dark, people hurry most.
	if at := closes.Add(-w.between(5*time.Minute, 45*time.Minute)); w.happens(Haste, 0.6) {
		w.onDay(at, w.hasty)
	}
}

// storm shuts every pad and loop, a quarter of an hour from now so that who is
// out gets in.
func (w *world) storm(long time.Duration) {
	shop := w.floor.View().Shop
	from := w.now.Add(30 * time.Minute)
	w.luck("reopened", w.now)
	early := w.chance(0.3)
	for i := range shop.Resources {
		r := &shop.Resources[i]
		if !r.Kind.Outdoors() {
			continue
		}
		_ = w.do(w.foreman(), &queue.Close{Resource: r.ID, From: from.UTC(), Until: from.Add(long).UTC(), Reason: "sleet and wind"})
		if early {
			id := r.ID
			w.at(from.Add(long*2/3), func() { _ = w.do(w.foreman(), &queue.Reopen{Resource: id}) })
		}
	}
}

// breakDown takes an interface that is free out of service.
func (w *world) breakDown(tries int) {
	st := w.floor.View()
	var free []queue.ResourceID
	for i := range st.Shop.Resources {
		if r := &st.Shop.Resources[i]; r.Kind == queue.Interface && len(st.Holds[r.ID]) == 0 {
			free = append(free, r.ID)
		}
	}
	if len(free) == 0 {
		if tries > 1 {
			w.in(15*time.Minute, func() { w.breakDown(tries - 1) })
		}
		return
	}
	w.luck("broken", w.now)
	long := w.between(time.Hour, 3*time.Hour)
	_ = w.do(w.foreman(), &queue.Close{Resource: pick(w, free), From: w.now.UTC(), Until: w.now.Add(long).UTC(), Reason: "cable broken, a new one is on its way"})
}

// latePartsOf lets some of the parts come later than was said.
func (w *world) latePartsOf(units []queue.ReceiveUnit) {
	for i := range units {
		u := &units[i]
		for _, step := range slices.Sorted(maps.Keys(u.Arrival.Parts)) {
			due := u.Arrival.Parts[step]
			w.luck("late part", u.Unit, step)
			if !w.happens(LateParts, 0.35) {
				continue
			}
			id, later := u.Unit, w.opening(due, 1+w.rand.IntN(2)).Add(3*time.Hour).UTC()
			w.at(due.Add(-time.Hour), func() {
				_ = w.do(w.counter(), &queue.AmendUnit{Unit: id, Change: queue.UnitAmended{
					Parts: map[queue.StepID]time.Time{step: later}, Reason: "the supplier has it on back order",
				}})
			})
		}
	}
}
