// Package feed brings what dispatcher and benches publish on NATS to the pages:
// the plan in force and the alerts that stand. A page server on any machine
// follows them the same way.
package feed

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"

	"github.com/nats-io/nats.go"

	"tickover/queue"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/floor/live"
)

// signal is a channel that is closed at the next change.
type signal struct {
	mu sync.Mutex
	c  chan struct{}
}

func (s *signal) next() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.c == nil {
		s.c = make(chan struct{})
	}
	return s.c
}

func (s *signal) fire() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.c != nil {
		close(s.c)
		s.c = nil
	}
}

// Plans follows a site's plan; it fulfils live.Plans.
type Plans struct {
	latest  atomic.Pointer[dispatch.Plan]
	changed signal
}

// Latest implements live.Plans.
func (p *Plans) Latest() *dispatch.Plan { return p.latest.Load() }

// Changed implements live.Plans.
func (p *Plans) Changed() <-chan struct{} { return p.changed.next() }

// Run follows the plans until ctx ends.
func (p *Plans) Run(ctx context.Context, nc *nats.Conn, site queue.SiteID) error {
	return ended(ctx, dispatch.FollowPlans(ctx, nc, site, func(plan *dispatch.Plan) {
		p.latest.Store(plan)
		p.changed.fire()
	}))
}

// Alerts follows the alerts of a site's stations; it fulfils live.Alerts.
type Alerts struct {
	mu        sync.Mutex
	byStation map[dispatch.Station][]bench.Alert
	changed   signal
}

// Alerts implements live.Alerts: overdue first, then by since when.
func (a *Alerts) Alerts() []live.Alert {
	a.mu.Lock()
	defer a.mu.Unlock()
	var out []live.Alert
	for station, list := range a.byStation {
		for _, x := range list {
			a := live.Alert{Kind: kinds[x.Kind], Unit: x.Unit, Step: x.Step, Resource: resource(station),
				Person: x.Technician, Since: x.Since, Text: x.Text}
			if !x.Say.IsZero() {
				a.Say(x.Say)
			}
			out = append(out, a)
		}
	}
	slices.SortFunc(out, func(x, y live.Alert) int {
		if x.Kind != y.Kind {
			if x.Kind == live.Overdue {
				return -1
			}
			return 1
		}
		if c := x.Since.Compare(y.Since); c != 0 {
			return c
		}
		return slices.Compare([]string{string(x.Unit), string(x.Step)}, []string{string(y.Unit), string(y.Step)})
	})
	return out
}

var kinds = map[bench.AlertKind]live.AlertKind{bench.CallBack: live.CallBack, bench.Overdue: live.Overdue}

func resource(s dispatch.Station) queue.ResourceID {
	if s == dispatch.Floor {
		return ""
	}
	return queue.ResourceID(s)
}

// Changed implements live.Alerts.
func (a *Alerts) Changed() <-chan struct{} { return a.changed.next() }

// Run follows the alerts until ctx ends.
func (a *Alerts) Run(ctx context.Context, nc *nats.Conn, site queue.SiteID) error {
	return ended(ctx, bench.FollowAlerts(ctx, nc, site, func(s dispatch.Station, list []bench.Alert) {
		a.mu.Lock()
		if a.byStation == nil {
			a.byStation = map[dispatch.Station][]bench.Alert{}
		}
		a.byStation[s] = list
		a.mu.Unlock()
		a.changed.fire()
	}))
}

// ended is nil when it was ctx that ended the following.
func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}
