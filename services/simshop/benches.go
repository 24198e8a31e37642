package simshop

import (
	"time"

	"tickover/queue"
	"tickover/services/bench"
	"tickover/services/dispatch"
)

// benches are the stations of a headless shop: what hangs on the wall at each
// bench, pad and loop, without the service around it.
type benches struct {
	ids  []dispatch.Station
	byID map[dispatch.Station]*bench.Station
}

func newBenches(shop *queue.Shop) *benches {
	b := &benches{ids: dispatch.Stations(shop), byID: map[dispatch.Station]*bench.Station{}}
	for _, id := range b.ids {
		b.byID[id] = bench.NewStation(id)
	}
	return b
}

func (b *benches) station(id dispatch.Station) *bench.Station { return b.byID[id] }

// update shows the newest state to all stations.
func (s *Shop) update() {
	st, a := s.floor.View(), s.floor.Almanac()
	for _, id := range s.benches.ids {
		s.benches.byID[id].Update(st, a)
	}
}

// offer hands the dispatcher's offers and plan to the stations.
func (s *Shop) offer(out *dispatch.Outcome) {
	for _, o := range out.Offers {
		if b := s.benches.byID[o.Station]; b != nil {
			b.Offer(o)
		}
	}
	for _, id := range s.benches.ids {
		s.benches.byID[id].Plan(out.Plan)
	}
}

// tick lets the stations look at the clock.
func (s *Shop) tick() {
	for _, id := range s.benches.ids {
		for _, a := range s.benches.byID[id].Tick(s.now) {
			if !a.Cleared {
				s.alert(&a)
			}
		}
	}
}

// alert is a station's call or alarm, as the people hear it: who is called
// comes back, and who forgot to sign off remembers. Heard twice it changes
// nothing.
func (w *world) alert(a *bench.Alert) {
	j := w.jobs[queue.Hold{Unit: a.Unit, Step: a.Step}]
	if j == nil || j.walking || j.stretch != a.Stretch {
		return
	}
	switch {
	case a.Kind == bench.CallBack && j.who == nil && j.called.IsZero():
		w.tally.calls++
		j.called = w.now
		w.at(w.now.Add(j.late), w.considerAll)
	case a.Kind == bench.Overdue && j.forgot:
		w.tally.alarms++
		j.forgot = false
		j.turn++
		turn := j.turn
		w.in(w.between(30*time.Second, 3*time.Minute), func() {
			if j.turn == turn {
				w.signOff(j, j.who, 0)
			}
		})
	}
}

// accept is the action by which a person takes a planned step: the offer of
// its station, or, where the station shows another one, the step by the plan.
func (w *world) accept(p *person, ps *dispatch.PlannedStep) queue.Action {
	if w.station != nil {
		if st := w.station(dispatch.StationOf(w.floor.View().Shop, ps.Resources)); st != nil {
			if a, err := st.Accept(ps.Unit, ps.Step, p.id); err == nil {
				w.tally.offered++
				return a
			}
		}
	}
	return &queue.AcceptStep{Unit: ps.Unit, Step: ps.Step, Technician: p.id, Resources: ps.Resources}
}
