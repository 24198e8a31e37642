package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/redis/go-redis/v9"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"tickover/metrics"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/queue/view/redisview"
	"tickover/services/access"
	"tickover/services/access/redisaccess"
	"tickover/services/bench"
	"tickover/services/contacts"
	"tickover/services/dispatch"
	"tickover/services/feed"
	"tickover/services/floor"
	"tickover/services/group"
	"tickover/services/meter"
	"tickover/services/node"
	"tickover/services/photos"
)

// natsFlags say how a process shows NATS servers who it is.
type natsFlags struct {
	NatsKey     string `help:"File with the key of this process's role (tickover keys makes them)." type:"existingfile" placeholder:"FILE"`
	NatsCA      string `help:"File with the certificate of the authority that signed the servers'." type:"existingfile" placeholder:"FILE"`
	NatsCert    string `help:"File with this process's certificate." type:"existingfile" placeholder:"FILE"`
	NatsCertKey string `help:"File with that certificate's key." type:"existingfile" placeholder:"FILE"`
}

// options are those of a connection; who names its inbox.
func (f natsFlags) options(who string) ([]nats.Option, error) {
	var opts []nats.Option
	if f.NatsKey != "" {
		key, err := nats.NkeyOptionFromSeed(f.NatsKey)
		if err != nil {
			return nil, fmt.Errorf("key file %s: %w", f.NatsKey, err)
		}
		// With a key come rights, and those name the inbox.
		opts = append(opts, key, nats.CustomInboxPrefix("_INBOX_"+who))
	}
	if f.NatsCA != "" {
		opts = append(opts, nats.RootCAs(f.NatsCA))
	}
	if (f.NatsCert == "") != (f.NatsCertKey == "") {
		return nil, errors.New("--nats-cert and --nats-cert-key go together")
	}
	if f.NatsCert != "" {
		opts = append(opts, nats.ClientCert(f.NatsCert, f.NatsCertKey))
	}
	return opts, nil
}

// dial reaches the log of a running deployment as a role.
func (f natsFlags) dial(ctx context.Context, url, who string, logger *zap.Logger) (*log.JetStream, error) {
	opts, err := f.options(who)
	if err != nil {
		return nil, err
	}
	l, err := log.Dial(ctx, log.DialOptions{URL: url, MustExist: true, Program: version(), Conn: opts, Logger: logger})
	if err != nil {
		return nil, explainLog(err)
	}
	return l, nil
}

// deploymentFlags are those of a process that is one of several.
type deploymentFlags struct {
	natsFlags
	Nats     string        `help:"Servers that keep the log, nats://HOST:PORT[,…]; without, the log is in this process." placeholder:"URL"`
	Role     []string      `help:"What this process does of a deployment: floor, dispatch, bench or all." default:"all" placeholder:"ROLE"`
	Site     []string      `help:"Sites that it serves; without, all that the log has." placeholder:"SITE"`
	Redis    string        `help:"Redis with what the processes share, redis://HOST:PORT/0." placeholder:"URL"`
	Replicas int           `help:"On how many of the servers everything is kept." default:"3"`
	Domain   string        `help:"Name under which the sites' pages are: site larkmoor is at larkmoor.DOMAIN." default:"localhost"`
	Lease    time.Duration `help:"How long a dispatcher that died blocks the next." default:"2s"`
	Probe    string        `help:"Address of /healthz, /readyz and /metrics, for example 127.0.0.1:8426." placeholder:"ADDRESS"`
}

// alone refuses what means something for a deployment only.
func (c *serveCmd) alone() error {
	switch {
	case len(c.Shop) != 1:
		return errors.New("give one shop file with --shop, or the servers of a deployment with --nats")
	case len(c.Site) > 0 || c.Redis != "" || len(c.Role) != 1 || c.Role[0] != "all":
		return errors.New("--site, --role and --redis are for a deployment of several processes: give its servers with --nats")
	}
	return nil
}

func (c *serveCmd) roles() (roles node.Roles, err error) {
	for _, s := range c.Role {
		r, err := node.ParseRole(s)
		if err != nil {
			return 0, err
		}
		roles |= r
	}
	return roles, nil
}

