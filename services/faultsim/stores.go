package faultsim

import (
	"context"
	"fmt"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/services/dispatch"
)

// viewServer is the store of shared views, which may lose everything.
type viewServer struct {
	s   *sim
	mem *view.Mem
	old *view.Mem // as it was dumped some time ago
	up  bool
}

// viewClient is the store as a host sees it.
type viewClient struct{ *viewServer }

var _ view.Store = viewClient{}

// ask is one request; it may be carried out and not answered.
func (c viewClient) ask() error {
	s := c.s
	if !c.up {
		s.park(time.Second)
		return fmt.Errorf("%w: no connection", view.ErrAway)
	}
	s.park(s.wire())
	return nil
}

// answer is the way back.
func (c viewClient) answer(err error) error {
	if c.s.hit(Lost, 0.005) {
		c.s.park(time.Second)
		return fmt.Errorf("%w: no answer", view.ErrAway)
	}
	c.s.park(c.s.wire())
	return err
}

func (c viewClient) Head(_ context.Context, site queue.SiteID) (h view.Head, err error) {
	if err := c.ask(); err != nil {
		return h, err
	}
	h, err = c.mem.Head(ctx, site)
	return h, c.answer(err)
}

func (c viewClient) Heads(context.Context) ([]view.Head, error) {
	if err := c.ask(); err != nil {
		return nil, err
	}
	h, err := c.mem.Heads(ctx)
	return h, c.answer(err)
}

func (c viewClient) Put(_ context.Context, all view.Whole) (bool, error) {
	if err := c.ask(); err != nil {
		return false, err
	}
	ok, err := c.mem.Put(ctx, all)
	if ok {
		c.s.viewed(all.Head.Site)
	}
	return ok, c.answer(err)
}

func (c viewClient) Advance(_ context.Context, ch view.Change) (bool, error) {
	if err := c.ask(); err != nil {
		return false, err
	}
	if c.s.o.Break == ViewsLoseRows && len(ch.Rows) > 0 {
		ch.Rows = ch.Rows[1:]
	}
	ok, err := c.mem.Advance(ctx, ch)
	if ok {
		c.s.viewed(ch.Head.Site)
	}
	return ok, c.answer(err)
}

func (c viewClient) Drop(_ context.Context, site queue.SiteID) error {
	if err := c.ask(); err != nil {
		return err
	}
	c.s.fail("site %s: shared views were dropped as those of another log", site)
	return c.answer(c.mem.Drop(ctx, site))
}

func (c viewClient) Units(_ context.Context, site queue.SiteID) (view.Head, []view.Row, error) {
	if err := c.ask(); err != nil {
		return view.Head{}, nil, err
	}
	return c.mem.Units(ctx, site)
}

func (c viewClient) SaveSnapshot(_ context.Context, sn log.Snapshot) error {
	if err := c.ask(); err != nil {
		return err
	}
	return c.answer(c.mem.SaveSnapshot(ctx, sn))
}

// LoadSnapshot finds some damaged, as the store's checksum would tell.
func (c viewClient) LoadSnapshot(_ context.Context, site queue.SiteID, format int) (*log.Snapshot, []log.Ignored, error) {
	if err := c.ask(); err != nil {
		return nil, nil, err
	}
	sn, ignored, err := c.mem.LoadSnapshot(ctx, site, format)
	if sn != nil {
		sn, ignored = c.s.spoil(sn, ignored)
	}
	return sn, ignored, c.answer(err)
}

// spoil damages a snapshot now and then: the store notices, or the JSON is cut.
func (s *sim) spoil(sn *log.Snapshot, ignored []log.Ignored) (*log.Snapshot, []log.Ignored) {
	switch {
	case s.o.Break == SnapshotsLoseLocks:
		c := *sn
		c.Data = withoutLocks(sn.Data)
		return &c, ignored
	case s.hit(BadSnapshots, 0.1):
		s.count("snapshots that don't match their checksum", 1)
		return nil, append(ignored, log.Ignored{File: "simulated", Why: "its checksum does not match"})
	case s.hit(BadSnapshots, 0.1):
		s.count("snapshots that were cut off", 1)
		c := *sn
		c.Data = sn.Data[:len(sn.Data)/2]
		return &c, ignored
	}
	s.count("starts from a snapshot", 1)
	return sn, ignored
}

// flush empties the store, or brings back what was dumped long ago.
func (v *viewServer) flush() {
	if v.s.hit(ViewLoss, 0.4) && v.old != nil {
		v.s.say("the store of views starts from an old dump")
		v.s.count("store of views from an old dump", 1)
		v.mem = v.old
	} else {
		v.s.say("the store of views is flushed")
		v.s.count("flushes of the store of views", 1)
		v.mem = new(view.Mem)
	}
	v.old = nil
}

// dump remembers what the store has.
func (v *viewServer) dump() {
	v.old = new(view.Mem)
	for _, x := range v.s.sites {
		if h, rows, err := v.mem.Units(ctx, x.id); err == nil {
			_, _ = v.old.Put(ctx, view.Whole{Head: h, Rows: rows})
		}
		if sn, _, _ := v.mem.LoadSnapshot(ctx, x.id, queue.FormatVersion); sn != nil {
			_ = v.old.SaveSnapshot(ctx, *sn)
		}
	}
}

