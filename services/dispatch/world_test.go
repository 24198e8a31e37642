package dispatch_test

import (
	"fmt"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/shopfile"
	"tickover/services/dispatch"
	"tickover/services/ledger"
	"tickover/testdata"
)

const site = queue.SiteID("larkmoor")

// world is the demo shop with a log in memory and a clock that stands still.
type world struct {
	t   testing.TB
	now time.Time
	l   *ledger.Ledger
	n   int
}

// busyDay is a Tuesday in late winter on which everybody works.
var busyDay = time.Date(2026, 2, 17, 8, 0, 0, 0, time.UTC)

func demoShop(t testing.TB) *queue.Shop {
	t.Helper()
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatalf("demo shop: %v", err)
	}
	return shop
}

func newWorld(t testing.TB, at time.Time) *world {
	t.Helper()
	return newWorldWith(t, at, demoShop(t))
}

func newWorldWith(t testing.TB, at time.Time, shop *queue.Shop) *world {
	t.Helper()
	w := &world{t: t, now: at}
	l, err := ledger.Open(t.Context(), ledger.Options{Site: site, Log: logtest.NewMem(), Now: func() time.Time { return w.now }})
	if err != nil {
		t.Fatal(err)
	}
	w.l = l
	w.do(&queue.ConfigureShop{Shop: *shop, FileHash: "x"})
	return w
}

// routeStep finds a step of one of a shop's routes.
func routeStep(shop *queue.Shop, r queue.RouteID, id queue.StepID) *queue.RouteStep {
	route := shop.Route(r)
	for i := range route.Steps {
		if route.Steps[i].ID == id {
			return &route.Steps[i]
		}
	}
	panic("no step " + id)
}

func (w *world) try(a queue.Action) error {
	w.n++
	_, err := w.l.Do(w.t.Context(), queue.Command{ID: queue.CommandID(fmt.Sprintf("c%d", w.n)), At: w.now, Action: a})
	return err
}

func (w *world) do(a queue.Action) {
	w.t.Helper()
	if err := w.try(a); err != nil {
		w.t.Fatalf("%T at %s: %v", a, w.now.Format("15:04"), err)
	}
}

func (w *world) receive(id queue.UnitID, route queue.RouteID, promise time.Time, options ...queue.StepID) {
	w.t.Helper()
	w.do(&queue.ReceiveUnit{Unit: id, Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "X", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		Ownership: queue.NewUnit, Route: route, Options: options, Promise: promise, Weight: 3,
	}})
}

// receiveMany checks in n units of all routes.
func (w *world) receiveMany(n int) {
	w.t.Helper()
	routes := []queue.RouteID{"set-up", "reflash", "accessories", "relearn-only", "set-up", "trade-in"}
	for i := range n {
		w.receive(queue.UnitID(fmt.Sprintf("T-%03d", i+1)), routes[i%len(routes)], w.now.Add(time.Duration(8+i%40)*time.Hour))
	}
}

func (w *world) compute(prev *dispatch.Plan, o dispatch.ComputeOptions) *dispatch.Plan {
	w.t.Helper()
	o.Check = true
	c, err := dispatch.ComputeAll(w.t.Context(), w.l.View(), w.l.Almanac(), w.now, prev, o)
	if err != nil {
		w.t.Fatal(err)
	}
	for _, v := range c.Violations {
		w.t.Errorf("checker at %s: %v", w.now.Format("2006-01-02 15:04"), v)
	}
	return c.Plan
}

// evidence is what an operation asks for, plausible throughout.
func (w *world) evidence(u *queue.Unit, op *queue.Operation) queue.Evidence {
	ev := queue.Evidence{}
	for _, f := range op.Evidence {
		if !f.Required {
			continue
		}
		switch {
		case f.Key == queue.EvidenceCalibration || f.Key == queue.EvidenceRevision:
			c, _ := w.l.View().CalibrationFor(&u.Machine, time.Time{})
			ev[f.Key] = string(c.ID)
			if f.Key == queue.EvidenceRevision {
				ev[f.Key] = fmt.Sprint(c.Revision)
			}
		case f.Type == queue.YesNo:
			ev[f.Key] = "yes"
		case f.Type.Measured() && f.Min != nil:
			ev[f.Key] = fmt.Sprint(*f.Min)
		case f.Type.Measured():
			ev[f.Key] = "12"
		case f.Type == queue.Date:
			ev[f.Key] = "2026-01-15"
		default:
			ev[f.Key] = "as it should be"
		}
	}
	return ev
}

// next is the first thing that a plan says happens from now on, and when.
func (w *world) next(p *dispatch.Plan) (time.Time, queue.Action) {
	st := w.l.View()
	var first time.Time
	var act queue.Action
	for i := range p.Steps {
		ps := &p.Steps[i]
		u := st.Units[ps.Unit]
		if u == nil {
			continue
		}
		at, a := w.nextOf(ps, u, u.Step(ps.Step))
		if a != nil && (act == nil || at.Before(first)) {
			first, act = at, a
		}
	}
	return first, act
}

func (w *world) nextOf(ps *dispatch.PlannedStep, u *queue.Unit, s *queue.Step) (time.Time, queue.Action) {
	switch {
	case s == nil || s.Settled():
		return time.Time{}, nil
	case s.Status == queue.Todo:
		return ps.Start, &queue.StartStep{Unit: u.ID, Step: s.ID, Technician: ps.Technician, Resources: ps.Resources}
	case s.Stretch+1 < len(ps.Stretches):
		x := ps.Stretches[s.Stretch+1]
		a := &queue.AdvanceStep{Unit: u.ID, Step: s.ID, Stretch: s.Stretch + 1}
		if x.HandsOn {
			a.Technician = x.Technicians[0]
		}
		return x.Start, a
	}
	op := w.l.View().Shop.Operation(s.Operation)
	return ps.End, &queue.FinishStep{Unit: u.ID, Step: s.ID, Technician: s.Technician, Evidence: w.evidence(u, op)}
}

// until carries plans out until a step is done.
func (w *world) until(c *dispatch.Core, unit queue.UnitID, step queue.StepID) {
	w.t.Helper()
	for range 1000 {
		if w.l.View().Units[unit].Step(step).Status == queue.Done {
			return
		}
		at, act := w.next(w.replan(c).Plan)
		if act == nil {
			break
		}
		if at.After(w.now) {
			w.now = at
		}
		w.do(act)
	}
	w.t.Fatalf("step %s of %s was never done", step, unit)
}
