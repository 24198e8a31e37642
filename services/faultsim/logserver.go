package faultsim

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

// logServer is the log's server: what it has acknowledged is on its disk.
type logServer struct {
	s    *sim
	mem  *logtest.Mem
	up   bool
	gen  int       // counts starts
	busy time.Time // its disk, up to then
	slow bool      // its disk
	sent map[string]time.Time
	wait []*signal // of who follows
}

// windowOfRepeats is how long the server knows a repeat by its id. What comes
// later meets the entry's condition instead.
const windowOfRepeats = 2 * time.Minute

// patience is how long a client waits for the server.
const patience = 5 * time.Second

var errNoAnswer = errors.New("the log does not answer")

// logClient is the log as a host sees it.
type logClient struct {
	*logServer
	h *host
}

var _ log.Log = (*logClient)(nil)

// Append implements [log.Log]. A request may be lost, late or doubled, and so
// may its answer.
func (c *logClient) Append(_ context.Context, en *queue.Entry, expectLast uint64) (uint64, error) {
	if _, err := en.Encode(); err != nil {
		return 0, fmt.Errorf("%w: %w", log.ErrInvalid, err)
	}
	s := c.s
	type answer struct {
		seq uint64
		err error
	}
	var got *answer
	var came signal
	arrive := func() {
		mine := *en
		c.store(&mine, expectLast, func(seq uint64, err error) {
			if s.hit(Lost, 0.01) {
				return
			}
			s.on(c.h, s.wire(), func() {
				if got == nil {
					got = &answer{seq, err}
					s.fire(&came)
				}
			})
		})
	}
	if !s.hit(Lost, 0.01) {
		s.after(s.wire(), arrive)
	}
	if s.hit(Doubled, 0.02) {
		s.after(s.between(0, 3*time.Minute), arrive)
	}
	s.await(&came, patience)
	if got == nil {
		return 0, fmt.Errorf("%w: no answer", log.ErrNotDurable)
	}
	if got.err == nil {
		en.Seq = got.seq
	}
	return got.seq, got.err
}

// store is the server's part: one entry after the other, each synced.
func (v *logServer) store(en *queue.Entry, expectLast uint64, answer func(uint64, error)) {
	s := v.s
	if !v.up {
		return
	}
	took := s.between(2*time.Millisecond, 8*time.Millisecond)
	if v.slow {
		took = s.between(500*time.Millisecond, 9*time.Second)
	}
	began := s.now
	if v.busy.After(began) {
		began = v.busy
	}
	v.busy = began.Add(took)
	gen := v.gen
	s.after(v.busy.Sub(s.now), func() {
		if v.gen != gen {
			return // it crashed before it was written
		}
		key := string(en.Site) + "/" + string(en.Command())
		before, _ := v.mem.Last(ctx, en.Site)
		seq, err := v.mem.Append(ctx, en, expectLast)
		if errors.Is(err, log.ErrRepeated) && s.now.Sub(v.sent[key]) > windowOfRepeats {
			err = log.Conflict(en.Site, expectLast, before.Seq)
		}
		if after, _ := v.mem.Last(ctx, en.Site); after.Seq > before.Seq {
			v.sent[key] = s.now
			s.stored(en.Site, after.Seq)
			for _, w := range v.wait {
				s.fire(w)
			}
		}
		answer(seq, err)
	})
}

// Follow implements [log.Log]: in order, each once, but perhaps late.
func (c *logClient) Follow(_ context.Context, site queue.SiteID, has func() uint64, fn func(*queue.Entry) error) error {
	s, after := c.s, has()
	w := &signal{set: true}
	c.logServer.wait = append(c.logServer.wait, w)
	defer func() {
		for i, x := range c.logServer.wait {
			if x == w {
				c.logServer.wait = append(c.logServer.wait[:i:i], c.logServer.wait[i+1:]...)
				break
			}
		}
	}()
	for {
		s.await(w, -1)
		late := s.wire()
		if s.hit(Late, 0.01) {
			late = s.between(time.Second, 5*time.Minute)
		}
		s.park(late)
		for !c.up {
			s.park(s.between(time.Second, 3*time.Second))
		}
		err := c.mem.Read(ctx, site, after, func(en *queue.Entry) error {
			after = en.Seq
			return fn(en)
		})
		if err != nil {
			return err
		}
	}
}

// ask is one request that reads.
func (c *logClient) ask() error {
	s := c.s
	if !c.up || s.hit(Lost, 0.002) {
		s.park(patience)
		return errNoAnswer
	}
	s.park(2 * s.wire())
	return nil
}

// Read implements [log.Log].
func (c *logClient) Read(_ context.Context, site queue.SiteID, after uint64, fn func(*queue.Entry) error) error {
	if err := c.ask(); err != nil {
		return err
	}
	return c.mem.Read(ctx, site, after, fn)
}

// Last implements [log.Log].
func (c *logClient) Last(_ context.Context, site queue.SiteID) (log.Position, error) {
	if err := c.ask(); err != nil {
		return log.Position{}, err
	}
	return c.mem.Last(ctx, site)
}

// At implements [log.Log].
func (c *logClient) At(_ context.Context, site queue.SiteID, seq uint64) (log.Position, error) {
	if err := c.ask(); err != nil {
		return log.Position{}, err
	}
	return c.mem.At(ctx, site, seq)
}

// Sites implements [log.Log].
func (c *logClient) Sites(context.Context) ([]queue.SiteID, error) { return c.mem.Sites(ctx) }