// disk keeps one host's snapshots: the two newest of each site, any of which
// may be the one that is found.
type disk struct {
	s    *sim
	kept map[queue.SiteID][]log.Snapshot
}

func (d *disk) SaveSnapshot(_ context.Context, sn log.Snapshot) error {
	list := append(d.kept[sn.Site], sn)
	d.kept[sn.Site] = list[max(0, len(list)-2):]
	return nil
}

func (d *disk) LoadSnapshot(_ context.Context, site queue.SiteID, _ int) (*log.Snapshot, []log.Ignored, error) {
	list := d.kept[site]
	if len(list) == 0 || d.s.hit(BadSnapshots, 0.1) {
		return nil, nil, nil
	}
	sn := list[len(list)-1]
	if d.s.hit(BadSnapshots, 0.3) {
		sn = list[0]
	}
	out, ignored := d.s.spoil(&sn, nil)
	return out, ignored, nil
}

// buckets are the leases, the plans and the work queues on NATS.
type buckets struct {
	s      *sim
	rev    uint64
	epoch  uint64
	leases map[string]leaseAt
}

type leaseAt struct {
	value []byte
	rev   uint64
	until time.Time
}

// leases are the bucket as a host sees it.
type leases struct {
	*buckets
	h *host
}

var _ dispatch.Leases = leases{}

// call carries f out at the server, unless the request gets lost, and waits
// for the answer, unless that does.
func (s *sim) call(within time.Duration, f func() error) error {
	if !s.log.up || s.hit(Lost, 0.002) {
		s.park(within)
		return context.DeadlineExceeded
	}
	s.park(s.wire())
	if s.hit(Late, 0.01) {
		s.park(s.between(0, 2*within))
	}
	err := f()
	if s.hit(Lost, 0.002) {
		s.park(within)
		return context.DeadlineExceeded
	}
	s.park(s.wire())
	return err
}

func (l leases) at(key string) (leaseAt, bool) {
	x, ok := l.leases[key]
	return x, ok && l.s.now.Before(x.until)
}

func (l leases) put(key string, value []byte, ttl time.Duration) uint64 {
	l.rev++
	l.buckets.leases[key] = leaseAt{value, l.rev, l.s.now.Add(ttl)}
	return l.rev
}

func (l leases) Epoch(context.Context, queue.SiteID, string) (epoch uint64, err error) {
	err = l.s.call(leaseTTL/3, func() error {
		l.buckets.epoch++
		epoch = l.buckets.epoch
		return nil
	})
	return epoch, err
}

func (l leases) Create(_ context.Context, key string, value []byte, ttl time.Duration) (rev uint64, held bool, err error) {
	err = l.s.call(ttl/3, func() error {
		if _, held = l.at(key); !held {
			rev = l.put(key, value, ttl)
		}
		return nil
	})
	return rev, held, err
}

func (l leases) Renew(_ context.Context, key string, value []byte, ttl time.Duration, rev uint64) (out uint64, err error) {
	err = l.s.call(ttl/3, func() error {
		if x, ok := l.at(key); !ok || x.rev != rev {
			return dispatch.ErrReplaced
		}
		out = l.put(key, value, ttl)
		return nil
	})
	return out, err
}

func (l leases) Delete(_ context.Context, key string, rev uint64) error {
	return l.s.call(patience, func() error {
		if x, ok := l.at(key); ok && x.rev == rev {
			delete(l.buckets.leases, key)
		}
		return nil
	})
}

// board is a site's plan and work queues, and what brings them to who reads.
type board struct {
	s    *sim
	site *site
	plan *dispatch.Plan
	rev  uint64
	work map[dispatch.Station]dispatch.Offer
	// resend are benches that ask for their offer again.
	resend map[dispatch.Station]bool
}

var _ dispatch.Board = (*board)(nil)

func (b *board) Offer(_ context.Context, o dispatch.Offer) error {
	return b.s.call(patience, func() error {
		b.work[o.Station] = o // it pushes the one before off the queue
		b.bring(o)
		if b.s.hit(Doubled, 0.02) {
			b.bring(o)
		}
		return nil
	})
}

// bring delivers an offer to the bench.
func (b *board) bring(o dispatch.Offer) {
	d := b.s.wire()
	if b.s.hit(Late, 0.02) {
		d = b.s.between(time.Second, 3*time.Minute)
	}
	b.s.after(d, func() { b.site.bench.take(o) })
}

func (b *board) Plan(context.Context) (p *dispatch.Plan, rev uint64, err error) {
	err = b.s.call(patience, func() error {
		p, rev = b.plan, b.rev
		return nil
	})
	return p, rev, err
}

func (b *board) Prepare(p *dispatch.Plan) (dispatch.Ready, error) {
	return func(_ context.Context, rev uint64) (uint64, error) {
		err := b.s.call(patience, func() error {
			if rev != b.rev && b.s.o.Break != PlansUnfenced {
				return dispatch.ErrReplaced
			}
			b.rev++
			rev = b.rev
			b.s.published(b.site, b.plan, p)
			b.plan = p
			b.site.planned()
			return nil
		})
		return rev, err
	}, nil
}

func (b *board) Leader(context.Context) (epoch uint64, err error) {
	err = b.s.call(patience, func() error {
		epoch = b.leader()
		return nil
	})
	return epoch, err
}
