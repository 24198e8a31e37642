package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"runtime"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"tickover/metrics"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/access"
	"tickover/services/bench"
	"tickover/services/contacts"
	"tickover/services/dispatch"
	"tickover/services/experience"
	"tickover/services/feed"
	"tickover/services/floor"
	"tickover/services/floor/setup"
	"tickover/services/ledger"
	"tickover/services/meter"
	"tickover/services/node"
	"tickover/services/photos"
	"tickover/services/promise"
)

// shopOptions say what one process of a shop runs.
type shopOptions struct {
	shop      *queue.Shop
	file      queue.Hash
	log       log.Log
	snapshots ledger.Snapshots // nil: none
	connect   func(...nats.Option) (*nats.Conn, error)
	now       func() time.Time
	listen    string
	// stations that have their worker elsewhere.
	away   map[dispatch.Station]bool
	logger *zap.Logger
	data   string // the data directory
	// disk is the shop file, which the browser may change; nil: none.
	disk *setup.Disk
	// serve serves the pages; nil: on listen.
	serve func(context.Context, *floor.Floor, func(net.Addr)) error
	// ready is called with the pages' address.
	ready func(net.Addr)
	// expose lets other machines reach the pages and people sign in; nil: this
	// machine only, and nobody does.
	expose *exposure
	io     streams
	// beside runs with the shop: the simulated people of the demo.
	beside func(context.Context, *ledger.Ledger, *nats.Conn, *contacts.Book) error
}

// openLedger folds the log and puts the shop file into effect if it is new.
func openLedger(ctx context.Context, o shopOptions) (*ledger.Ledger, error) {
	l, err := ledger.Open(ctx, ledger.Options{Site: o.shop.Site, Log: o.log, Now: o.now, Snapshots: o.snapshots, Logger: o.logger})
	if err != nil {
		return nil, explainLog(err)
	}
	if err := node.Configure(ctx, l, node.ShopFile{Shop: o.shop, Hash: o.file}, o.now()); err != nil {
		return nil, err
	}
	return l, nil
}

