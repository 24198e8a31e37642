// Package node runs some roles of many sites in one process of a deployment:
//
//	n, err := node.New(node.Options{Roles: node.Dispatch | node.Floor, Log: log, Conn: nc, …})
//	err = n.Run(ctx)
//
// What it guarantees:
//
//  1. Sites don't touch: each has its own ledger, dispatcher, workers, pages
//     and metrics (label site); what one site's log, plan or page does wrong
//     stops that site in this process, which is tried again, and no other.
//  2. Dispatchers of several processes share the sites and take over from each
//     other (dispatch.Peers).
//  3. A floor opens a site when it is asked for: from the shared snapshot and
//     the end of the log, not from the log's beginning.
//  4. What a site's past teaches (lengths, promises) is learnt site after site,
//     half a core of a process for each at most, a tenth while commands come.
//  5. At the end of ctx nothing new is assigned, requests under way are
//     finished, leases are given up, and Run returns when all of that is done.
package node

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/experience"
	"tickover/services/ledger"
	"tickover/services/meter"
	"tickover/services/mirror"
	"tickover/services/promise"
)

// Roles is a set of roles.
type Roles int

// The roles.
const (
	Dispatch Roles = 1 << iota
	Bench
	Floor
	All = Dispatch | Bench | Floor
)

// ParseRole reads a role's name.
func ParseRole(s string) (Roles, error) {
	switch s {
	case "dispatch":
		return Dispatch, nil
	case "bench":
		return Bench, nil
	case "floor":
		return Floor, nil
	case "all":
		return All, nil
	}
	return 0, fmt.Errorf("no role %q; there are floor, dispatch, bench and all", s)
}

// Name is the role's name, as its key on NATS and its inbox are called.
func (r Roles) Name() string {
	switch r {
	case Dispatch:
		return "dispatch"
	case Bench:
		return "bench"
	case Floor:
		return "floor"
	}
	return "all"
}

// Options of a node.
type Options struct {
	Roles Roles
	// Sites to serve; none: all that the log has, also those that come later.
	Sites []queue.SiteID
	// Provision, if set, makes what the other roles need and may not make
	// themselves; the role dispatch calls it.
	Provision func(ctx context.Context) error
	// Shops are what sites begin with, by the role dispatch. A site that has a
	// shop keeps it: what is in effect is in the log, where a page or "tickover
	// shop put" changes it, and a file that lies about on one machine does not.
	Shops []ShopFile
	Log   log.Log
	Conn  *nats.Conn
	// Views are shared by the processes of the deployment; nil: none.
	Views view.Store
	// Snapshots, if set, are used where there are no shared views.
	Snapshots ledger.Snapshots
	Replicas  int // of what is kept on NATS; 0: as it is
	Now       func() time.Time
	Logger    *zap.Logger // nil: none
	// Registry takes the metrics of all sites, with a label site; Meter makes
	// those of one. Both nil: none.
	Registry prometheus.Registerer
	Meter    func(prometheus.Registerer) *meter.Meter
	// Lease is how long a dispatcher that died blocks the next; 0: 3 s.
	Lease time.Duration
	// Pages makes the handler of a site's pages; for the role floor.
	Pages func(ctx context.Context, s *Site, g *errgroup.Group) (http.Handler, error)
	// Observe hears of each plan; nil: nobody.
	Observe func(queue.SiteID, *meter.Meter, dispatch.Report)
}

// ShopFile is a shop as its file says.
type ShopFile struct {
	Shop *queue.Shop
	Hash queue.Hash
}

// Site is what runs of one site in this process.
type Site struct {
	ID     queue.SiteID
	Ledger *ledger.Ledger
	Meter  *meter.Meter // nil: none
	// Lengths are those of its work, Promises what earlier ones were worth;
	// nil: the process's roles have no use for them.
	Lengths  *experience.Experience
	Promises *promise.Learner
	pages    http.Handler
}

// Node is one process.
type Node struct {
	o     Options
	log   *zap.Logger
	peers *dispatch.Peers

	mu    sync.Mutex
	sites map[queue.SiteID]*opening
	// meters outlive the opening of their site.
	meters map[queue.SiteID]*meter.Meter
	// lengths and promises are the turns to learn them.
	lengths, promises turn
	copies            copies
	// plans leave cores to those who wait for an acknowledgement.
	plans *dispatch.Turns
	runs  *errgroup.Group
	ctx   context.Context // of Run; nil before
}

