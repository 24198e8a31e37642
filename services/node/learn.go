package node

import (
	"context"
	"time"

	"go.uber.org/zap"

	"tickover/services/experience"
	"tickover/services/promise"
)

// learnEvery is how often a site is asked for something new to learn from.
const learnEvery = time.Minute

// turn lets the sites of a process learn one after the other, however many
// there are, and rests after each: what was learnt is worth something tomorrow,
// an answer now.
type turn struct {
	taken    chan struct{}
	commands func() uint64 // carried out so far
}

// Rests after a site has learnt, in the time that it took: each kind takes half
// a core at most, and a tenth of one while commands are carried out.
const (
	restQuiet = 1
	restBusy  = 9
)

func newTurn(commands func() uint64) turn { return turn{make(chan struct{}, 1), commands} }

func (t turn) take(ctx context.Context, f func() error) error {
	select {
	case t.taken <- struct{}{}:
	case <-ctx.Done():
		return nil
	}
	defer func() { <-t.taken }()
	begun, before := time.Now(), t.commands()
	err := f()
	rest := restQuiet * time.Since(begun)
	if t.commands() != before {
		rest *= restBusy
	}
	select {
	case <-time.After(rest):
	case <-ctx.Done():
		return nil
	}
	return err
}

// learn keeps what a site's past teaches: the lengths of its work, for plans
// and pages, and, for pages, what earlier promises were worth. Both are
// functions of the log, so all processes learn the same.
func (n *Node) learn(ctx context.Context, s *Site) error {
	tick := time.NewTicker(learnEvery)
	defer tick.Stop()
	var read uint64 // what promises were learnt up to
	for {
		err := n.lengths.take(ctx, func() error { return s.Lengths.Refresh(ctx, n.o.Now()) })
		if seq := s.Ledger.View().Seq; err == nil && s.Promises != nil && seq != read {
			if err = n.promises.take(ctx, func() error { return s.Promises.CatchUp(ctx) }); err == nil {
				read = seq
			}
		}
		if err != nil && ctx.Err() == nil {
			n.log.Warn("nothing was learnt of the site's past; trying again", zap.String("site", string(s.ID)), zap.Error(err))
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// learns gives a site what learns for the roles that use it.
func (n *Node) learns(s *Site) {
	if n.o.Roles&(Dispatch|Floor) != 0 {
		s.Lengths = experience.New(n.o.Log, s.ID)
	}
	if n.o.Roles&Floor != 0 {
		s.Promises = promise.NewLearner(promise.LearnerOptions{Log: n.o.Log, Site: s.ID, Threads: 1})
	}
}
