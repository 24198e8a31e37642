package dispatch

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// Turns share the cores of a process among the dispatchers of many sites, so
// that planning leaves room for what people wait for: commands and their
// acknowledgements. Who plans after an event waits for his turn, first come
// first served, and by then plans for all that happened meanwhile. While
// commands are carried out and others wait, a turn is given on only after a
// rest, so that planning has its share of the cores and no more. Who looks for
// a better plan takes a turn only while nobody waits for one, and gives it back
// when somebody does. Nil: everybody plans at once.
type Turns struct {
	rest     float64       // after a turn, in its length
	commands atomic.Uint64 // carried out so far

	mu      sync.Mutex
	free    int
	waiting []chan struct{}
	idle    []*idleTurn
}

// Cores that planning leaves alone while commands come and others wait, and
// what it has at least. They were measured on two cores (make bench-load).
const (
	coresSpared   = 1.75
	coresPlanning = 0.25
)

// idleTurn is that of a search that can be put off.
type idleTurn struct{ stop func() }

// planning is a turn that was taken.
type planning struct {
	turns *Turns
	// crowded: others wait behind.
	crowded  bool
	began    time.Time
	commands uint64 // carried out before
}

// NewTurns shares so many cores: all but one plan at a time.
func NewTurns(cores int) *Turns {
	n := max(1, cores-1)
	share := max(coresPlanning, float64(cores)-coresSpared)
	return &Turns{free: n, rest: max(0, float64(n)/share-1)}
}

// Commanded says that a command was carried out.
func (t *Turns) Commanded() { t.commands.Add(1) }

// Commands is how many were carried out so far.
func (t *Turns) Commands() uint64 { return t.commands.Load() }

// take waits for a turn.
func (t *Turns) take(ctx context.Context) (planning, error) {
	if t == nil {
		return planning{}, ctx.Err()
	}
	t.mu.Lock()
	if t.free > 0 {
		t.free--
		t.mu.Unlock()
		return t.begin(false), nil
	}
	mine := make(chan struct{}, 1)
	t.waiting = append(t.waiting, mine)
	for _, x := range t.idle {
		x.stop()
	}
	t.mu.Unlock()
	select {
	case <-mine:
	case <-ctx.Done():
		t.mu.Lock()
		at := slices.Index(t.waiting, mine)
		if at >= 0 {
			t.waiting = slices.Delete(t.waiting, at, at+1)
		}
		t.mu.Unlock()
		if at < 0 { // it came in the same moment
			t.next()
		}
		return planning{}, ctx.Err()
	}
	return t.begin(t.crowded()), nil
}

func (t *Turns) begin(crowded bool) planning {
	return planning{turns: t, crowded: crowded, began: time.Now(), commands: t.Commands()}
}

// crowded: somebody waits for a turn.
func (t *Turns) crowded() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.waiting) > 0
}

// done ends a turn.
func (p planning) done() {
	t := p.turns
	switch {
	case t == nil:
	case t.Commands() != p.commands && t.crowded():
		time.AfterFunc(time.Duration(t.rest*float64(time.Since(p.began))), t.next)
	default:
		t.next()
	}
}

// next gives a turn that has ended to who waits longest.
func (t *Turns) next() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.waiting) == 0 {
		t.free++
		return
	}
	t.waiting[0] <- struct{}{}
	t.waiting = slices.Delete(t.waiting, 0, 1)
}

// spare takes a turn if one is free; stop is called when somebody else waits
// for it, and end must be called afterwards.
func (t *Turns) spare(stop func()) (end func(), ok bool) {
	if t == nil {
		return func() {}, true
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.free == 0 {
		return nil, false
	}
	t.free--
	x := &idleTurn{stop}
	t.idle = append(t.idle, x)
	return func() {
		t.mu.Lock()
		t.idle = slices.DeleteFunc(t.idle, func(y *idleTurn) bool { return x == y })
		t.mu.Unlock()
		t.next()
	}, true
}
