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
	// Holder is the dispatcher that has the site, empty if none has, and its
	// epoch.
	Holder(ctx context.Context, site queue.SiteID) (name string, epoch uint64, err error)
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
	// that has the site, empty if none has, and Epoch its epoch. They mean
	// nothing with PlanErr.
	Plan    *dispatch.Plan
	Holder  string
	Epoch   uint64
	PlanErr error
	// PlanBehind is how many entries of the log the plan does not know although
	// it was waited for.
	PlanBehind int
}

// Inherited reports that the plan in force is one of a dispatcher before: the
// one that has the site now has not planned yet.
func (s *Site) Inherited() bool { return s.Plan != nil && s.Plan.Epoch < s.Epoch }

// ErrNoViews: the deployment shares no views.
var ErrNoViews = errors.New("the deployment shares no views")

const (
	atOnce = 8 // sites that are asked at the same time
	// What lags is looked at again: what is recorded takes a moment.
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
			g.tell(ctx, &sites[i])
			return nil
		})
	}
	_ = all.Wait()
	return sites, nil
}

// tell gets everything of a site.
func (g *Group) tell(ctx context.Context, s *Site) {
	last := uint64(0) // not known: nothing is behind
	if pos, err := g.o.Log.Last(ctx, s.ID); err == nil {
		last = pos.Seq
	}
	g.read(ctx, s, last)
	g.ask(ctx, s, last)
}

// read gets a site's view and how far it is behind.
func (g *Group) read(ctx context.Context, s *Site, last uint64) {
	if g.o.Views == nil {
		s.ViewErr = ErrNoViews
		return
	}
	await(ctx, func() bool {
		s.Head, s.Rows, s.ViewErr = g.o.Views.Units(ctx, s.ID)
		return s.ViewErr != nil || s.Head.Seq >= last
	})
	if s.ViewErr == nil && s.Head.Seq < last {
		s.Behind = int(last - s.Head.Seq)
	}
}

// ask gets what the dispatchers show of a site: a plan is published anew for
// each entry of the log, also when nothing moves.
func (g *Group) ask(ctx context.Context, s *Site, last uint64) {
	await(ctx, func() bool {
		s.Plan, s.PlanErr = g.o.Dispatch.Plan(ctx, s.ID)
		return s.Plan == nil || s.Plan.Seq >= last
	})
	if s.Plan != nil && s.Plan.Seq < last {
		s.PlanBehind = int(last - s.Plan.Seq)
	}
	var err error
	s.Holder, s.Epoch, err = g.o.Dispatch.Holder(ctx, s.ID)
	s.PlanErr = errors.Join(s.PlanErr, err)
}

// await looks until there is enough, a few times.
func await(ctx context.Context, enough func() bool) {
	for try := 1; !enough() && try < againMost; try++ {
		select {
		case <-time.After(againAfter):
		case <-ctx.Done():
			return
		}
	}
}
