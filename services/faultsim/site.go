package faultsim

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/almanac"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/ledger"
	"tickover/services/simshop"
)

// site is a shop with its people; it is what they see of the services.
type site struct {
	s       *sim
	id      queue.SiteID
	shop    *queue.Shop
	almanac *almanac.Almanac
	judge   *judge
	board   *board
	bench   *wall
	crowd   *simshop.Crowd
	phones  []*phone
	cut     time.Time // the shop's line is cut up to then

	pending []*press // in the order of their making
	known   map[queue.CommandID]*press

	sky     queue.Conditions // of skyAt and entry skyOf
	skyAt   time.Time
	skyOf   uint64
	seen    *queue.State // what is to be seen in the shop, until something changes
	shown   *dispatch.Plan
	plans   uint64    // that were put into force
	brought uint64    // the one that is shown
	nextAt  time.Time // when the people move
	moves   uint64
	looking bool
}

var _ simshop.Floor = (*site)(nil)

// touched: what is to be seen has changed.
func (x *site) touched() { x.seen = nil }

// View implements [simshop.Floor]: what is to be seen in the shop, which is the
// log and what was done and is not in it yet.
func (x *site) View() *queue.State {
	if x.seen != nil {
		return x.seen
	}
	var open []*press
	for _, p := range x.pending {
		if !p.settled && x.judge.where[p.cmd.ID] == 0 {
			open = append(open, p)
		}
	}
	x.pending = open
	x.seen = x.judge.view()
	if len(open) == 0 {
		return x.seen
	}
	st := x.seen.Fork()
	type about struct {
		phone *phone
		unit  string
	}
	stopped := map[about]bool{}
	for _, p := range open {
		if k := (about{p.phone, p.about}); p.refused || stopped[k] {
			stopped[k] = true
			continue
		}
		out, err := queue.Decide(st, p.under, p.true)
		if err != nil || out.Duplicate {
			continue
		}
		en := out.Entry(st)
		if _, err := en.Encode(); err == nil {
			_, _ = st.Apply(en)
		}
	}
	x.seen = st
	return st
}

// Almanac implements [simshop.Floor].
func (x *site) Almanac() *almanac.Almanac { return x.almanac }

// conditions are what people see of sky and clock; the sky is looked up once a
// minute.
func (x *site) conditions(st *queue.State, at time.Time) queue.Conditions {
	if minute := at.Truncate(time.Minute); !x.skyAt.Equal(minute) || x.skyOf != st.Seq {
		x.skyAt, x.skyOf = minute, st.Seq
		x.sky = x.almanac.Conditions(st, x.s.now, at)
	}
	c := x.sky
	c.Now = x.s.now
	return c
}

// Try implements [simshop.Floor]: what a page greys out, mostly by what is to be
// seen, and now and then by the state of some replica, which may be behind.
func (x *site) Try(cmd queue.Command) error {
	if x.s.chance(0.7) {
		_, err := queue.Decide(x.View(), x.conditions(x.View(), cmd.At), cmd)
		return err
	}
	n := x.s.rand.IntN(len(x.s.floors))
	for i := range x.s.floors {
		f := x.s.floors[(n+i)%len(x.s.floors)]
		if l := f.ledgers[x]; f.up && l != nil {
			return l.Try(cmd)
		}
	}
	return errUnavailable
}

// Do implements [simshop.Floor]: a press on the person's phone. What the page
// would not offer is refused at once; some send it all the same.
func (x *site) Do(_ context.Context, cmd queue.Command) (ledger.Receipt, error) {
	p := x.phone(cmd.Actor)
	if again := x.known[cmd.ID]; again != nil { // pressed twice
		p.request(again, func(error) {})
		return ledger.Receipt{Duplicate: true}, nil
	}
	st := x.View()
	under := x.conditions(st, st.CountsAt(x.s.now, cmd))
	_, err := queue.Decide(st, under, cmd)
	var refusal *queue.Refusal
	if errors.As(err, &refusal) {
		if x.s.chance(0.5) {
			stray := &press{phone: p, cmd: cmd, true: cmd, settled: true}
			stray.cmd.At = cmd.At.Add(p.skew)
			x.s.pressed(stray)
			p.request(stray, func(error) {})
		}
		return ledger.Receipt{}, err
	}
	p.press(cmd, under)
	return ledger.Receipt{Seq: st.Seq}, nil
}

