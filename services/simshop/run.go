package simshop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/scheduler/calendar"
	"tickover/services/dispatch"
	"tickover/services/experience"
	"tickover/services/ledger"
)

// think is how long after an event the headless shop plans anew, so that what
// belongs together is planned once.
const think = 15 * time.Second

// Run simulates a shop headless, as fast as it can. Errors are the log's, or
// ctx's.
func Run(ctx context.Context, o Options) (Result, error) {
	s, err := New(ctx, o)
	if err != nil {
		return Result{}, err
	}
	end := s.o.Start.AddDays(s.o.Days).At(0, s.o.Shop.Location())
	err = s.FastForward(ctx, end)
	return s.Result(), err
}

// Shop is a simulated shop. It is not safe for concurrent use, but for Play
// while Drive runs.
type Shop struct {
	*world
	core    *dispatch.Core
	lengths *experience.Experience // nil: nothing is learnt
	seq     uint64                 // of the state that was last looked at
	next    time.Time              // when to plan
}

// New opens a simulated shop on o.Log, headless, at the midnight that o.Start
// begins with, or at o.From.
func New(ctx context.Context, o Options) (*Shop, error) {
	if err := o.defaults(); err != nil {
		return nil, err
	}
	if o.Log == nil {
		o.Log = logtest.NewMem()
	}
	s := &Shop{}
	core := dispatch.Options{ComputeOptions: dispatch.ComputeOptions{Schedules: o.Schedules, Seed: o.Seed, Check: true}}
	if o.Learn {
		s.lengths = experience.New(o.Log, o.Shop.Site)
		core.Learnt = s.lengths.Lengths
	}
	s.core = dispatch.NewCore(core)
	now := o.From
	if now.IsZero() {
		now = o.Start.At(0, o.Shop.Location())
	}
	l, err := ledger.Open(ctx, ledger.Options{Site: o.Shop.Site, Log: o.Log, Now: func() time.Time { return s.now }})
	if err != nil {
		return nil, err
	}
	s.world = newWorld(ctx, o, l, s.core.Plan)
	s.now, s.recorded, s.benches = now, s.audit, newBenches(o.Shop)
	s.station = s.benches.station
	if err := s.configure(); err != nil {
		return nil, fmt.Errorf("simulated shop: %w", err)
	}
	s.adoptAll()
	today := calendar.DateOf(now, o.Shop.Location())
	s.midnight(today)
	return s, s.fatal
}

// Now is the simulated time.
func (s *Shop) Now() time.Time { return s.now }

// View is the shop's queue as it stands.
func (s *Shop) View() *queue.State { return s.floor.View() }

// List lists calibrations as the first foreman.
func (s *Shop) List(ctx context.Context, list []queue.Calibration) error {
	s.ctx = ctx
	if len(s.o.Shop.Foremen) == 0 {
		return nil
	}
	return s.do(s.o.Shop.Foremen[0], &queue.ListCalibrations{Calibrations: list})
}

// Result is what the run has come to so far.
func (s *Shop) Result() Result { return s.result() }

// configure puts the shop file into effect, if it is not.
func (s *Shop) configure() error {
	st := s.floor.View()
	s.prefix = fmt.Sprintf("sim-%d-%d", s.o.Seed, st.Seq)
	if st.Shop != nil && st.ShopFile == s.o.ShopFile {
		return nil
	}
	return s.do("", &queue.ConfigureShop{Shop: *s.o.Shop, FileHash: s.o.ShopFile})
}

// midnight makes the appointment that draws the day and the next midnight.
func (w *world) midnight(day calendar.Date) {
	w.at(day.At(0, w.o.Shop.Location()), func() {
		if w.o.Observer != nil {
			w.o.Observer.Day(day, w.result())
		}
		w.beginDay(day)
		w.midnight(day.AddDays(1))
	})
}