// deployed runs this process's part of a deployment.
func (c *serveCmd) deployed(ctx context.Context, io streams, logger *zap.Logger) error {
	roles, err := c.roles()
	if err != nil {
		return err
	}
	if c.Workers != "" || c.Token != "" || len(c.Away) > 0 {
		return errors.New("--workers, --token and --away are for a log in this process; leave them out with --nats")
	}
	o := node.Options{Roles: roles, Replicas: c.Replicas, Now: time.Now, Logger: logger, Lease: c.Lease}
	if roles&node.Dispatch == 0 {
		o.Replicas = 0 // what is shared is made by dispatchers
	}
	for _, s := range c.Site {
		o.Sites = append(o.Sites, queue.SiteID(s))
	}
	for _, file := range c.Shop {
		shop, hash, err := readShop(file)
		if err != nil {
			return err
		}
		o.Shops = append(o.Shops, node.ShopFile{Shop: shop, Hash: hash})
	}
	opts, err := c.options(roles.Name())
	if err != nil {
		return err
	}
	far, err := dialPatiently(ctx, log.DialOptions{
		URL: c.Nats, Replicas: max(1, o.Replicas), MustExist: roles&node.Dispatch == 0, Program: version(), Logger: logger,
		Conn: append(opts, nats.Name("tickover "+roles.Name()), nats.ReconnectWait(100*time.Millisecond)),
	}, logger)
	if err != nil {
		return explainLog(err)
	}
	defer far.Close()
	o.Log, o.Conn = far, far.Conn()
	var shared *redis.Client
	if c.Redis != "" {
		if shared, err = redisview.Dial(c.Redis, logger); err != nil {
			return err
		}
		defer shared.Close()
		o.Views = redisview.New(shared)
	} else if roles == node.All {
		o.Views = &view.Mem{}
	}
	reg := metrics.NewRegistry()
	metrics.RegisterBuild(reg, version(), "")
	o.Registry = reg
	o.Meter = func(r prometheus.Registerer) *meter.Meter { return meter.New(metrics.New(r, meter.Words())) }
	o.Observe = func(_ queue.SiteID, m *meter.Meter, r dispatch.Report) { observePlan(m, r) }
	e, err := c.expose(c.Data, logger)
	if err != nil {
		return err
	}
	if e.provider, err = c.provider(); err != nil {
		return err
	}
	o.Pages = c.pages(o, shared, e, logger)
	o.Provision = func(ctx context.Context) error { return provision(ctx, o.Conn, o.Replicas) }
	n, err := node.New(o)
	if err != nil {
		return err
	}
	return c.serveNode(ctx, io, logger, n, roles, reg, e)
}

// serveNode runs a node with its pages and its probe.
func (c *serveCmd) serveNode(ctx context.Context, io streams, logger *zap.Logger, n *node.Node, roles node.Roles, reg *prometheus.Registry, e *exposure) error {
	g, gctx := errgroup.WithContext(ctx)
	begun := make(chan struct{})
	g.Go(func() error { return n.Run(gctx, func() { close(begun) }) })
	if c.Probe != "" {
		l, err := floor.Listen(ctx, c.Probe, floor.Exposure{})
		if err != nil {
			return err
		}
		fmt.Fprintf(io.out, "probe at http://%s\n", l.Addr())
		g.Go(func() error { return floor.ServeOn(gctx, l, probe(n, reg), logger, nil) })
	}
	select {
	case <-begun:
	case <-gctx.Done():
		return ended(g.Wait())
	}
	if roles&node.Floor != 0 {
		// Whether people sign in is asked of each site when it is opened.
		l, err := floor.Listen(ctx, c.Listen, floor.Exposure{SignIn: true, TLS: e.tls != nil, Force: c.ForceInsecure})
		if err != nil {
			return err
		}
		_, port, _ := net.SplitHostPort(l.Addr().String())
		scheme := "http"
		if e.tls != nil {
			scheme = "https"
		}
		fmt.Fprintf(io.out, "pages of site SITE are at %s://SITE.%s:%s/board (stop with Ctrl-C)\n", scheme, c.Domain, port)
		g.Go(func() error { return floor.ServeTLS(gctx, l, e.tls, n, logger, nil) })
	}
	fmt.Fprintf(io.out, "%s: working (stop with Ctrl-C)\n", roles.Name())
	notify("READY=1")
	context.AfterFunc(ctx, func() { notify("STOPPING=1") })
	// Servers that are away are no reason to start this process again.
	g.Go(func() error { return watchdog(gctx, func(context.Context) error { return nil }, logger) })
	return ended(g.Wait())
}

