package faultsim

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/ledger"
	"tickover/services/mirror"
)

// server is a host that keeps ledgers of sites.
type server struct {
	*host
	s       *sim
	log     *logClient
	disk    *disk // of its own; nil: it starts from the shared snapshots
	ledgers map[*site]*ledger.Ledger
	leads   bool // it dispatches, or may
}

func (s *sim) server(name string, own bool) *server {
	h := &host{name: name}
	v := &server{host: h, s: s, log: &logClient{s.log, h}}
	if own {
		v.disk = &disk{s, map[queue.SiteID][]log.Snapshot{}}
	}
	s.servers = append(s.servers, v)
	return v
}

// boot starts the process.
func (v *server) boot() {
	v.gen++
	v.up, v.until = true, time.Time{}
	v.ledgers = map[*site]*ledger.Ledger{}
}

// open opens a site's ledger, keeps it up to date, and saves snapshots; woken
// is fired at each change. It waits as long as the log does not answer.
func (v *server) open(x *site, woken *signal) *ledger.Ledger {
	s := v.s
	o := ledger.Options{Site: x.id, Log: v.log, Now: func() time.Time { return s.clock(v.host) }, Snapshots: view.Snapshots(viewClient{s.views}, v.log)}
	if v.disk != nil {
		o.Snapshots = v.disk
	}
	var l *ledger.Ledger
	for {
		var err error
		if l, err = ledger.Open(ctx, o); err == nil {
			break
		}
		if !errors.Is(err, errNoAnswer) {
			s.fail("%s opens site %s: %v", v.name, x.id, err)
		}
		s.park(time.Second)
	}
	v.ledgers[x] = l
	x.judge.opened(v, l)
	l.Observe(func(en *queue.Entry) {
		x.judge.folded(v, en)
		if woken != nil {
			s.fire(woken)
		}
	})
	s.spawn(v.host, func() {
		for {
			err := l.Follow(ctx)
			s.fail("%s follows site %s: %v", v.name, x.id, err)
			s.park(time.Minute)
		}
	})
	if v.disk != nil {
		s.spawn(v.host, func() {
			for {
				s.park(s.between(20*time.Minute, 3*time.Hour))
				l.Snapshot(ctx)
			}
		})
	}
	return l
}

// floor is a replica of pages and API.
type floor struct {
	*server
	lines map[*site]*line
}

// line is who waits for a ledger, in order; one command at a time, as
// ledger.Ledger has it.
type line struct {
	busy bool
	wait []*signal
}

func (f *floor) start() {
	f.boot()
	f.lines = map[*site]*line{}
	for _, x := range f.s.sites {
		f.lines[x] = &line{}
		f.s.spawn(f.host, func() { f.open(x, nil) })
	}
}

var errUnavailable = errors.New("503 try again")

// handle carries a press out that arrived; a host that is down answers nothing.
func (f *floor) handle(x *press, try int, answer func(error)) {
	s := f.s
	if !f.up {
		s.after(s.air(), func() { answer(errUnavailable) }) // the balancer does
		return
	}
	s.spawn(f.host, func() {
		l := f.ledgers[x.phone.site]
		if l == nil {
			answer(errUnavailable)
			return
		}
		cmd := x.cmd
		switch s.o.Break {
		case RepeatsCount:
			cmd.ID = queue.CommandID(fmt.Sprintf("%s#%d", cmd.ID, try))
		case AcksEarly:
			answer(nil)
			answer = func(error) {}
			s.park(s.between(0, 2*time.Second))
		}
		q := f.lines[x.phone.site]
		if q.busy {
			mine := &signal{}
			q.wait = append(q.wait, mine)
			s.await(mine, -1)
		}
		q.busy = true
		_, err := l.Do(ctx, cmd)
		if len(q.wait) > 0 {
			s.fire(q.wait[0])
			q.wait = q.wait[1:]
		} else {
			q.busy = false
		}
		var refusal *queue.Refusal
		if err != nil && !errors.As(err, &refusal) {
			s.count("commands answered with 503", 1)
			err = errUnavailable
		}
		if refusal != nil {
			x.phone.site.judge.refused(x)
		}
		answer(err)
	})
}

