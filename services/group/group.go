// Package group is what somebody who works in several sites of a deployment
// sees of all of them at once:
//
//	g := group.New(group.Options{Home: "larkmoor", Accounts: accounts, Views: views, Log: log, Dispatch: group.NATS{Conn: nc}})
//	sites, err := g.Look(ctx, who)
//
// What it guarantees:
//
//  1. A site is asked for only if it is the one at which somebody is signed in,
//     or if that site's own accounts say that he may see it (access.Abroad).
//  2. No site is folded: counts and units come from the shared views, whoever
//     keeps them, plans from NATS. A process that serves one site answers for
//     all.
//  3. What can't be told is said so for its site, and the others are told.
package group

import (
	"context"
	"errors"
	"time"

	"golang.org/x/sync/errgroup"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/services/access"
	"tickover/services/dispatch"
)

// Dispatch is what dispatchers show of their work.
type Dispatch interface {
	// Plan is the plan in force of a site, nil if there is none.
	Plan(ctx context.Context, site queue.SiteID) (*dispatch.Plan, error)
	// Holder is the dispatcher that has the site, empty if none has.
	Holder(ctx context.Context, site queue.SiteID) (string, error)
}

// Last tells how far a site's log goes.
type Last interface {
	Last(ctx context.Context, site queue.SiteID) (log.Position, error)
}

// Options of a group.
type Options struct {
	Home     queue.SiteID // at which people are signed in
	Accounts access.Sites
	Views    view.Store // nil: the deployment shares none
	Log      Last
	Dispatch Dispatch
}

// Group is the sites of a deployment as seen from one.
type Group struct{ o Options }

// New makes a group.
func New(o Options) *Group { return &Group{o} }

// Home is the site from which it is seen.
func (g *Group) Home() queue.SiteID { return g.o.Home }

// Site is what is known of a site.
type Site struct {
	ID   queue.SiteID
	Home bool
	// Head and Rows are the shared view: counts, and the open units, the
	// soonest promise first. ViewErr says why there is none; it wraps
	// view.ErrMissing or view.ErrAway.
	Head    view.Head
	Rows    []view.Row
	ViewErr error
	// Behind is how many entries of the log the view lacks although it was
	// waited for.
	Behind int
	// Plan is the one in force, nil if there is none; Holder the dispatcher
	// that has the site, empty if none has. Both mean nothing with PlanErr.
	Plan    *dispatch.Plan
	Holder  string
	PlanErr error
}

// ErrNoViews: the deployment shares no views.
var ErrNoViews = errors.New("the deployment shares no views")

const (
	atOnce = 8 // sites that are asked at the same time
	// A view that lags is looked at again: what is recorded takes a moment.
	againAfter = 200 * time.Millisecond
	againMost  = 5
	// lookMost bounds a look at all sites; what has not answered then is away.
	lookMost = 5 * time.Second
)

// Look tells of all sites that somebody may see, his own first, then by name;
// who is nil where nobody signs in. An error means that it can't be found out
// which these are.
func (g *Group) Look(ctx context.Context, who *access.Who) ([]Site, error) {
	ctx, cancel := context.WithTimeout(ctx, lookMost)
	defer cancel()
	others, err := access.Abroad(ctx, g.o.Accounts, g.o.Home, who)
	if err != nil {
		return nil, err
	}
	sites := make([]Site, 1+len(others))
	for i, id := range append([]queue.SiteID{g.o.Home}, others...) {
		sites[i] = Site{ID: id, Home: i == 0}
	}
	var all errgroup.Group
	all.SetLimit(atOnce)
	for i := range sites {
		all.Go(func() error {
			g.read(ctx, &sites[i])
			g.ask(ctx, &sites[i])
			return nil
		})
	}
	_ = all.Wait()
	return sites, nil
}

// read gets a site's view and how far it is behind.
func (g *Group) read(ctx context.Context, s *Site) {
	if g.o.Views == nil {
		s.ViewErr = ErrNoViews
		return
	}
	last, lastErr := g.o.Log.Last(ctx, s.ID)
	for try := 1; ; try++ {
		s.Head, s.Rows, s.ViewErr = g.o.Views.Units(ctx, s.ID)
		if s.ViewErr != nil || lastErr != nil || s.Head.Seq >= last.Seq {
			return
		}
		if try == againMost || !pause(ctx, againAfter) {
			s.Behind = int(last.Seq - s.Head.Seq)
			return
		}
	}
}

func pause(ctx context.Context, d time.Duration) bool {
	select {
	case <-time.After(d):
		return true
	case <-ctx.Done():
		return false
	}
}

// ask gets what the dispatchers show of a site.
func (g *Group) ask(ctx context.Context, s *Site) {
	var holderErr error
	s.Plan, s.PlanErr = g.o.Dispatch.Plan(ctx, s.ID)
	s.Holder, holderErr = g.o.Dispatch.Holder(ctx, s.ID)
	s.PlanErr = errors.Join(s.PlanErr, holderErr)
}