// opening is a site that is open, or being opened: whoever wants it waits.
type opening struct {
	done chan struct{}
	site *Site
	err  error
}

// lookAround is how often the log is asked for new sites.
const lookAround = 5 * time.Second

// New makes a node.
func New(o Options) (*Node, error) {
	if o.Roles == 0 || o.Log == nil || o.Conn == nil || o.Now == nil {
		return nil, errors.New("node: roles, log, connection and clock are needed")
	}
	if o.Roles&Floor != 0 && o.Pages == nil {
		return nil, errors.New("node: the role floor needs pages")
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	for _, s := range o.Sites {
		if err := log.CheckSite(s); err != nil {
			return nil, err
		}
	}
	plans := dispatch.NewTurns(runtime.GOMAXPROCS(0))
	return &Node{o: o, log: o.Logger.Named("node"), sites: map[queue.SiteID]*opening{}, meters: map[queue.SiteID]*meter.Meter{},
		plans: plans, lengths: newTurn(plans.Commands), promises: newTurn(plans.Commands)}, nil
}

// Run runs the node until ctx ends; begun, if not nil, is called when all
// sites that this process always runs are open.
func (n *Node) Run(ctx context.Context, begun func()) error {
	g, gctx := errgroup.WithContext(ctx)
	n.mu.Lock()
	n.ctx, n.runs = gctx, g
	n.mu.Unlock()
	if err := n.configure(gctx); err != nil {
		return err
	}
	if n.o.Roles&Dispatch != 0 {
		if err := n.join(gctx); err != nil {
			return fmt.Errorf("node: %w", err)
		}
		g.Go(func() error { return n.peers.Run(gctx) })
	}
	g.Go(func() error { return n.look(gctx, begun) })
	err := g.Wait()
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// join makes what is shared on NATS and joins the dispatchers. Servers that
// elect their leaders are waited for.
func (n *Node) join(ctx context.Context) (err error) {
	const most = time.Minute
	for end := time.Now().Add(most); ; {
		if n.o.Provision != nil {
			err = n.o.Provision(ctx)
		}
		if err == nil {
			n.peers, err = dispatch.Join(ctx, n.o.Conn, "", n.o.Lease, n.o.Replicas, n.o.Logger)
		}
		if err == nil || ctx.Err() != nil || time.Now().After(end) {
			return err
		}
		n.log.Warn("the servers are not ready; trying again", zap.Error(err))
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

// configure puts shop files into effect where there is no shop yet.
func (n *Node) configure(ctx context.Context) error {
	for _, f := range n.o.Shops {
		if n.o.Roles&Dispatch == 0 {
			return errors.New("a shop file is put into effect by the role dispatch; leave --shop out here")
		}
		if !n.serves(f.Shop.Site) {
			return fmt.Errorf("shop file of site %s: this process serves %s only", f.Shop.Site, names(n.o.Sites))
		}
		l, err := ledger.Open(ctx, ledger.Options{Site: f.Shop.Site, Log: n.o.Log, Now: n.o.Now, Snapshots: n.snapshots(), Logger: n.o.Logger})
		if err != nil {
			return err
		}
		if st := l.View(); st.Shop != nil {
			if st.ShopFile != f.Hash {
				n.log.Warn("the site keeps the shop that is in effect; to change it, use the page Setup or tickover shop put",
					zap.String("site", string(f.Shop.Site)), zap.String("in_effect", string(st.ShopFile)), zap.String("file", string(f.Hash)))
			}
			continue
		}
		if err := Configure(ctx, l, f, n.o.Now()); err != nil {
			return err
		}
	}
	return nil
}

// Configure puts a shop file into effect if it is not.
func Configure(ctx context.Context, l *ledger.Ledger, f ShopFile, now time.Time) error {
	if l.View().ShopFile == f.Hash {
		return nil
	}
	_, err := l.Do(ctx, queue.Command{
		// The same file after another one is a new command.
		ID: queue.CommandID(fmt.Sprintf("shop-%.16s-%d", f.Hash, l.View().Seq)), At: now,
		Action: &queue.ConfigureShop{Shop: *f.Shop, FileHash: f.Hash},
	})
	if err != nil {
		return fmt.Errorf("the shop file can't take effect: %w", err)
	}
	return nil
}

func (n *Node) snapshots() ledger.Snapshots {
	if n.o.Views == nil {
		return n.o.Snapshots
	}
	return view.Snapshots(n.o.Views, n.o.Log)
}

func (n *Node) serves(site queue.SiteID) bool {
	return len(n.o.Sites) == 0 || slices.Contains(n.o.Sites, site)
}

func names(sites []queue.SiteID) string {
	var out []string
	for _, s := range sites {
		out = append(out, string(s))
	}
	return strings.Join(out, ", ")
}

// Names are the sites that this process serves and the log has.
func (n *Node) Names(ctx context.Context) ([]queue.SiteID, error) {
	all, err := n.o.Log.Sites(ctx)
	return slices.DeleteFunc(all, func(s queue.SiteID) bool { return !n.serves(s) }), err
}

// look opens the sites that dispatcher and workers need, now and when they
// appear.
func (n *Node) look(ctx context.Context, begun func()) error {
	for {
		sites, err := n.Names(ctx)
		if err != nil && ctx.Err() == nil {
			n.log.Warn("the log's sites are not known", zap.Error(err))
		}
		if n.o.Roles&(Dispatch|Bench) != 0 {
			n.openAll(ctx, sites)
		}
		if n.o.Roles&Dispatch != 0 {
			n.lookAtCopies(ctx, time.Now())
		}
		if err == nil && begun != nil {
			begun()
			begun = nil
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(lookAround):
		}
	}
}

// openAll opens sites, a few at a time.
func (n *Node) openAll(ctx context.Context, sites []queue.SiteID) {
	var g errgroup.Group
	g.SetLimit(2 * runtime.NumCPU())
	for _, id := range sites {
		g.Go(func() error {
			if _, err := n.Site(ctx, id); err != nil && ctx.Err() == nil && !errors.Is(err, ErrNoSite) {
				n.log.Error("site not open; trying again", zap.String("site", string(id)), zap.Error(err))
			}
			return nil
		})
	}
	_ = g.Wait()
}

// ErrNoSite: the log has no such site, or this process doesn't serve it.
var ErrNoSite = errors.New("no such site")

// Site returns an open site; it opens one that is not.
func (n *Node) Site(ctx context.Context, id queue.SiteID) (*Site, error) {
	if log.CheckSite(id) != nil || !n.serves(id) {
		return nil, fmt.Errorf("%w: %q", ErrNoSite, id)
	}
	n.mu.Lock()
	if n.ctx == nil || n.ctx.Err() != nil {
		n.mu.Unlock()
		return nil, errors.New("node: not running")
	}
	o := n.sites[id]
	if o == nil {
		o = &opening{done: make(chan struct{})}
		n.sites[id] = o
		n.runs.Go(func() error {
			n.run(n.ctx, id, o)
			return nil
		})
	}
	n.mu.Unlock()
	select {
	case <-o.done:
		return o.site, o.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Open lists the sites that are open.
func (n *Node) Open() (out []*Site) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, o := range n.sites {
		select {
		case <-o.done:
			if o.site != nil {
				out = append(out, o.site)
			}
		default:
		}
	}
	return out
}

// run opens a site and runs it until ctx ends or it fails; then it is
// forgotten, so that it is opened anew.
func (n *Node) run(ctx context.Context, id queue.SiteID, o *opening) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var s *Site
	g, gctx := errgroup.WithContext(ctx)
	err := guard(func() (err error) {
		s, err = n.start(gctx, id, g)
		return err
	})
	if err == nil {
		o.site = s
	} else {
		cancel()
		o.err = err
	}
	close(o.done)
	werr := g.Wait()
	if err == nil && ctx.Err() == nil {
		n.log.Error("site stopped; it is opened again", zap.String("site", string(id)), zap.Error(werr))
	}
	n.mu.Lock()
	delete(n.sites, id)
	n.mu.Unlock()
}

// guard turns a broken invariant of one site into its error.
func guard(f func() error) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = fmt.Errorf("broken invariant: %v", v)
		}
	}()
	return f()
}

// start opens a site and lets its parts run in g.
func (n *Node) start(ctx context.Context, id queue.SiteID, g *errgroup.Group) (*Site, error) {
	l, err := ledger.Open(ctx, ledger.Options{Site: id, Log: n.o.Log, Now: n.o.Now, Snapshots: n.snapshots(), Logger: n.o.Logger})
	if err != nil {
		return nil, err
	}
	if l.View().Seq == 0 {
		return nil, fmt.Errorf("%w: %q", ErrNoSite, id)
	}
	s := &Site{ID: id, Ledger: l, Meter: n.meter(id)}
	if s.Meter != nil {
		s.Meter.Attach(l)
		l.ObserveRefusals(func(r *queue.Refusal) { s.Meter.Refused(r) })
	}
	l.Observe(func(*queue.Entry) { n.plans.Commanded() })
	g.Go(func() error { return l.Run(ctx) })
	if n.learns(s); s.Lengths != nil {
		g.Go(func() error { return n.learn(ctx, s) })
	}
	if n.o.Roles&Dispatch != 0 {
		d, err := dispatch.New(ctx, dispatch.Config{
			Site: id, Conn: n.o.Conn, Ledger: l, Now: n.o.Now, Logger: n.o.Logger, Peers: n.peers, Lease: n.o.Lease, Turns: n.plans,
			Replicas: -n.o.Replicas,
			Core:     dispatch.Options{ComputeOptions: dispatch.ComputeOptions{Check: true, Threads: 1}, Learnt: s.Lengths.Lengths, Stopwatch: time.Now},
			Observe: func(r dispatch.Report) {
				if n.o.Observe != nil {
					n.o.Observe(id, s.Meter, r)
				}
			},
		})
		if err != nil {
			return nil, fmt.Errorf("dispatcher: %w", err)
		}
		g.Go(func() error { return d.Run(ctx) })
		if n.o.Views != nil {
			g.Go(func() error {
				return mirror.Run(ctx, mirror.Options{Site: id, Ledger: l, Log: n.o.Log, Store: n.o.Views, Logger: n.o.Logger})
			})
		}
	}
	if n.o.Roles&Bench != 0 {
		if err := n.hire(ctx, s, g); err != nil {
			return nil, err
		}
	}
	if n.o.Roles&Floor != 0 {
		if s.pages, err = n.o.Pages(ctx, s, g); err != nil {
			return nil, err
		}
	}
	return s, nil
}

func (n *Node) meter(id queue.SiteID) *meter.Meter {
	if n.o.Meter == nil || n.o.Registry == nil {
		return nil
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.meters[id] == nil {
		n.meters[id] = n.o.Meter(prometheus.WrapRegistererWith(prometheus.Labels{"site": string(id)}, n.o.Registry))
	}
	return n.meters[id]
}

// hire runs a worker for each station of the site, also for those that a later
// shop file brings.
func (n *Node) hire(ctx context.Context, s *Site, g *errgroup.Group) error {
	crew := &Crew{Config: bench.Config{Site: s.ID, Conn: n.o.Conn, Ledger: s.Ledger, Now: n.o.Now, Logger: n.o.Logger, Replicas: -n.o.Replicas}}
	workers, err := crew.Join(ctx)
	if err != nil {
		return err
	}
	for _, w := range workers {
		g.Go(func() error { return w.Run(ctx) })
	}
	g.Go(func() error { return crew.Follow(ctx, g) })
	return nil
}

// Ready reports why this process can't do its work, nil if it can.
func (n *Node) Ready() error {
	if !n.o.Conn.IsConnected() {
		return errors.New("not connected to the log's servers")
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.ctx == nil || n.ctx.Err() != nil {
		return errors.New("starting or stopping")
	}
	for id, o := range n.sites {
		select {
		case <-o.done:
		default:
			return fmt.Errorf("site %s is being opened", id)
		}
	}
	return nil
}

// Sample brings the gauges of all open sites up to the moment.
func (n *Node) Sample() {
	for _, s := range n.Open() {
		if s.Meter != nil {
			s.Meter.Sample(s.Ledger.View(), n.o.Now())
		}
	}
}

// ServeHTTP serves the pages of the site that the host's first label names:
// larkmoor.shop.example is site larkmoor. Each site is an origin of its own, so
// that browsers keep cookies, outbox and service workers of sites apart.
func (n *Node) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	label, _, _ := strings.Cut(strings.ToLower(r.Host), ".")
	s, err := n.Site(r.Context(), queue.SiteID(label))
	switch {
	case errors.Is(err, ErrNoSite):
		http.Error(w, fmt.Sprintf("There is no site at %q. A site's address begins with its name, for example larkmoor.%s.", r.Host, r.Host), http.StatusNotFound)
	case err != nil:
		n.log.Warn("site can't be served", zap.String("site", label), zap.Error(err))
		w.Header().Set("Retry-After", "2")
		http.Error(w, "This site can't be opened at the moment. It is tried again; nothing is lost.", http.StatusServiceUnavailable)
	default:
		s.pages.ServeHTTP(w, r)
	}
}