// dispatcher is one of the processes that share the sites.
type dispatcher struct {
	*server
	changed map[*site]*signal
	mirrors map[*site]*signal
	epochs  map[*site]uint64 // that it believes to lead with
}

// leaseTTL and think are longer than a service's, so that a day has fewer
// events; the code is the same.
const (
	leaseTTL = 90 * time.Second
	think    = 20 * time.Second // what belongs together is planned once
)

func (d *dispatcher) start() {
	d.boot()
	d.changed, d.mirrors, d.epochs = map[*site]*signal{}, map[*site]*signal{}, map[*site]uint64{}
	for _, x := range d.s.sites {
		d.changed[x], d.mirrors[x] = &signal{}, &signal{}
		d.s.spawn(d.host, func() {
			l := d.open(x, d.changed[x])
			l.Observe(func(*queue.Entry) { d.s.fire(d.mirrors[x]) })
			d.s.spawn(d.host, func() { d.mirror(x, l) })
			d.lead(x, l)
		})
	}
}

// mirror is the loop of mirror.Run.
func (d *dispatcher) mirror(x *site, l *ledger.Ledger) {
	m := mirror.New(mirror.Options{Site: x.id, Ledger: l, Log: d.log, Store: viewClient{d.s.views}, SnapshotEvery: 40})
	for {
		wait, again := m.Step(ctx)
		d.s.park(wait)
		if again {
			continue
		}
		if !d.s.await(d.mirrors[x], time.Minute) {
			m.LookAgain()
		}
	}
}

// lead is the loop of dispatch.Dispatcher.Run.
func (d *dispatcher) lead(x *site, l *ledger.Ledger) {
	s := d.s
	at := leases{s.buckets, d.host}
	// Its own clock must not count: a service's runs on, whatever the wall's.
	clock := func() time.Time { return s.now }
	for {
		lease, err := dispatch.TryLease(ctx, at, clock, x.id, d.name, leaseTTL)
		if err != nil || lease == nil {
			s.park(s.between(leaseTTL/6, leaseTTL/3))
			continue
		}
		s.say("%s dispatches %s, epoch %d", d.name, x.id, lease.Epoch())
		s.count("terms of dispatchers", 1)
		d.epochs[x] = lease.Epoch()
		lost := false
		s.spawn(d.host, func() {
			for d.epochs[x] == lease.Epoch() {
				s.park(lease.Every())
				if d.epochs[x] != lease.Epoch() {
					return
				}
				if err := lease.Keep(ctx); err != nil {
					lost = true
					s.fire(d.changed[x])
					return
				}
			}
		})
		err = d.term(x, l, lease.Epoch(), &lost)
		s.say("%s dispatches %s no more: %v", d.name, x.id, err)
		d.epochs[x] = 0
		if !lost {
			_ = lease.Release(ctx)
		}
		s.park(s.between(500*time.Millisecond, 2*time.Second))
	}
}

var errLost = errors.New("lease lost")

func (d *dispatcher) term(x *site, l *ledger.Ledger, epoch uint64, lost *bool) error {
	s := d.s
	t := dispatch.NewTerm(dispatch.TermConfig{
		Site: x.id, Epoch: epoch, Ledger: l, Now: func() time.Time { return s.clock(d.host) }, Board: x.board,
		Core: dispatch.Options{ComputeOptions: dispatch.ComputeOptions{
			Schedules: 1, Seed: s.o.Seed, Threads: 1, Check: true, Conflicts: -1,
		}},
		Observe: func(r dispatch.Report) { x.judge.planned(d.name, r) },
	})
	if err := t.Begin(ctx); err != nil {
		return err
	}
	for !*lost {
		changed := s.await(d.changed[x], s.between(30*time.Second, time.Minute))
		if *lost {
			break
		}
		var err error
		switch again := x.board.asked(); {
		case len(again) > 0:
			for _, station := range again {
				err = errors.Join(err, t.Resend(ctx, station))
			}
			if changed {
				s.fire(d.changed[x])
			}
		case changed:
			s.park(think)
			d.changed[x].set = false
			err = t.Look(ctx)
		case t.Due():
			err = t.Look(ctx)
		}
		if err != nil {
			return err
		}
	}
	return errLost
}

