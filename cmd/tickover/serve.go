package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"strings"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"golang.org/x/sync/errgroup"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/floor"
	"tickover/services/floor/setup"
	"tickover/services/ledger"
)

type serveCmd struct {
	dataFlag
	logFlags
	deploymentFlags
	tlsFlags `prefix:""`
	providerFlags
	Shop    []string `help:"The shop file; one that does not exist yet is made in the browser. With --nats: files of sites that have no shop yet, if any." sep:"none" type:"path" placeholder:"FILE"`
	Listen  string   `help:"Address of the pages." default:"${listen}"`
	Away    []string `help:"Stations whose worker runs elsewhere, with tickover bench." placeholder:"BENCH"`
	Workers string   `help:"Let bench workers of other processes connect here, for example 127.0.0.1:4225." placeholder:"ADDRESS"`
	Token   string   `help:"File with the token that they must know; needed with --workers." type:"existingfile" placeholder:"FILE"`
}

func (c *serveCmd) Run(ctx context.Context, io streams) error {
	logger, err := c.logger(io)
	if err != nil {
		return err
	}
	if c.Nats != "" {
		return c.deployed(ctx, io, logger)
	}
	if err := c.alone(); err != nil {
		return err
	}
	if _, err := os.Stat(c.Shop[0]); errors.Is(err, fs.ErrNotExist) {
		return c.setUp(ctx, io, logger)
	}
	return c.open(ctx, io, logger, nil)
}

// open runs the shop of the file. serve, if set, serves its pages.
func (c *serveCmd) open(ctx context.Context, io streams, logger *zap.Logger, serve func(context.Context, *floor.Floor, func(net.Addr)) error) error {
	shop, hash, err := readShop(c.Shop[0])
	if err != nil {
		return err
	}
	token, err := readToken(c.Token)
	if err != nil {
		return err
	}
	if c.Workers != "" && token == "" {
		return fmt.Errorf("--workers lets other processes in: give --token with a file that holds a secret")
	}
	o := log.Options{Dir: logDir(c.Data), Listen: c.Workers, Token: token}
	e, err := c.expose(c.Data, logger)
	if err != nil {
		return err
	}
	if e.provider, err = c.provider(); err != nil {
		return err
	}
	away := map[dispatch.Station]bool{}
	for _, s := range c.Away {
		away[dispatch.Station(s)] = true
	}
	return withLog(ctx, o, logger, io, func(srv *log.Server) error {
		return runShop(ctx, shopOptions{
			shop: shop, file: hash, log: srv, snapshots: srv, connect: srv.Connect, now: time.Now,
			data: c.Data, listen: c.Listen, away: away, logger: logger, ready: announce(io, shop.Name),
			disk: setup.NewDisk(c.Shop[0]), serve: serve, expose: e, io: io,
		})
	})
}

// withLog opens the log, checked, and closes it properly.
func withLog(ctx context.Context, o log.Options, logger *zap.Logger, io streams, run func(*log.Server) error) error {
	p := newProgress(io.err, "checking the log")
	o.Progress, o.Program, o.Logger = p.set, version(), logger
	srv, err := log.Open(ctx, o)
	p.end()
	if err != nil {
		return explainLog(err)
	}
	if rep := srv.Report(); rep.Unclean {
		logger.Warn("the program was not stopped properly before", zap.Uint64("entries", rep.Entries), zap.String("dropped", rep.Dropped))
	}
	err = run(srv)
	if cerr := srv.Close(); err == nil {
		err = cerr
	}
	return err
}

func announce(io streams, name string) func(net.Addr) {
	return func(a net.Addr) {
		fmt.Fprintf(io.out, "%s: the board is at http://%s/board (stop with Ctrl-C)\n", name, a)
	}
}

func readToken(file string) (string, error) {
	if file == "" {
		return "", nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("token: %w", err)
	}
	token := strings.TrimSpace(string(b))
	if len(token) < 16 {
		return "", fmt.Errorf("token file %s: the token is shorter than 16 characters", file)
	}
	return token, nil
}

type logFlags struct {
	LogLevel string `help:"What to log: debug, info, warn or error." enum:"debug,info,warn,error" default:"warn"`
}

// logger writes JSON lines to standard error.
func (f logFlags) logger(io streams) (*zap.Logger, error) {
	level, err := zapcore.ParseLevel(f.LogLevel)
	if err != nil {
		return nil, err
	}
	enc := zap.NewProductionEncoderConfig()
	enc.EncodeTime = zapcore.RFC3339NanoTimeEncoder
	return zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(enc), zapcore.Lock(zapcore.AddSync(io.err)), level)), nil
}

type benchCmd struct {
	logFlags
	natsFlags
	Bench  string `help:"The station to work for: a bench, pad or loop of the shop file." required:""`
	Site   string `help:"The site." required:""`
	Server string `help:"Where tickover serve --workers listens, for example nats://127.0.0.1:4225." required:""`
	Token  string `help:"File with the token." type:"existingfile"`
}

func (c *benchCmd) Run(ctx context.Context, io streams) error {
	logger, err := c.logger(io)
	if err != nil {
		return err
	}
	token, err := readToken(c.Token)
	if err != nil {
		return err
	}
	opts, err := c.options(c.Site + "_" + c.Bench)
	if err != nil {
		return err
	}
	far, err := log.Dial(ctx, log.DialOptions{URL: c.Server, Token: token, MustExist: true, Program: version(), Logger: logger, Conn: opts})
	if err != nil {
		return explainLog(err)
	}
	defer far.Close()
	l, err := ledger.Open(ctx, ledger.Options{Site: queue.SiteID(c.Site), Log: far, Now: time.Now, Logger: logger})
	if err != nil {
		return explainLog(err)
	}
	shop := l.View().Shop
	if shop == nil {
		return fmt.Errorf("the server at %s knows no site %q; start it first, or correct --site", c.Server, c.Site)
	}
	station := dispatch.Station(c.Bench)
	if err := knownStation(shop, station); err != nil {
		return err
	}
	return runBench(ctx, io, bench.Config{Site: shop.Site, Station: station, Conn: far.Conn(), Ledger: l, Now: time.Now, Logger: logger})
}

func knownStation(shop *queue.Shop, s dispatch.Station) error {
	var names []string
	for _, known := range dispatch.Stations(shop) {
		if known == s {
			return nil
		}
		names = append(names, string(known))
	}
	return fmt.Errorf("the shop has no station %q; it has %s", s, strings.Join(names, ", "))
}

// runBench runs a worker and prints what its screen would show.
func runBench(ctx context.Context, io streams, c bench.Config) error {
	c.Observe = func(a bench.Alert) {
		verb := "!"
		if a.Cleared {
			verb = "over:"
		}
		fmt.Fprintf(io.out, "%s %s\n", verb, a.Text)
	}
	w, err := bench.New(ctx, c)
	if err != nil {
		return err
	}
	fmt.Fprintf(io.out, "bench %s of %s: working (stop with Ctrl-C)\n", c.Station, c.Site)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return c.Ledger.Run(ctx) })
	g.Go(func() error { return w.Run(ctx) })
	g.Go(func() error {
		last := ""
		for {
			changed := w.Changed()
			if now := describeView(w.View()); now != last {
				fmt.Fprintln(io.out, now)
				last = now
			}
			select {
			case <-changed:
			case <-ctx.Done():
				return nil
			}
		}
	})
	return g.Wait()
}