// runShop runs all roles of a shop in this process until ctx ends.
func runShop(ctx context.Context, o shopOptions) error {
	l, err := openLedger(ctx, o)
	if err != nil {
		return err
	}
	nc, err := o.connect(nats.Name("tickover " + string(o.shop.Site)))
	if err != nil {
		return fmt.Errorf("connect to the log's server: %w", err)
	}
	defer nc.Close()

	reg := metrics.NewRegistry()
	metrics.RegisterBuild(reg, version(), "")
	collectors := metrics.New(reg, meter.Words())
	m := meter.New(collectors)
	m.Attach(l)
	l.ObserveRefusals(func(r *queue.Refusal) { m.Refused(r) })

	lengths := experience.New(o.log, o.shop.Site)
	promises := promise.NewLearner(promise.LearnerOptions{Log: o.log, Site: o.shop.Site})
	d, err := dispatch.New(ctx, dispatch.Config{
		Site: o.shop.Site, Conn: nc, Ledger: l, Now: o.now, Logger: o.logger,
		Core:    dispatch.Options{ComputeOptions: dispatch.ComputeOptions{Check: true, Threads: runtime.NumCPU()}, Learnt: lengths.Lengths, Stopwatch: time.Now},
		Observe: func(r dispatch.Report) { observePlan(m, r) },
	})
	if err != nil {
		return fmt.Errorf("dispatcher: %w", err)
	}
	people, err := contacts.Open(ctx, nc, o.shop.Site, 0, o.now)
	if err != nil {
		return err
	}
	plans, alerts := &feed.Plans{}, &feed.Alerts{}
	kept, err := photos.Open(photoDir(o.data))
	if err != nil {
		return err
	}
	var backup func(context.Context, io.Writer) error
	if srv, ok := o.log.(*log.Server); ok {
		backup = handOut(srv, nc)
	}
	var desk *access.Desk
	var secret string
	fo := floor.Options{}
	if o.expose != nil {
		store, err := access.OpenJetStream(ctx, nc, o.shop.Site, 0, o.now)
		if err != nil {
			return err
		}
		if desk, err = access.New(access.Options{Store: store, Now: o.now, Random: rand.Reader, Logger: o.logger}); err != nil {
			return err
		}
		if secret, err = newSecret(); err != nil {
			return err
		}
		fo.Access, fo.FirstAccount, fo.Hosts, fo.Provider = desk, secret, o.expose.hosts, o.expose.provider
		if o.expose.authority != nil {
			fo.Authority = o.expose.authority
		}
		fo.HSTS = o.expose.tls != nil && o.expose.authority == nil
		closed, err := desk.Closed(ctx)
		if err != nil {
			return err
		}
		o.ready = announceShop(o.io, o.shop.Name, o.expose, secret, !closed)
	}
	pages, err := floor.New(floor.Options{
		Access: fo.Access, Provider: fo.Provider, Ready: logAnswers(o.log, o.shop.Site), FirstAccount: fo.FirstAccount, Hosts: fo.Hosts, Authority: fo.Authority, HSTS: fo.HSTS,
		Photos: kept, Contacts: people, ShopFile: o.disk, Lengths: lengths, Promises: promises, Backup: backup,
		Ledger: l, Log: o.log, Site: o.shop.Site, Plans: plans, Alerts: alerts, Now: o.now, Logger: o.logger,
		Metrics: metrics.Handler(reg, func() {
			m.Sample(l.View(), o.now())
			sampleDisk(collectors, o.data)
		}),
	})
	if err != nil {
		return err
	}
	crew := &node.Crew{Config: bench.Config{Site: o.shop.Site, Conn: nc, Ledger: l, Now: o.now, Logger: o.logger}, Away: o.away}
	workers, err := crew.Join(ctx)
	if err != nil {
		return err
	}
	g, ctx := errgroup.WithContext(ctx)
	if o.expose != nil {
		g.Go(func() error { return watchdog(ctx, logAnswers(o.log, o.shop.Site), o.logger) })
		context.AfterFunc(ctx, func() { notify("STOPPING=1") })
		tell := o.ready
		o.ready = func(a net.Addr) { tell(a); notify("READY=1") }
	}
	g.Go(func() error { return l.Run(ctx) })
	g.Go(func() error { return d.Run(ctx) })
	for _, w := range workers {
		g.Go(func() error { return w.Run(ctx) })
	}
	g.Go(func() error { return crew.Follow(ctx, g) })
	g.Go(func() error { return people.Run(ctx) })
	g.Go(func() error {
		if err := pages.Warm(ctx); err != nil && ctx.Err() == nil {
			o.logger.Warn("the log is not read ahead: the first look back will wait", zap.Error(err))
		}
		return nil
	})
	g.Go(func() error { return lengths.Run(ctx, o.now, o.logger) })
	g.Go(func() error { return promises.Run(ctx, o.logger) })
	g.Go(func() error { return plans.Run(ctx, nc, o.shop.Site) })
	g.Go(func() error { return alerts.Run(ctx, nc, o.shop.Site) })
	serve := o.serve
	if serve == nil {
		serve = func(ctx context.Context, f *floor.Floor, ready func(net.Addr)) error {
			if o.expose == nil {
				return floor.Serve(ctx, o.listen, f, o.logger, ready)
			}
			l, err := o.expose.listen(ctx, o.listen, desk)
			if err != nil {
				return err
			}
			ready(l.Addr())
			return o.expose.serve(ctx, l, f, o.logger)
		}
	}
	g.Go(func() error { return serve(ctx, pages, o.ready) })
	if o.beside != nil {
		g.Go(func() error { return o.beside(ctx, l, nc, people) })
	}
	err = g.Wait()
	if errors.Is(err, context.Canceled) || errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// observePlan feeds the metrics with what the dispatcher did.
func observePlan(m *meter.Meter, r dispatch.Report) {
	for _, v := range r.Violations {
		m.Violated(v.Constraint.String())
	}
	switch {
	case r.Err != nil:
		m.PlanFailed(metrics.PlanFailed, r.Took)
	case r.Plan == nil: // no shop file yet
	case r.Reason != "" || r.Improved:
		m.Planned(r.Plan)
	default:
		m.PlanFailed(metrics.PlanUnchanged, r.Took)
	}
}

// logAnswers asks the log, as every command does.
func logAnswers(l log.Log, site queue.SiteID) func(context.Context) error {
	return func(ctx context.Context) error {
		ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
		defer cancel()
		_, err := l.Last(ctx, site)
		return err
	}
}