// FastForward runs the shop headless up to a moment, as fast as it can.
func (s *Shop) FastForward(ctx context.Context, until time.Time) error {
	s.ctx = ctx
	for s.fatal == nil {
		if err := ctx.Err(); err != nil {
			return err
		}
		x, ok := s.due.Before(until)
		if !ok {
			s.now = until
			break
		}
		s.now = x.At
		x.What()
		s.settle()
	}
	return s.fatal
}

// audit looks at the state after a command for what must never be, and shows
// it at the benches.
func (s *Shop) audit() {
	s.update()
	for _, words := range s.floor.View().Audit() {
		s.violation(words)
	}
}

// settle makes an appointment to plan when something changed.
func (s *Shop) settle() {
	s.tick()
	if seq := s.floor.View().Seq; seq != s.seq {
		s.seq = seq
		s.rounds()
		s.planBy(s.now.Add(think))
	}
}

// planBy makes an appointment to look at the plan, unless there is an earlier
// one.
func (s *Shop) planBy(t time.Time) {
	if s.next.After(s.now) && !s.next.After(t) {
		return
	}
	s.next = t
	s.at(t, func() {
		if s.next.Equal(t) {
			s.next = time.Time{}
			s.replan()
		}
	})
}

func (s *Shop) replan() {
	if s.live {
		return // the dispatcher does
	}
	if s.lengths != nil {
		if err := s.lengths.Refresh(s.ctx, s.now); err != nil {
			s.fatal = err
			return
		}
	}
	lap := func() time.Duration { return 0 }
	if s.o.Stopwatch != nil {
		lap = s.o.Stopwatch()
	}
	out, err := s.core.Replan(s.ctx, s.floor.View(), s.now)
	took := lap()
	if err != nil {
		s.fatal = fmt.Errorf("plan at %s: %w", s.now.Format(time.RFC3339), err)
		return
	}
	if out.Reason != "" {
		s.planned(&out, took)
	}
	s.offer(&out)
	s.rounds()
	s.considerAll()
	if due := s.core.Due(); !due.IsZero() {
		s.planBy(later(due, s.now.Add(time.Minute)))
	}
}

// adoptAll takes over what the log has running and accepted by simulated
// people, as after a restart.
func (w *world) adoptAll() {
	for _, p := range w.people {
		w.adopt(p)
	}
}

// adopt takes over what runs under the person's name, and gives back what he
// accepted.
func (w *world) adopt(p *person) {
	if p.played.Load() {
		return
	}
	for _, u := range w.floor.View().OpenUnits() {
		for i := range u.Steps {
			st, key := &u.Steps[i], queue.Hold{Unit: u.ID, Step: u.Steps[i].ID}
			switch {
			case w.jobs[key] != nil:
			case st.Status == queue.Todo && st.Accepted != nil && st.Accepted.Technician == p.id:
				_ = w.do(p.id, &queue.ReturnStep{Unit: u.ID, Step: st.ID, Reason: "was called away"})
			case st.Status == queue.Running && st.Technician == p.id:
				w.adoptRun(p, key, st)
			}
		}
	}
}

func (w *world) adoptRun(p *person, key queue.Hold, st *queue.Step) {
	op := w.operation(st)
	if op == nil || st.Stretch >= len(op.Stretches) {
		return
	}
	x := &op.Stretches[st.Stretch]
	j := &job{key: key, op: op, last: p, runs: st.Runs, stretch: st.Stretch}
	w.decideFate(j, st)
	if x.HandsOn && p.busy != nil {
		return // he can't be in two places; the foreman will see it
	}
	w.jobs[key] = j
	if x.HandsOn {
		j.who, p.busy = p, j
		j.left = max(time.Minute, x.Duration-w.now.Sub(st.StretchStarted))
		w.goOn(j)
		return
	}
	j.offEnd = st.StretchStarted.Add(x.Duration)
	if next := j.nextHandsOn(); next < 0 || op.Engine {
		j.who, p.busy = p, j
		w.stayWith(j, next)
	}
}

func later(a, b time.Time) time.Time {
	return slices.MaxFunc([]time.Time{a, b}, time.Time.Compare)
}
