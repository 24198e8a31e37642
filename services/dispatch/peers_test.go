package dispatch_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
	"tickover/services/dispatch"
)

// join starts a peer; leave ends it as a kill would, unless it takes its leave.
func (p *plant) join(name string) *dispatch.Peers {
	p.t.Helper()
	peers, err := dispatch.Join(p.ctx, p.connect(), name, 2*time.Second, 0, nil)
	if err != nil {
		p.t.Fatal(err)
	}
	return peers
}

func eventually(t testing.TB, what string, f func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !f(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s never happened", what)
		}
	}
}

// TestPeersShareSites: each site falls to exactly one peer, the shares are
// about even, and when one goes only its sites change hands.
func TestPeersShareSites(t *testing.T) {
	p := newPlant(t)
	names := []string{"east/1", "east/2", "west.example/7"}
	peers, stop := map[string]*dispatch.Peers{}, map[string]context.CancelFunc{}
	for _, n := range names {
		peers[n] = p.join(n)
		ctx, cancel := context.WithCancel(p.ctx)
		stop[n] = cancel
		p.wg.Go(func() { _ = peers[n].Run(ctx) })
	}
	for _, n := range names {
		eventually(t, n+" knowing all", func() bool { return len(peers[n].Live()) == 3 })
	}
	const sites = 200
	owner := map[queue.SiteID]string{}
	share := map[string]int{}
	for i := range sites {
		site := queue.SiteID(fmt.Sprintf("site-%d", i))
		for _, n := range names {
			if peers[n].Mine(site) {
				if owner[site] != "" {
					t.Fatalf("%s falls to %s and to %s", site, owner[site], n)
				}
				owner[site] = n
				share[n]++
			}
		}
		if owner[site] == "" {
			t.Fatalf("%s falls to nobody", site)
		}
	}
	for n, k := range share {
		if k < sites/6 || k > sites/2 {
			t.Errorf("%s has %d of %d sites", n, k, sites)
		}
	}
	stop[names[1]]() // it takes its leave
	eventually(t, "knowing that one has left", func() bool { return len(peers[names[0]].Live()) == 2 && len(peers[names[2]].Live()) == 2 })
	for site, n := range owner {
		if n != names[1] && !peers[n].Mine(site) {
			t.Errorf("%s changed hands although its owner stayed", site)
		}
	}
}

// TestPeersTakeOver: a site is dispatched by the one that it falls to, taken
// over when that one is gone without a word, and given back when it comes
// again.
func TestPeersTakeOver(t *testing.T) {
	p := newPlant(t)
	a, b := p.join("a"), p.join("b")
	actx, akill := context.WithCancel(p.ctx)
	defer akill()
	p.wg.Go(func() { _ = a.Run(actx) })
	p.wg.Go(func() { _ = b.Run(p.ctx) })
	eventually(t, "both knowing both", func() bool { return len(a.Live()) == 2 && len(b.Live()) == 2 })
	first, second := a, b
	if b.Mine(site) {
		first, second = b, a
	}
	with := func(x *dispatch.Peers) func(*dispatch.Config) {
		return func(c *dispatch.Config) { c.Peers, c.Holder, c.Lease = x, "", 2*time.Second }
	}
	js, err := jetstream.New(p.connect())
	if err != nil {
		t.Fatal(err)
	}
	holds := func(x *dispatch.Peers) func() bool {
		return func() bool {
			h, _, err := dispatch.Leader(t.Context(), js, site)
			return err == nil && h == x.Name()
		}
	}
	other := p.dispatcher("", with(second)) // it is alone: it takes the site although it falls to the other
	eventually(t, "the only dispatcher taking the site", holds(second))
	one := p.dispatcher("", with(first))
	eventually(t, "the site going where it falls to", holds(first))

	begun := time.Now()
	one.nc.Close() // it dies: nobody releases the lease
	if first == a {
		akill()
	}
	eventually(t, "the other taking over", holds(second))
	t.Logf("taken over after %v, with a lease of 2 s", time.Since(begun).Round(time.Millisecond))
	one.cancel()
	other.cancel()
}
