package group_test

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/queue/view/viewtest"
	"tickover/services/access"
	"tickover/services/access/accesstest"
	"tickover/services/dispatch"
	"tickover/services/group"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// deployment answers for all sites and notes which were asked for.
type deployment struct {
	view.Mem
	mu    sync.Mutex
	asked map[queue.SiteID]bool
	last  map[queue.SiteID]uint64
}

func (d *deployment) note(site queue.SiteID) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked[site] = true
}

func (d *deployment) Units(ctx context.Context, site queue.SiteID) (view.Head, []view.Row, error) {
	d.note(site)
	return d.Mem.Units(ctx, site)
}

func (d *deployment) Plan(_ context.Context, site queue.SiteID) (*dispatch.Plan, error) {
	d.note(site)
	if site == "highfell" {
		return &dispatch.Plan{Site: site, Epoch: 3, Seq: 7}, nil
	}
	return &dispatch.Plan{Site: site, Epoch: 4, Seq: 8}, nil
}

func (d *deployment) Holder(_ context.Context, site queue.SiteID) (string, uint64, error) {
	d.note(site)
	if site == "mute" {
		return "", 0, errors.New("no answer")
	}
	return "machine/1", 4, nil
}

func (d *deployment) Last(_ context.Context, site queue.SiteID) (log.Position, error) {
	d.note(site)
	return log.Position{Seq: d.last[site]}, nil
}

// begin makes sites with as many units as their place in the list; olive of the
// first sees those that are named.
func begin(t *testing.T, sites []queue.SiteID, seen ...queue.SiteID) (*deployment, accesstest.Sites) {
	t.Helper()
	d := &deployment{asked: map[queue.SiteID]bool{}, last: map[queue.SiteID]uint64{}}
	accounts := accesstest.Sites{}
	for i, site := range sites {
		if _, err := d.Put(t.Context(), viewtest.Whole(site, 7, i+1)); err != nil {
			t.Fatal(err)
		}
		d.last[site] = 7
		accounts[site] = access.NewMem(time.Now)
		account := `{"id":"olive","roles":["read-only"]}`
		if slices.Contains(seen, site) {
			account = `{"id":"olive","roles":["read-only"],"seen_from":["larkmoor"]}`
		}
		if err := accounts[site].Set(t.Context(), "account.olive", []byte(account), 0, 0); err != nil {
			t.Fatal(err)
		}
	}
	return d, accounts
}

var (
	sites = []queue.SiteID{"larkmoor", "highfell", "mute", "saltburn"}
	olive = &access.Who{Account: "olive", Session: "s", Roles: []access.Role{access.Reader}}
)

// TestLook: the sites that somebody may see are told of, and no other is asked
// for anything.
func TestLook(t *testing.T) {
	d, accounts := begin(t, sites, "highfell", "mute")
	g := group.New(group.Options{Home: "larkmoor", Accounts: accounts, Views: d, Log: d, Dispatch: d})
	got, err := g.Look(t.Context(), olive)
	if err != nil || len(got) != 3 {
		t.Fatalf("%d sites, %v; want 3", len(got), err)
	}
	for i, s := range got {
		if s.ID != sites[i] || s.Home != (i == 0) || len(s.Rows) != i+1 || s.Head.Open != i+1 || s.ViewErr != nil || s.Behind != 0 || s.Plan == nil || s.PlanBehind != 0 {
			t.Errorf("site %d: %+v", i, s)
		}
		if mute := s.ID == "mute"; mute != (s.PlanErr != nil) || !mute && s.Holder == "" {
			t.Errorf("dispatcher of %s: %q, %v", s.ID, s.Holder, s.PlanErr)
		}
		if s.Inherited() != (s.ID == "highfell") {
			t.Errorf("plan of %s: epoch %d, the dispatcher's %d", s.ID, s.Plan.Epoch, s.Epoch)
		}
	}
	if d.asked["saltburn"] {
		t.Error("a site that nobody showed was asked for")
	}
	if got, err := g.Look(t.Context(), nil); err != nil || len(got) != 1 || got[0].ID != "larkmoor" {
		t.Errorf("where nobody signs in: %v, %v", got, err)
	}
}

// TestLag: a view that comes after a moment is waited for; one that does not is
// said to be behind, and so is a plan.
func TestLag(t *testing.T) {
	d, accounts := begin(t, sites, "highfell")
	d.last["larkmoor"], d.last["highfell"] = 8, 10
	g := group.New(group.Options{Home: "larkmoor", Accounts: accounts, Views: d, Log: d, Dispatch: d})
	go func() { _, _ = d.Put(context.Background(), viewtest.Whole("larkmoor", 8, 5)) }()
	got, err := g.Look(t.Context(), olive)
	if err != nil || len(got) != 2 || len(got[0].Rows) != 5 || got[0].Behind != 0 || got[1].Behind != 3 || got[0].PlanBehind != 0 || got[1].PlanBehind != 3 {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestAway: what is away is told of each site; if the accounts are, nothing is.
func TestAway(t *testing.T) {
	d, accounts := begin(t, sites, "highfell")
	if err := d.Drop(t.Context(), "highfell"); err != nil {
		t.Fatal(err)
	}
	g := group.New(group.Options{Home: "larkmoor", Accounts: accounts, Views: d, Log: d, Dispatch: d})
	got, err := g.Look(t.Context(), olive)
	if err != nil || got[0].ViewErr != nil || !errors.Is(got[1].ViewErr, view.ErrMissing) || got[1].Plan == nil {
		t.Errorf("%+v, %v", got, err)
	}
	g = group.New(group.Options{Home: "larkmoor", Accounts: accounts, Log: d, Dispatch: d})
	if got, err := g.Look(t.Context(), olive); err != nil || !errors.Is(got[0].ViewErr, group.ErrNoViews) {
		t.Errorf("without views: %+v, %v", got, err)
	}
	g = group.New(group.Options{Home: "larkmoor", Accounts: broken{accounts}, Views: d, Log: d, Dispatch: d})
	if got, err := g.Look(t.Context(), olive); err == nil {
		t.Errorf("accounts away: %+v", got)
	}
}

// broken is a store of accounts that lists and does not read.
type broken struct{ accesstest.Sites }

func (broken) Of(queue.SiteID) access.Store { return gone{} }

type gone struct{ access.Store }

func (gone) Get(context.Context, string) (access.Item, error) {
	return access.Item{}, errors.New("no answer")
}