func (x *site) phone(who queue.PersonID) *phone {
	for _, p := range x.phones {
		if p.who == who {
			return p
		}
	}
	p := &phone{s: x.s, site: x, who: who, pause: pauseMin}
	x.phones = append(x.phones, p)
	return p
}

// planned brings a plan to the pages, and at last the newest: who follows a
// bucket may skip, but never goes back.
func (x *site) planned() {
	x.plans++
	n, p := x.plans, x.board.plan
	x.s.after(x.s.air(), func() {
		if n <= x.brought {
			return
		}
		x.brought, x.shown = n, p
		x.s.fire(x.bench.changed)
		x.crowd.Look(x.s.now)
		x.move()
	})
}

// look lets the people look up a while after something was recorded.
func (x *site) look() {
	if x.looking || x.crowd == nil {
		return
	}
	x.looking = true
	x.s.after(x.s.between(5*time.Second, 40*time.Second), func() {
		x.looking = false
		x.crowd.Look(x.s.now)
		x.move()
	})
}

// move makes the event at which somebody does something next.
func (x *site) move() {
	at := x.crowd.Next()
	if !x.nextAt.IsZero() && !at.Before(x.nextAt) {
		return
	}
	x.nextAt = at
	x.moves++
	mine := x.moves
	x.s.after(at.Sub(x.s.now), func() {
		if x.moves == mine {
			x.nextAt = time.Time{}
			x.crowd.Step(x.s.now)
			x.move()
		}
	})
}

// found lets people look for what was lost, every few minutes.
func (x *site) found() {
	x.s.after(5*time.Minute, func() {
		x.crowd.FindLost(x.s.now)
		x.move()
		x.found()
	})
}

// leader is the epoch of who holds the site's lease.
func (b *board) leader() uint64 {
	x, ok := b.s.buckets.leases["dispatch."+string(b.site.id)]
	if !ok || !b.s.now.Before(x.until) {
		return 0
	}
	var v struct{ Epoch uint64 }
	if err := json.Unmarshal(x.value, &v); err != nil {
		b.s.fail("lease of %s: %v", b.site.id, err)
	}
	return v.Epoch
}

// newSite sets a shop up on the log and brings its people in.
func (s *sim) newSite(id queue.SiteID, shop queue.Shop, hash queue.Hash) *site {
	shop.Site = id
	x := &site{s: s, id: id, shop: &shop, known: map[queue.CommandID]*press{}}
	x.board = &board{s: s, site: x, work: map[dispatch.Station]dispatch.Offer{}, resend: map[dispatch.Station]bool{}}
	x.judge = newJudge(s, x)
	a, err := almanac.New(x.shop)
	if err != nil {
		panic(err)
	}
	x.almanac = a
	s.sites = append(s.sites, x)
	l, err := ledger.Open(ctx, ledger.Options{Site: id, Log: s.log.mem, Now: func() time.Time { return s.now }})
	if err == nil {
		_, err = l.Do(ctx, queue.Command{ID: "setup", At: s.now, Action: &queue.ConfigureShop{Shop: shop, FileHash: hash}})
	}
	if err != nil {
		panic(fmt.Errorf("set up %s: %w", id, err))
	}
	last, _ := s.log.mem.Last(ctx, id)
	s.stored(id, last.Seq)
	return x
}

func (x *site) people(n int) {
	var err error
	x.crowd, err = simshop.NewCrowd(ctx, simshop.Options{
		Shop: x.shop, Seed: x.s.o.Seed*16 + uint64(n), From: x.s.now, Load: x.s.o.Load, Days: 1,
	}, simshop.Around{
		Floor: x, Plan: func() *dispatch.Plan { return x.shown }, Prefix: string(x.id),
		Station: func(id dispatch.Station) *bench.Station {
			if !x.bench.up {
				return nil
			}
			return x.bench.stations[id]
		},
	})
	if err != nil {
		panic(err)
	}
	x.move()
	x.found()
}

var _ log.Log = (*logClient)(nil)
