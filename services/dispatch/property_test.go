package dispatch_test

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/queue"
	"tickover/services/dispatch"
)

// Whatever people do, as far as the queue lets them: each plan keeps C1…C14,
// and it is the same whether or not a plan was kept in force by events that
// changed nothing.
func TestPlansOfRandomDaysAreSound(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		at := busyDay.Add(time.Duration(rapid.IntRange(0, 10*60).Draw(rt, "start_min")) * time.Minute)
		w := newWorldWith(t, at, variant(rt, demoShop(t)))
		c := dispatch.NewCore(dispatch.Options{ComputeOptions: dispatch.ComputeOptions{
			Seed: rapid.Uint64().Draw(rt, "seed"), Schedules: rapid.IntRange(1, 6).Draw(rt, "schedules"), Check: true,
		}})
		f := &floor{world: w, rt: rt}
		f.arrive()
		for range rapid.IntRange(3, 25).Draw(rt, "commands") {
			f.act(c.Plan())
			out, err := c.Replan(t.Context(), w.l.View(), w.now)
			if err != nil {
				rt.Fatalf("at %s: %v", w.now, err)
			}
			for _, v := range out.Violations {
				rt.Fatalf("at %s after %s: %v", w.now.Format("2006-01-02 15:04:05"), f.last, v)
			}
			f.goesOnAlone(c.Plan())
			if out.Reason == "" && out.Changed {
				rt.Fatalf("at %s the plan changed without a reason", w.now)
			}
		}
	})
}

// variant changes what the demo shop leaves out: a small yard, lags between
// steps, a shop that shuts at noon, a charge that may run overnight.
func variant(rt *rapid.T, shop *queue.Shop) *queue.Shop {
	shop.Limits.YardCapacity = rapid.SampledFrom([]int{0, 1, 3, 40}).Draw(rt, "yard")
	if rapid.Bool().Draw(rt, "lags") {
		r := routeStep(shop, "set-up", "relearn")
		r.After[0].Max = 45 * time.Minute
		r = routeStep(shop, "reflash", "relearn")
		r.After[0].Min, r.After[0].Max = 10*time.Minute, 3*time.Hour
	}
	if rapid.Bool().Draw(rt, "noon") {
		for d := time.Monday; d <= time.Friday; d++ {
			shop.Hours[d] = []queue.Span{{From: 8 * 60, To: 12 * 60}, {From: 13 * 60, To: 17*60 + 30}}
		}
	}
	if rapid.Bool().Draw(rt, "overnight") {
		shop.Operation("charge").Overnight = true
	}
	return shop
}

// floor does what people might do.
type floor struct {
	*world
	rt    *rapid.T
	units int
	last  string
}

