// Package past tells how a site's queue stood at a moment gone by, by folding
// its log to there.
//
//	p := past.New(past.Options{Log: log, Site: "larkmoor"})
//	then, err := p.At(ctx, at)
//
// What it guarantees:
//
//  1. The state at a moment is the fold of all entries that the queue had
//     received by then, in the order of the log: what the shop knew, not what
//     was written down later about it.
//  2. What At returns is not changed by anybody, and must not be: it is shared.
//  3. What is kept is bounded: some answers, and some states along the log from
//     which the next fold begins. They share the units that did not change.
//
// Plans are not in the log, so that the plan of that time can't be told.
package past

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"tickover/queue"
	"tickover/queue/log"
)

// ErrEmpty: the log has no entry.
var ErrEmpty = errors.New("nothing was recorded yet")

// BeforeError: the record begins later.
type BeforeError struct{ Begins time.Time }

func (e *BeforeError) Error() string {
	return fmt.Sprintf("nothing was recorded before %s", e.Begins.Format(time.RFC3339))
}

// Options say what to read and how much to keep.
type Options struct {
	Log  log.Log
	Site queue.SiteID
	// Answers is how many states that were asked for are kept; 0: 8.
	Answers int
	// Marks is how many states along the log are kept; 0: 24. Two of them lie
	// at least MarkEvery entries apart; 0: 2,000.
	Marks     int
	MarkEvery int
}

// Past folds one site's log to any moment. All methods may be called
// concurrently; folds go one after the other.
type Past struct {
	o     Options
	turn  chan struct{} // whoever folds
	mu    sync.Mutex
	spans []span // answers, the one used last at the end
	marks []span // by sequence
	every int
}

// span is a state with the times between which it was the present one.
type span struct {
	state *queue.State
	from  time.Time // the latest of its entries was received
	until time.Time // the next one was; zero: none was yet
	n     int       // entries folded
}

func (s span) holds(at time.Time) bool {
	return !at.Before(s.from) && !s.until.IsZero() && at.Before(s.until)
}

// New returns a past that has read nothing yet.
func New(o Options) *Past {
	o.Answers, o.Marks, o.MarkEvery = or(o.Answers, 8), or(o.Marks, 24), or(o.MarkEvery, 2000)
	return &Past{o: o, turn: make(chan struct{}, 1), every: o.MarkEvery}
}

func or(n, otherwise int) int {
	if n > 0 {
		return n
	}
	return otherwise
}

// Received is when the queue took an entry.
func Received(en *queue.Entry) time.Time {
	if len(en.Events) == 0 {
		return time.Time{}
	}
	return en.Events[0].Received
}

var errLater = errors.New("the next entry is later")

// At is the state after the last entry before the first one that was received
// later than the moment. Errors: [ErrEmpty], a *[BeforeError], the log's, ctx's.
func (p *Past) At(ctx context.Context, at time.Time) (*queue.State, error) {
	if st := p.known(at); st != nil {
		return st, nil
	}
	select {
	case p.turn <- struct{}{}:
		defer func() { <-p.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if st := p.known(at); st != nil { // somebody else folded it meanwhile
		return st, nil
	}
	return p.fold(ctx, at)
}

func (p *Past) fold(ctx context.Context, at time.Time) (*queue.State, error) {
	s := p.nearest(at)
	err := p.o.Log.Read(ctx, p.o.Site, s.state.Seq, func(en *queue.Entry) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		when := Received(en)
		if when.After(at) {
			s.until = when
			return errLater
		}
		return p.apply(&s, en)
	})
	switch {
	case err != nil && !errors.Is(err, errLater):
		return nil, fmt.Errorf("fold the log of site %s: %w", p.o.Site, err)
	case s.n == 0 && s.until.IsZero():
		return nil, ErrEmpty
	case s.n == 0:
		return nil, &BeforeError{s.until}
	}
	p.keep(s)
	return s.state, nil
}

// apply folds one entry on.
func (p *Past) apply(s *span, en *queue.Entry) error {
	if _, err := s.state.Apply(en); err != nil {
		return err
	}
	if when := Received(en); when.After(s.from) { // a clock may have been put back
		s.from = when
	}
	s.n++
	p.mark(s)
	return nil
}

// known is an answer that was given before. A state that no entry has followed
// yet is no sure answer: one may have come meanwhile.
func (p *Past) known(at time.Time) *queue.State {
	p.mu.Lock()
	defer p.mu.Unlock()
	i := slices.IndexFunc(p.spans, func(s span) bool { return s.holds(at) })
	if i < 0 {
		return nil
	}
	s := p.spans[i]
	p.spans = append(slices.Delete(p.spans, i, i+1), s)
	return s.state
}

// nearest is the last state that is kept and not later than the moment, to fold
// on; the empty one if there is none.
func (p *Past) nearest(at time.Time) span {
	p.mu.Lock()
	defer p.mu.Unlock()
	best := span{}
	for _, s := range slices.Concat(p.marks, p.spans) {
		if !s.from.After(at) && s.n > best.n {
			best = s
		}
	}
	if best.state == nil {
		best.state = queue.NewState(p.o.Site)
	} else {
		best.state = best.state.Fork()
	}
	best.until = time.Time{}
	return best
}

// mark keeps the state if it lies far enough from the others. Half of the marks
// go when there are too many, and the rest lie twice as far apart.
func (p *Past) mark(s *span) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if s.n%p.every != 0 || slices.ContainsFunc(p.marks, func(m span) bool { return m.n == s.n }) {
		return
	}
	if len(p.marks) >= p.o.Marks {
		p.every *= 2
		p.marks = slices.DeleteFunc(p.marks, func(m span) bool { return m.n%p.every != 0 })
		if s.n%p.every != 0 {
			return
		}
	}
	kept := *s
	s.state = s.state.Fork() // the fold goes on with a copy
	p.marks = append(p.marks, kept)
	slices.SortFunc(p.marks, func(a, b span) int { return a.n - b.n })
}

func (p *Past) keep(s span) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.spans) >= p.o.Answers {
		p.spans = slices.Delete(p.spans, 0, 1)
	}
	p.spans = append(p.spans, s)
}

// Warm folds the log once up to its end and keeps states along it, so that the
// first question about an earlier moment is answered from the nearest of them.
// It takes its turn with questions, in parts, so that nobody waits for all of
// it.
func (p *Past) Warm(ctx context.Context) error {
	s := span{state: queue.NewState(p.o.Site)}
	for {
		more, err := p.warmPart(ctx, &s)
		if err != nil || !more {
			return err
		}
	}
}

// warmEntries is how far Warm folds before it lets others take a turn.
const warmEntries = 2000

var errEnough = errors.New("enough for now")

func (p *Past) warmPart(ctx context.Context, s *span) (more bool, err error) {
	select {
	case p.turn <- struct{}{}:
		defer func() { <-p.turn }()
	case <-ctx.Done():
		return false, ctx.Err()
	}
	part := 0
	err = p.o.Log.Read(ctx, p.o.Site, s.state.Seq, func(en *queue.Entry) error {
		if part == warmEntries {
			return errEnough
		}
		part++
		if err := ctx.Err(); err != nil {
			return err
		}
		return p.apply(s, en)
	})
	switch {
	case errors.Is(err, errEnough):
		return true, nil
	case err != nil:
		return false, fmt.Errorf("fold the log of site %s: %w", p.o.Site, err)
	}
	return false, nil
}
