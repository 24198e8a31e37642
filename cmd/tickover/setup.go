package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"tickover/services/floor"
	"tickover/services/floor/setup"
)

// setUp serves the setup of a shop whose file does not exist yet, and once it
// is written the shop, in one process and on one address.
func (c *serveCmd) setUp(ctx context.Context, io streams, logger *zap.Logger) error {
	dir := filepath.Dir(c.Shop[0])
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return fmt.Errorf("shop file %s: there is no folder %s; make it, or correct --shop", c.Shop[0], dir)
	}
	if c.TLSCert != "" || c.LanTLS {
		return fmt.Errorf("shop file %s does not exist yet: set the shop up on this machine first, without --tls-cert and --lan-tls", c.Shop)
	}
	l, err := floor.Listen(ctx, c.Listen, floor.Exposure{})
	if err != nil {
		return err
	}
	written := make(chan struct{})
	first, err := floor.NewSetup(floor.Options{ShopFile: setup.NewDisk(c.Shop[0]), Now: time.Now, Logger: logger}, func() { close(written) })
	if err != nil {
		return err
	}
	fmt.Fprintf(io.out, "%s does not exist yet: set the shop up at http://%s/setup (stop with Ctrl-C)\n", c.Shop[0], l.Addr())

	notify("READY=1")
	serving, stop := context.WithCancel(ctx)
	defer stop()
	stopped := make(chan struct{})
	s := &stage{}
	s.show(first, nil)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer close(stopped)
		return floor.ServeOn(serving, l, s, logger, s.close)
	})
	g.Go(func() error {
		defer stop() // the address ends with the shop
		select {
		case <-written:
		case <-ctx.Done():
			return nil
		}
		return c.open(ctx, io, logger, func(ctx context.Context, f *floor.Floor, ready func(net.Addr)) error {
			s.show(f, f.Close)
			if ready != nil {
				ready(l.Addr())
			}
			<-ctx.Done()
			stop()
			<-stopped // what is under way ends before the log is closed
			return nil
		})
	})
	return g.Wait()
}

// stage serves one handler after another.
type stage struct{ now atomic.Pointer[scene] }

type scene struct {
	http.Handler
	close func()
}

func (s *stage) show(h http.Handler, close func()) { s.now.Store(&scene{h, close}) }

func (s *stage) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.now.Load().ServeHTTP(w, r) }

func (s *stage) close() {
	if c := s.now.Load().close; c != nil {
		c()
	}
}
