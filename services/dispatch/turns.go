package dispatch

import (
	"context"
	"slices"
	"sync"
)

// Turns share the cores of a process among the dispatchers of many sites, so
// that planning leaves room for what people wait for: commands and their
// acknowledgements. Who plans after an event waits for his turn, first come
// first served, and by then plans for all that happened meanwhile. Who looks
// for a better plan takes a turn only while nobody waits for one, and gives it
// back when somebody does. Nil: everybody plans at once.
type Turns struct {
	mu      sync.Mutex
	free    int
	waiting []chan struct{}
	idle    []*idleTurn
}

// idleTurn is that of a search that can be put off.
type idleTurn struct{ stop func() }

// NewTurns lets n plan at a time.
func NewTurns(n int) *Turns { return &Turns{free: max(1, n)} }

// take waits for a turn, which ends with done. crowded: others wait behind.
func (t *Turns) take(ctx context.Context) (crowded bool, err error) {
	if t == nil {
		return false, ctx.Err()
	}
	t.mu.Lock()
	if t.free > 0 {
		t.free--
		t.mu.Unlock()
		return false, nil
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
			t.done()
		}
		return false, ctx.Err()
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.waiting) > 0, nil
}

// done ends a turn.
func (t *Turns) done() {
	if t == nil {
		return
	}
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
		t.done()
	}, true
}
