package dispatch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/ledger"
)

// Board is where a term puts its offers and plans, and where benches and pages
// find them: NATS, in a service. Errors tell of requests that may or may not
// have been carried out, but for those named.
type Board interface {
	Offer(context.Context, Offer) error
	// Plan returns the plan in force and its revision; nil and 0: none.
	Plan(context.Context) (*Plan, uint64, error)
	// Prepare makes a plan ready, which takes a processor and waits for nobody.
	Prepare(p *Plan) (Ready, error)
	// Leader is the epoch of who holds the site's lease, 0 if nobody does.
	Leader(context.Context) (uint64, error)
}

// Ready puts a plan that is made ready into force if the one there is still
// that of the revision; the error wraps [ErrReplaced] if not.
type Ready func(ctx context.Context, rev uint64) (uint64, error)

// TermConfig says what a term dispatches, and with which right.
type TermConfig struct {
	Site    queue.SiteID
	Epoch   uint64 // of the lease
	Core    Options
	Ledger  *ledger.Ledger
	Now     func() time.Time
	Board   Board
	Logger  *zap.Logger  // nil: none
	Observe func(Report) // nil: nobody
	Turns   *Turns       // nil: as many as want to plan at a time
}

// Term is one dispatcher's time as the active one, as steps that whoever holds
// the lease calls on one goroutine. The error of a step ends the term: what
// could not be published would be missed for good.
type Term struct {
	c    TermConfig
	log  *zap.Logger
	core *Core
	rev  uint64 // of the plan in force
	// failed is the state that planning failed on: not tried again before
	// there is another one.
	failed uint64
}

// NewTerm returns a term that has done nothing yet.
func NewTerm(c TermConfig) *Term {
	if c.Logger == nil {
		c.Logger = zap.NewNop()
	}
	if c.Observe == nil {
		c.Observe = func(Report) {}
	}
	return &Term{c: c, log: c.Logger, core: NewCore(c.Core)}
}

// Begin takes over the plan in force and looks at the state.
func (t *Term) Begin(ctx context.Context) error {
	p, rev, err := t.c.Board.Plan(ctx)
	if err != nil {
		t.log.Warn("last plan not read, planning without it", zap.Error(err))
	} else if p != nil {
		if err := t.outdo(ctx, p, rev); err != nil {
			return err
		}
		t.core.Adopt(p)
	}
	t.rev = rev
	return t.Look(ctx)
}

// Due reports whether Look should be called although nothing happened.
func (t *Term) Due() bool {
	due := t.core.Due()
	return !due.IsZero() && t.c.Now().After(due)
}

// Look plans for the newest state and publishes what changed; also for a state
// that it has planned for: the servers may have lost the plan.
func (t *Term) Look(ctx context.Context) error {
	st := t.c.Ledger.View()
	if t.failed != 0 && t.failed == st.Seq {
		return nil
	}
	t.failed = 0
	r, put, err := t.replan(ctx, st)
	if err != nil {
		return err
	}
	return t.settle(ctx, r, put)
}

// replan plans for a state, or a newer one if it has to wait for its turn. The
// plan is made ready in the turn if others wait for theirs; otherwise the offers
// come first.
func (t *Term) replan(ctx context.Context, st *queue.State) (Report, Ready, error) {
	replan, crowded := t.core.Replan, false
	if !t.core.stands(st, t.c.Now()) {
		turn, err := t.c.Turns.take(ctx)
		if err != nil {
			return Report{}, nil, err
		}
		defer turn.done()
		if crowded = turn.crowded; crowded {
			replan = t.core.Repair
		}
		st = t.c.Ledger.View() // with what came while others planned
	}
	r := Report{Seq: st.Seq}
	r.Outcome, r.Panicked, r.Err = guarded(func() (Outcome, error) { return replan(ctx, st, t.c.Now()) })
	if !crowded || r.Err != nil || r.Plan == nil {
		return r, nil, nil
	}
	put, err := t.prepare(r.Plan)
	return r, put, err
}

// prepare makes a plan ready to be published.
func (t *Term) prepare(made *Plan) (Ready, error) {
	p := *made
	p.Epoch = t.c.Epoch
	put, err := t.c.Board.Prepare(&p)
	if err != nil {
		return nil, fmt.Errorf("publish plan: %w", err)
	}
	return put, nil
}

// settle reports an outcome and publishes it; put is nil if the plan is not made
// ready yet.
func (t *Term) settle(ctx context.Context, r Report, put Ready) error {
	if r.Err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		t.failed = r.Seq
		t.log.Error("planning failed, the last plan stays", zap.Uint64("seq", r.Seq),
			zap.Uint64("seed", t.c.Core.Seed), zap.Bool("panic", r.Panicked), zap.Error(r.Err))
		t.c.Observe(r)
		return nil
	}
	for _, v := range r.Violations {
		t.log.Error("plan violates a constraint", zap.Uint64("seq", r.Seq),
			zap.Uint64("seed", t.c.Core.Seed), zap.String("violation", v.String()))
	}
	if err := t.publish(ctx, r.Outcome, put); err != nil {
		return err
	}
	if r.Plan != nil && (r.Reason != "" || r.Improved) {
		t.log.Debug("plan published", zap.Uint64("seq", r.Seq), zap.String("reason", r.Reason), zap.Bool("improved", r.Improved), zap.Int("offers", len(r.Offers)))
	}
	t.c.Observe(r)
	return nil
}

