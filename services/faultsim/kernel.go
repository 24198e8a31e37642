package faultsim

import (
	"context"
	"errors"
	"iter"
	"time"

	"tickover/services/simshop/agenda"
)

// event is something that is going to happen.
type event struct {
	h   *host // whose it is; nil: nobody's, it happens whatever crashes
	gen int   // of the host
	do  func()
}

// kernel is the clock, the agenda and the coroutines.
type kernel struct {
	now    time.Time
	agenda agenda.Agenda[event]
	fired  uint64
	cur    *task
}

// host is a process on a machine of its own.
type host struct {
	name  string
	up    bool
	gen   int           // counts starts
	until time.Time     // paused up to then
	skew  time.Duration // how far its clock is ahead
	tasks []*task
}

// after makes an event that nothing can stop.
func (k *kernel) after(d time.Duration, do func()) { k.on(nil, d, do) }

// on makes an event of a host: it does not happen if the host crashes before,
// and later if the host is paused.
func (k *kernel) on(h *host, d time.Duration, do func()) {
	e := event{h: h, do: do}
	if h != nil {
		e.gen = h.gen
	}
	k.agenda.Add(k.now.Add(max(0, d)), e)
}

// next takes the next event off the agenda that is to happen, and moves the
// clock; false when there is none before until.
func (k *kernel) next(until time.Time) (func(), bool) {
	for {
		x, ok := k.agenda.Before(until)
		if !ok {
			break
		}
		e := x.What
		k.now = x.At
		if h := e.h; h != nil {
			if h.gen != e.gen || !h.up {
				continue
			}
			if k.now.Before(h.until) {
				k.agenda.PutOff(x, h.until)
				continue
			}
		}
		k.fired++
		return e.do, true
	}
	k.now = until
	return nil, false
}

// clock is what the host's clock shows.
func (k *kernel) clock(h *host) time.Time { return k.now.Add(h.skew) }

// task is code of a host that waits in between.
type task struct {
	h      *host
	resume func() (struct{}, bool)
	stop   func()
	yield  func(struct{}) bool
	waits  uint64
	done   bool
}

// errKilled unwinds the code of a process that has crashed.
var errKilled = errors.New("crashed")

// spawn begins f on a host.
func (k *kernel) spawn(h *host, f func()) {
	t := &task{h: h}
	t.resume, t.stop = iter.Pull(func(yield func(struct{}) bool) {
		t.yield = yield
		defer func() {
			t.done = true
			if r := recover(); r != nil && r != any(errKilled) {
				panic(r)
			}
		}()
		f()
	})
	if len(h.tasks) > 64 {
		live := h.tasks[:0]
		for _, x := range h.tasks {
			if !x.done {
				live = append(live, x)
			}
		}
		h.tasks = live
	}
	h.tasks = append(h.tasks, t)
	k.on(h, 0, func() { k.run(t) })
}

func (k *kernel) run(t *task) {
	if t.done {
		return
	}
	was := k.cur
	k.cur = t
	t.resume()
	k.cur = was
}

// park lets the task wait: for d, or, if that is negative, until it is woken.
func (k *kernel) park(d time.Duration) {
	t := k.cur
	if t == nil {
		panic("faultsim: a wait outside of a task")
	}
	t.waits++
	w := t.waits
	if d >= 0 {
		k.on(t.h, d, func() {
			if t.waits == w {
				k.run(t)
			}
		})
	}
	if !t.yield(struct{}{}) {
		panic(errKilled)
	}
}

// signal is what one task waits for; it stays until it was waited for.
type signal struct {
	set bool
	t   *task
}

// fire sets the signal.
func (k *kernel) fire(s *signal) {
	s.set = true
	if s.t == nil {
		return
	}
	t, w := s.t, s.t.waits
	k.on(t.h, 0, func() {
		if t.waits == w {
			k.run(t)
		}
	})
}

// await waits for the signal, at most for d; it reports whether it was set.
func (k *kernel) await(s *signal, d time.Duration) bool {
	if !s.set {
		s.t = k.cur
		k.park(d)
		s.t = nil
	}
	was := s.set
	s.set = false
	return was
}

// crash ends all that a host does; what it knew is gone.
func (k *kernel) crash(h *host) {
	h.up = false
	h.gen++
	tasks := h.tasks
	h.tasks = nil
	for _, t := range tasks {
		if !t.done {
			t.stop()
		}
	}
}

// ctx is that of all calls: nobody cancels them, they time out by the
// simulation's own clock.
var ctx = context.Background()
