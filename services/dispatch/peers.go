package dispatch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tickover/queue"
)

// Peers are the dispatchers of a deployment that share its sites. Each makes
// itself known for a few seconds at a time; each works out for itself which of
// those that live is to have which site, and comes to the same answer, because
// the answer depends on their names alone (rendezvous hashing: when one comes
// or goes, only the sites that it takes or leaves change hands).
//
// It is a matter of fairness alone: exclusion is the lease's, and what comes of
// two holders the epoch's. A dispatcher takes a site that is not its own when
// nobody else has for a while.
type Peers struct {
	nc   *nats.Conn
	js   jetstream.JetStream
	name string
	ttl  time.Duration
	log  *zap.Logger

	mu     sync.Mutex
	live   map[string]time.Time // when they were heard of last
	leases map[queue.SiteID]heard
	told   bool // all that the bucket held has been told
}

// heard is who holds a lease, and when it was heard that it was renewed: the
// end of a lease can be missed by who is cut off at that moment.
type heard struct {
	holder string
	at     time.Time
}

const memberPrefix = "peer."

// Join makes this process known as a dispatcher; Run keeps it so. name: empty
// for host and process.
func Join(ctx context.Context, nc *nats.Conn, name string, ttl time.Duration, replicas int, logger *zap.Logger) (*Peers, error) {
	js, err := Provision(ctx, nc, replicas)
	if err != nil {
		return nil, err
	}
	if name == "" {
		name = holderName()
	}
	if ttl == 0 {
		ttl = leaseTTL
	}
	if logger == nil {
		logger = zap.NewNop()
	}
	p := &Peers{nc: nc, js: js, name: name, ttl: max(ttl.Round(time.Second), 2*leaseMin), log: logger.Named("peers"),
		live: map[string]time.Time{}, leases: map[queue.SiteID]heard{}}
	return p, p.announce(ctx)
}

// Name is this process's name among its peers.
func (p *Peers) Name() string { return p.name }

func (p *Peers) key() string {
	return memberPrefix + strings.NewReplacer(".", "-", "/", "=").Replace(p.name)
}

func (p *Peers) announce(ctx context.Context) error {
	b, _ := json.Marshal(leaseValue{Holder: p.name})
	if _, err := p.js.Publish(ctx, "$KV."+LeasesBucket+"."+p.key(), b, jetstream.WithMsgTTL(p.ttl)); err != nil {
		return fmt.Errorf("make this dispatcher known: %w", err)
	}
	return nil
}

// Run keeps this process known, and knows of the others, until ctx ends; then
// it takes its leave.
func (p *Peers) Run(ctx context.Context) error {
	var known sync.WaitGroup
	known.Go(func() {
		t := time.NewTicker(p.ttl / 3)
		defer t.Stop()
		for {
			select {
			case <-ctx.Done():
				leave, cancel := context.WithTimeout(context.WithoutCancel(ctx), p.ttl/3)
				defer cancel()
				if kv, err := p.js.KeyValue(leave, LeasesBucket); err == nil {
					_ = kv.Delete(leave, p.key())
				}
				return
			case <-t.C:
			}
			try, cancel := context.WithTimeout(ctx, p.ttl/3)
			if err := p.announce(try); err != nil && ctx.Err() == nil {
				p.log.Warn("not known to the other dispatchers", zap.Error(err))
			}
			cancel()
		}
	})
	err := Follow(ctx, p.nc, LeasesBucket, ">", func(e jetstream.KeyValueEntry, _ <-chan jetstream.KeyValueEntry) { p.hear(e) })
	known.Wait()
	return err
}

func (p *Peers) hear(e jetstream.KeyValueEntry) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if e == nil {
		p.told = true
		return
	}
	var v leaseValue
	there := e.Operation() == jetstream.KeyValuePut && json.Unmarshal(e.Value(), &v) == nil
	if site, ok := strings.CutPrefix(e.Key(), leadKey("")); ok {
		delete(p.leases, queue.SiteID(site))
		if there {
			p.leases[queue.SiteID(site)] = heard{v.Holder, time.Now()}
		}
		return
	}
	if !strings.HasPrefix(e.Key(), memberPrefix) {
		return
	}
	// A key that has gone names its owner no more.
	for name := range p.live {
		if (&Peers{name: name}).key() == e.Key() {
			delete(p.live, name)
		}
	}
	if there {
		p.live[v.Holder] = time.Now()
	}
}

// Mine reports whether the site falls to this process.
func (p *Peers) Mine(site queue.SiteID) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.of(site) == p.name
}

// names are those that live: this process, and who was heard of lately.
func (p *Peers) names() []string {
	all := []string{p.name}
	for name, at := range p.live {
		if name != p.name && time.Since(at) < 2*p.ttl {
			all = append(all, name)
		}
	}
	slices.Sort(all)
	return all
}

func (p *Peers) of(site queue.SiteID) (best string) {
	var most uint64
	for _, name := range p.names() {
		h := fnv.New64a()
		fmt.Fprintf(h, "%s\x00%s", name, site)
		if n := mix(h.Sum64()); best == "" || n > most {
			best, most = name, n
		}
	}
	return best
}

// mix spreads a hash's low bits over all (the finalizer of splitmix64; Steele,
// Lea, Flood 2014): similar names must not share their fate.
func mix(z uint64) uint64 {
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Free reports whether nobody is known to hold the site's lease.
func (p *Peers) Free(site queue.SiteID) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	l := p.leases[site]
	return !p.told || l.holder == "" || time.Since(l.at) > 2*p.ttl
}

// Live are the names of the dispatchers that are known, sorted.
func (p *Peers) Live() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.names()
}

// errYield: the site falls to another dispatcher, which has just come.
var errYield = errors.New("the site falls to another dispatcher")

// Bounds of sharing.
const (
	// grace is how long a site must be free before a dispatcher takes one that
	// falls to another.
	grace = time.Second
	// yieldAfter is how long a site must have fallen to another before its
	// holder gives it up.
	yieldAfter = 2 * time.Second
	// tryAnyway is how often a lease is asked for that is said to be held.
	tryAnyway = 5 * time.Second
)

// turn decides whether to ask for the lease now. It is for one goroutine.
type turn struct {
	free  time.Time // since when nobody is known to hold it; zero: somebody does
	asked time.Time
}

func (d *Dispatcher) myTurn(t *turn, now time.Time) bool {
	p := d.c.Peers
	if p == nil {
		return true
	}
	if !p.Free(d.c.Site) {
		t.free = time.Time{}
		if now.Sub(t.asked) < tryAnyway {
			return false
		}
	} else if t.free.IsZero() {
		t.free = now
	}
	if !p.Mine(d.c.Site) && (t.free.IsZero() || now.Sub(t.free) < grace) {
		return false
	}
	t.asked = now
	return true
}

// yield ends the term when the site has fallen to another for a while.
func (d *Dispatcher) yield(ctx context.Context) error {
	p := d.c.Peers
	if p == nil {
		return nil
	}
	tick := time.NewTicker(yieldAfter / 4)
	defer tick.Stop()
	var since time.Time
	for {
		select {
		case <-ctx.Done():
			return nil
		case now := <-tick.C:
			switch {
			case p.Mine(d.c.Site):
				since = time.Time{}
			case since.IsZero():
				since = now
			case now.Sub(since) > yieldAfter:
				return errYield
			}
		}
	}
}