// guarded turns a broken invariant into an error.
func guarded(f func() (Outcome, error)) (out Outcome, panicked bool, err error) {
	defer func() {
		if v := recover(); v != nil {
			out, panicked, err = Outcome{}, true, fmt.Errorf("broken invariant: %v\n%s", v, debug.Stack())
		}
	}()
	out, err = f()
	return out, false, err
}

// improve looks for a better plan until it has one, has tried enough, or
// something happens.
func (t *Term) improve(ctx context.Context, watch *ledger.Watch) error {
	ictx, cancel := context.WithCancel(ctx)
	defer cancel()
	now := t.c.Now()
	type result struct {
		out      Outcome
		panicked bool
		err      error
	}
	end, ok := t.c.Turns.spare(cancel)
	if !ok {
		return nil // others plan
	}
	done := make(chan result, 1)
	go func() {
		defer end()
		out, panicked, err := guarded(func() (Outcome, error) { return t.core.Improve(ictx, now) })
		done <- result{out, panicked, err}
	}()
	happened := false
	var res result
	select {
	case res = <-done:
	case <-watch.C():
		happened = true
		cancel()
		res = <-done
	}
	switch {
	case errors.Is(res.err, ErrNotCurrent):
	case res.err != nil || res.out.Plan != nil:
		r := Report{Outcome: res.out, Seq: t.core.Seq(), Improved: true, Err: res.err, Panicked: res.panicked}
		if err := t.settle(ctx, r, nil); err != nil {
			return err
		}
	}
	if happened {
		return t.Look(ctx)
	}
	return nil
}

// publish puts the changed offers on the work queues and the plan where
// readers find it, the offers first: somebody waits for them.
func (t *Term) publish(ctx context.Context, out Outcome, put Ready) error {
	if out.Plan == nil {
		return nil
	}
	for _, o := range out.Offers {
		if err := t.offer(ctx, o); err != nil {
			return err
		}
	}
	if put == nil {
		var err error
		if put, err = t.prepare(out.Plan); err != nil {
			return err
		}
	}
	for try := 1; ; try++ {
		rev, err := put(ctx, t.rev)
		if err == nil {
			t.rev = rev
			return nil
		}
		if errors.Is(err, ErrReplaced) && try < publishTries {
			var other *Plan
			if other, rev, err = t.c.Board.Plan(ctx); err == nil {
				err = t.outdo(ctx, other, rev)
			}
		}
		if err != nil {
			return fmt.Errorf("publish plan: %w", err)
		}
	}
}

// publishTries bounds how often a plan meets another one that was put into
// force in between.
const publishTries = 4

// outdo makes ready to replace a plan that somebody else put into force: a
// dispatcher that this one replaced, and that may not have noticed yet. If it
// is the one that replaced this one, the error is ErrReplaced.
func (t *Term) outdo(ctx context.Context, p *Plan, rev uint64) error {
	if p != nil && p.Epoch > t.c.Epoch {
		// Unless the lease itself has begun anew, as after a restore.
		if leader, err := t.c.Board.Leader(ctx); err != nil || leader != t.c.Epoch {
			return errors.Join(ErrReplaced, err)
		}
	}
	t.rev = rev
	return nil
}

func (t *Term) offer(ctx context.Context, o Offer) error {
	o.Epoch = t.c.Epoch
	if err := t.c.Board.Offer(ctx, o); err != nil {
		return fmt.Errorf("offer to %s: %w", o.Station, err)
	}
	if o.Step != nil {
		t.log.Debug("offer made", zap.String("station", string(o.Station)), zap.String("unit", string(o.Step.Unit)),
			zap.String("step", string(o.Step.Step)), zap.Uint64("seq", o.Seq))
	}
	return nil
}

// Resend offers a station's job again, to a bench that lost it.
func (t *Term) Resend(ctx context.Context, s Station) error {
	if o, ok := t.core.offers[s]; ok {
		return t.offer(ctx, o)
	}
	return nil
}

// natsBoard is a site's board on NATS.
type natsBoard struct {
	nc   *nats.Conn
	js   jetstream.JetStream
	site queue.SiteID
}

func (b *natsBoard) Offer(ctx context.Context, o Offer) error {
	msg, err := json.Marshal(o)
	if err != nil {
		return fmt.Errorf("encode: %w", err)
	}
	_, err = b.js.Publish(ctx, WorkSubject(o.Site, o.Station), msg)
	return err
}

func (b *natsBoard) Plan(ctx context.Context) (*Plan, uint64, error) {
	return latestPlan(ctx, b.nc, b.site)
}

func (b *natsBoard) Prepare(p *Plan) (Ready, error) {
	msg, err := encodePlan(p)
	if err != nil {
		return nil, fmt.Errorf("encode: %w", err)
	}
	return func(ctx context.Context, rev uint64) (uint64, error) {
		ack, err := b.js.Publish(ctx, "$KV."+PlansBucket+"."+string(b.site), msg, jetstream.WithExpectLastSequencePerSubject(rev))
		if err != nil {
			return 0, replaced(err)
		}
		return ack.Sequence, nil
	}, nil
}

func (b *natsBoard) Leader(ctx context.Context) (uint64, error) {
	return LeaderEpoch(ctx, b.js, b.site)
}