// wall is the benches of a site: a process with the station at each of them.
type wall struct {
	*server
	site     *site
	stations map[dispatch.Station]*bench.Station
	order    []dispatch.Station
	epochs   map[dispatch.Station]uint64 // highest that was shown
	changed  *signal
}

func (w *wall) start() {
	w.boot()
	w.changed = &signal{}
	w.stations = map[dispatch.Station]*bench.Station{}
	w.epochs = map[dispatch.Station]uint64{}
	w.s.spawn(w.host, func() {
		l := w.open(w.site, w.changed)
		for _, id := range w.order {
			w.stations[id] = bench.NewStation(id)
		}
		w.update(l)
		for _, id := range w.order { // what lies on the queues, and what was lost
			if o, ok := w.site.board.work[id]; ok {
				w.site.board.bring(o)
			}
			w.site.board.ask(id)
		}
		for {
			if w.s.await(w.changed, 30*time.Second) {
				w.update(l)
			}
			w.tick()
			if w.site.board.leader() == 0 && w.s.log.up {
				for _, id := range w.order {
					w.stations[id].Fallback(w.s.clock(w.host), l.Try)
				}
			}
		}
	})
}

func (w *wall) update(l *ledger.Ledger) {
	for _, id := range w.order {
		w.stations[id].Update(l.View(), l.Almanac())
		w.stations[id].Plan(w.site.board.plan)
	}
}

// tick raises alarms; the people hear them, if the network lets them.
func (w *wall) tick() {
	var news []bench.Alert
	for _, id := range w.order {
		news = append(news, w.stations[id].Tick(w.s.clock(w.host))...)
	}
	if len(news) == 0 {
		return
	}
	w.s.count("calls and alarms", len(news))
	if !w.s.hit(Lost, 0.05) {
		w.s.after(w.s.air(), func() { w.site.crowd.Hear(w.s.now, news); w.site.move() })
	}
}

// take shows an offer, as bench.Worker does.
func (w *wall) take(o dispatch.Offer) {
	s := w.s
	if !w.up || w.stations[o.Station] == nil {
		return // it stays on the queue
	}
	s.spawn(w.host, func() {
		st := w.stations[o.Station]
		if s.o.Break == OffersUnfenced {
			st.Trust(o.Epoch)
		}
		verdict := st.Offer(o)
		if verdict == bench.Stale {
			if epoch, err := w.site.board.Leader(ctx); err != nil || epoch != o.Epoch {
				s.count("offers of replaced dispatchers left out", 1)
				w.site.board.ask(o.Station)
				return
			}
			st.Trust(o.Epoch)
			verdict = st.Offer(o)
		}
		if verdict != bench.Shown {
			return
		}
		if o.Epoch < w.epochs[o.Station] {
			s.fail("site %s: %s shows an offer of epoch %d after one of epoch %d", w.site.id, o.Station, o.Epoch, w.epochs[o.Station])
		}
		w.epochs[o.Station] = o.Epoch
	})
}

// asked are the stations that want their offer again.
func (b *board) asked() []dispatch.Station {
	var out []dispatch.Station
	for id := range b.resend {
		out = append(out, id)
	}
	slices.Sort(out)
	b.resend = map[dispatch.Station]bool{}
	return out
}

// ask asks the dispatcher for a station's offer again.
func (b *board) ask(id dispatch.Station) {
	if b.s.hit(Lost, 0.05) {
		return
	}
	b.resend[id] = true
	for _, d := range b.s.dispatchers {
		if d.up && d.epochs[b.site] != 0 {
			b.s.fire(d.changed[b.site])
		}
	}
}
