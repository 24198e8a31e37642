package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"
	"golang.org/x/sync/errgroup"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/queue/log"
	"tickover/services/contacts"
	"tickover/services/ledger"
	"tickover/services/simshop"
	"tickover/testdata"
)

type demoCmd struct {
	logFlags
	Listen   string   `help:"Address of the pages." default:"${listen}"`
	Shop     string   `help:"Another shop file than the demo's." type:"existingfile"`
	Seed     uint64   `help:"Everything random follows from it." default:"1"`
	Speed    float64  `help:"How many times as fast as the wall clock the shop lives." default:"30"`
	Play     []string `help:"Technicians whom you play yourself." placeholder:"PERSON"`
	Headless bool     `help:"Run without pages, as fast as it can."`
	Days     int      `help:"Days to run headless." default:"1"`
	JSON     bool     `help:"Print the headless run's result as one JSON object."`
	Data     string   `help:"Keep the log here instead of in a temporary directory." type:"path"`
}

func (c *demoCmd) Run(ctx context.Context, io streams) error {
	shop, hash, err := c.shop()
	if err != nil {
		return err
	}
	logger, err := c.logger(io)
	if err != nil {
		return err
	}
	dir, done, err := c.dir()
	if err != nil {
		return err
	}
	defer done()
	opts := simshop.Options{Shop: shop, ShopFile: hash, Seed: c.Seed, Days: c.Days, Learn: true}
	return withLog(ctx, log.Options{Dir: logDir(dir)}, logger, io, func(srv *log.Server) error {
		opts.Log = srv
		if c.Headless {
			return c.headless(ctx, io, opts)
		}
		s, err := simshop.New(ctx, opts)
		if err != nil {
			return err
		}
		loc, err := time.LoadLocation(shop.TimeZone)
		if err != nil {
			return err
		}
		fmt.Fprintln(io.err, "The simulated shop works through the days before …")
		if err := s.FastForward(ctx, simshop.DemoMorning(loc)); err != nil {
			return err
		}
		if c.Shop == "" {
			if err := listNewer(ctx, s); err != nil {
				return err
			}
		}
		clock := simshop.NewClock(s.Now(), c.Speed, time.Now)
		return runShop(ctx, shopOptions{
			shop: shop, file: hash, log: srv, snapshots: srv, connect: srv.Connect, now: clock.Now,
			data: dir, listen: c.Listen, logger: logger, ready: announce(io, shop.Name),
			beside: func(ctx context.Context, l *ledger.Ledger, nc *nats.Conn, people *contacts.Book) error {
				g, ctx := errgroup.WithContext(ctx)
				g.Go(func() error { return simshop.Customers(ctx, l, people) })
				g.Go(func() error {
					return s.Drive(ctx, simshop.Live{Clock: clock, Ledger: l, Conn: nc, Played: c.played(), SkipNights: true, Logger: logger})
				})
				return g.Wait()
			},
		})
	})
}

// listNewer lists the demo's newer calibrations, unless they are listed: a
// mandatory one calls machines back.
func listNewer(ctx context.Context, s *simshop.Shop) error {
	file, errs := intake.LoadCalibrations(bytes.NewReader(testdata.Calibrations))
	if errs != nil {
		return fmt.Errorf("%s: %w", testdata.CalibrationsName, errs)
	}
	list := make([]queue.Calibration, len(file.Rows))
	for i := range file.Rows {
		list[i] = file.Rows[i].Calibration
	}
	var refused *queue.Refusal
	if err := s.List(ctx, list); err != nil && !errors.As(err, &refused) {
		return err
	}
	return nil
}

func (c *demoCmd) shop() (*queue.Shop, queue.Hash, error) {
	if c.Shop != "" {
		return readShop(c.Shop)
	}
	return parseShop("larkmoor.yaml", testdata.Larkmoor)
}

func (c *demoCmd) played() []queue.PersonID {
	out := make([]queue.PersonID, len(c.Play))
	for i, p := range c.Play {
		out[i] = queue.PersonID(p)
	}
	return out
}

// dir is where the demo's log lies; done removes a temporary one.
func (c *demoCmd) dir() (string, func(), error) {
	if c.Data != "" {
		return c.Data, func() {}, nil
	}
	dir, err := os.MkdirTemp("", "tickover-demo-")
	if err != nil {
		return "", nil, fmt.Errorf("a place for the demo's log: %w", err)
	}
	return filepath.Clean(dir), func() { _ = os.RemoveAll(dir) }, nil
}

func (c *demoCmd) headless(ctx context.Context, io streams, o simshop.Options) error {
	o.Stopwatch = func() func() time.Duration {
		start := time.Now()
		return func() time.Duration { return time.Since(start) }
	}
	res, err := simshop.Run(ctx, o)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(io.out).Encode(res)
	}
	_, err = fmt.Fprintln(io.out, res)
	return err
}