func ended(err error) error {
	if errors.Is(err, context.Canceled) || errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// provision makes what floors and benches need on NATS; their keys have no
// right to.
func provision(ctx context.Context, nc *nats.Conn, replicas int) error {
	js, err := dispatch.Provision(ctx, nc, replicas)
	if err != nil {
		return err
	}
	if err := bench.Provision(ctx, js, replicas); err != nil {
		return err
	}
	if _, err := contacts.Open(ctx, nc, "none", replicas, time.Now); err != nil {
		return err
	}
	if _, err := access.OpenJetStream(ctx, nc, "none", replicas, time.Now); err != nil {
		return err
	}
	_, err = photos.OpenNATS(ctx, nc, "none", replicas)
	return err
}

// dialPatiently waits for servers that are not there yet, as when a whole
// deployment starts.
func dialPatiently(ctx context.Context, o log.DialOptions, logger *zap.Logger) (*log.JetStream, error) {
	const most = 2 * time.Minute
	end := time.Now().Add(most)
	for {
		l, err := log.Dial(ctx, o)
		if err == nil || ctx.Err() != nil || time.Now().After(end) || errors.Is(err, nats.ErrAuthorization) {
			return l, err
		}
		logger.Warn("the log is not there yet; trying again", zap.Error(err))
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

// pages makes the pages of one site.
func (c *serveCmd) pages(o node.Options, shared *redis.Client, e *exposure, logger *zap.Logger) func(context.Context, *node.Site, *errgroup.Group) (http.Handler, error) {
	return func(ctx context.Context, s *node.Site, g *errgroup.Group) (http.Handler, error) {
		people, err := contacts.Open(ctx, o.Conn, s.ID, o.Replicas, o.Now)
		if err != nil {
			return nil, err
		}
		kept, err := photos.OpenNATS(ctx, o.Conn, s.ID, o.Replicas)
		if err != nil {
			return nil, err
		}
		// Earlier versions kept them in the floor's directory.
		err = withPhotos(filepath.Join(photoDir(c.Data), string(s.ID)), func(before *photos.Store) error {
			_, err := before.Copy(ctx, kept)
			return err
		})
		if err != nil {
			return nil, fmt.Errorf("photos of site %s in the directory %s: %w", s.ID, photoDir(c.Data), err)
		}
		accounts, err := access.OpenJetStream(ctx, o.Conn, s.ID, 0, o.Now)
		if err != nil {
			return nil, err
		}
		plans, alerts := &feed.Plans{}, &feed.Alerts{}
		g.Go(func() error { return people.Run(ctx) })
		g.Go(func() error { return plans.Run(ctx, o.Conn, s.ID) })
		g.Go(func() error { return alerts.Run(ctx, o.Conn, s.ID) })
		desk, err := c.desk(ctx, accounts, o.Now, s.ID, shared, logger)
		if err != nil {
			return nil, err
		}
		f, err := floor.New(floor.Options{
			Access: desk, Provider: e.provider,
			Ledger: s.Ledger, Log: o.Log, Site: s.ID, Plans: plans, Alerts: alerts, Now: o.Now, Logger: logger,
			Hosts: append([]string{strings.ToLower(string(s.ID) + "." + c.Domain)}, e.hosts...), HSTS: c.TLSCert != "", Photos: kept, Contacts: people,
			Lengths: s.Lengths, Promises: s.Promises, ShopInLog: true,
			Group: group.New(group.Options{Home: s.ID, Accounts: accounts, Views: o.Views, Log: o.Log, Dispatch: group.NATS{Conn: o.Conn}}),
		})
		if err != nil {
			return nil, err
		}
		context.AfterFunc(ctx, f.Close)
		return f, nil
	}
}

// desk lets the people of a site in. Accounts are on NATS, sessions in Redis if
// there is one. Beyond this machine a site without accounts is not served.
func (c *serveCmd) desk(ctx context.Context, lasting access.Store, now func() time.Time, site queue.SiteID, shared *redis.Client, logger *zap.Logger) (*access.Desk, error) {
	store := lasting
	if shared != nil {
		recent := access.NewRecent(redisaccess.New(shared, site), now)
		recent.Trouble = func(err error) {
			logger.Warn("Redis is away: who is signed in here goes on", zap.String("site", string(site)), zap.Error(err))
		}
		store = access.Split{Lasting: lasting, Passing: recent}
	}
	desk, err := access.New(access.Options{Store: store, Now: now, Random: rand.Reader, Logger: logger})
	if err != nil {
		return nil, err
	}
	host, _, err := net.SplitHostPort(c.Listen)
	if ip := net.ParseIP(host); err == nil && (host == "localhost" || ip != nil && ip.IsLoopback()) || c.ForceInsecure {
		return desk, nil
	}
	closed, err := desk.Closed(ctx)
	if err == nil && !closed {
		err = fmt.Errorf("site %s: nobody signs in yet, so it is served on this machine only; make the owner's account first: tickover account add --nats", site)
	}
	return desk, err
}

// probe answers those who watch the process, not the shop's people.
func probe(n *node.Node, reg *prometheus.Registry) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, _ *http.Request) {
		if err := n.Ready(); err != nil {
			http.Error(w, err.Error(), http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintf(w, "ready, %d sites open\n", len(n.Open()))
		if notice := n.Notice(); notice != "" { // this process works
			fmt.Fprintln(w, "but:", notice)
		}
	})
	mux.Handle("GET /metrics", metrics.Handler(reg, n.Sample))
	return mux
}