func (f *floor) arrive() {
	routes := []queue.RouteID{"set-up", "reflash", "relearn-only", "accessories", "trade-in"}
	machines := []queue.Machine{
		{Frame: "X", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		{Frame: "X", Make: "Kestrow", Model: "Brae 250", Year: 2021, Family: "kr4", Fitment: "standard"},
		{Frame: "X", Make: "Fellrigg", Model: "Tarn 300", Year: 2025, Family: "fr2", Fitment: "standard"},
		{Frame: "X", Make: "Nobody", Model: "Knows 1", Year: 1999, Family: "", Fitment: "standard"},
	}
	for range rapid.IntRange(1, 4).Draw(f.rt, "arrivals") {
		f.units++
		_ = f.try(&queue.ReceiveUnit{Unit: queue.UnitID(fmt.Sprintf("T-%d", f.units)), Arrival: queue.UnitArrived{
			Machine: rapid.SampledFrom(machines).Draw(f.rt, "machine"), Ownership: queue.CustomerUnit,
			Route:   rapid.SampledFrom(routes).Draw(f.rt, "route"),
			Promise: f.now.Add(time.Duration(rapid.IntRange(-48, 96).Draw(f.rt, "promise_h")) * time.Hour),
			Weight:  rapid.IntRange(1, 10).Draw(f.rt, "weight"),
		}})
	}
}

// goesOnAlone asks for the next job without a dispatcher: what is answered may
// start, at the station and by the technician that asked.
func (f *floor) goesOnAlone(p *dispatch.Plan) {
	st := f.l.View()
	who := dispatch.Who{Station: rapid.SampledFrom(append(dispatch.Stations(st.Shop), "")).Draw(f.rt, "station")}
	if who.Station == "" {
		who.Technician = rapid.SampledFrom([]queue.PersonID{"ruth", "tomas", "ines", "kofi"}).Draw(f.rt, "asks")
	}
	ps := dispatch.NextFor(st, p, who, f.now, f.l.Try)
	switch {
	case ps == nil:
	case who.Station != "" && dispatch.StationOf(st.Shop, ps.Resources) != who.Station:
		f.rt.Fatalf("%s is offered a job on %v", who.Station, ps.Resources)
	case who.Technician != "" && ps.Technician != who.Technician:
		f.rt.Fatalf("%s is offered a job of %s", who.Technician, ps.Technician)
	default:
		start := &queue.StartStep{Unit: ps.Unit, Step: ps.Step, Technician: ps.Technician, Resources: ps.Resources}
		if err := f.l.Try(queue.Command{ID: "x", At: f.now, Action: start}); err != nil {
			f.rt.Fatalf("the next job may not start: %v", err)
		}
	}
}

// act does one thing, to a step of the plan, of a random unit, or the shop.
func (f *floor) act(p *dispatch.Plan) {
	if rapid.Bool().Draw(f.rt, "time") {
		f.now = f.now.Add(time.Duration(rapid.IntRange(0, 90*60).Draw(f.rt, "sec")) * time.Second)
	}
	names := []string{"follow", "follow", "follow", "follow", "arrive", "accept", "accept", "fail", "pin", "hold", "shop", "reopen", "skip", "amend", "night"}
	f.last = rapid.SampledFrom(names).Draw(f.rt, "act")
	switch f.last {
	case "follow":
		if p == nil {
			return
		}
		at, a := f.next(p)
		if a != nil && at.After(f.now) && rapid.Bool().Draw(f.rt, "wait") {
			f.now = at
		}
		if a != nil {
			_ = f.try(a)
		}
	case "arrive":
		if f.units < 10 {
			f.arrive()
		}
	case "shop":
		f.shop()
	case "night":
		f.now = f.now.Add(time.Duration(rapid.IntRange(6, 40).Draw(f.rt, "hours")) * time.Hour)
	default:
		f.step(p)
	}
}

func (f *floor) step(p *dispatch.Plan) {
	st := f.l.View()
	units := st.OpenUnits()
	if len(units) == 0 || p == nil {
		return
	}
	u := rapid.SampledFrom(units).Draw(f.rt, "unit")
	s := &u.Steps[rapid.IntRange(0, len(u.Steps)-1).Draw(f.rt, "step")]
	at := f.now.Add(time.Duration(rapid.IntRange(-60, 600).Draw(f.rt, "at_min")) * time.Minute)
	yes := rapid.Bool().Draw(f.rt, "yes")
	who := rapid.SampledFrom([]queue.PersonID{"ruth", "tomas", "ines", "kofi"}).Draw(f.rt, "who")
	var a queue.Action
	switch f.last {
	case "accept":
		for i := range p.Steps {
			if ps := &p.Steps[i]; ps.Unit == u.ID && !ps.Running {
				if !yes {
					who = ps.Technician
				}
				a = &queue.AcceptStep{Unit: u.ID, Step: ps.Step, Technician: who, Resources: ps.Resources}
				break
			}
		}
	case "fail":
		a = &queue.FinishStep{Unit: u.ID, Step: s.ID, Technician: who, Failed: true, Reason: "no good"}
		if s.Accepted != nil {
			a = &queue.ReturnStep{Unit: u.ID, Step: s.ID, Reason: "no time"}
		}
	case "pin":
		pin := queue.Pin{Technician: who}
		if yes {
			pin = queue.Pin{Start: &at, Resources: []queue.ResourceID{rapid.SampledFrom([]queue.ResourceID{"b1", "b3", "i1", "p1"}).Draw(f.rt, "pin")}}
		}
		a = &queue.PinStep{Unit: u.ID, Step: s.ID, Pin: pin}
		if s.Pin != nil {
			a = &queue.UnpinStep{Unit: u.ID, Step: s.ID}
		}
	case "hold":
		a = &queue.AmendUnit{Unit: u.ID, Change: queue.UnitAmended{Held: &yes}}
	case "amend":
		a = &queue.AmendUnit{Unit: u.ID, Change: queue.UnitAmended{Promise: &at, Parts: map[queue.StepID]time.Time{s.ID: at}}}
	case "reopen":
		a = &queue.ReopenStep{Unit: u.ID, Step: s.ID, Reason: "once more"}
	case "skip":
		a = &queue.SkipStep{Unit: u.ID, Step: s.ID, Reason: "not needed"}
	}
	if a != nil {
		_ = f.try(a)
	}
}

func (f *floor) shop() {
	from := f.now.Add(time.Duration(rapid.IntRange(-30, 120).Draw(f.rt, "from_min")) * time.Minute)
	until := from.Add(time.Duration(rapid.IntRange(1, 600).Draw(f.rt, "for_min")) * time.Minute)
	who := rapid.SampledFrom([]queue.PersonID{"ruth", "tomas", "ines", "kofi"}).Draw(f.rt, "who")
	what := rapid.SampledFrom([]queue.ResourceID{"b1", "b2", "i1", "c1", "p1", "l1"}).Draw(f.rt, "what")
	switch rapid.IntRange(0, 3).Draw(f.rt, "shop") {
	case 0:
		_ = f.try(&queue.Close{Resource: what, From: from, Until: until, Reason: "broken"})
	case 1:
		_ = f.try(&queue.Close{Technician: who, From: from, Until: until, Reason: "ill"})
	case 2:
		_ = f.try(&queue.Reopen{Resource: what})
	case 3:
		_ = f.try(&queue.Reopen{Technician: who})
	}
}
