package node

import (
	"context"
	"fmt"

	"golang.org/x/sync/errgroup"

	"tickover/services/bench"
	"tickover/services/dispatch"
)

// Crew has a worker for each station of a shop, also for those that a later
// shop file brings.
type Crew struct {
	bench.Config // Station is filled in
	// Away are stations that have their worker elsewhere.
	Away map[dispatch.Station]bool
	has  map[dispatch.Station]bool
}

// Join makes workers for the stations that have none.
func (c *Crew) Join(ctx context.Context) ([]*bench.Worker, error) {
	var out []*bench.Worker
	if c.has == nil {
		c.has = map[dispatch.Station]bool{}
	}
	shop := c.Ledger.View().Shop
	if shop == nil {
		return nil, nil
	}
	for _, s := range dispatch.Stations(shop) {
		if c.Away[s] || c.has[s] {
			continue
		}
		cfg := c.Config
		cfg.Station = s
		w, err := bench.New(ctx, cfg)
		if err != nil {
			return nil, fmt.Errorf("bench %s: %w", s, err)
		}
		c.has[s] = true
		out = append(out, w)
	}
	return out, nil
}

// Follow lets new workers join when another shop file takes effect.
func (c *Crew) Follow(ctx context.Context, g *errgroup.Group) error {
	watch := c.Ledger.Watch()
	defer watch.Stop()
	file := c.Ledger.View().ShopFile
	for {
		select {
		case <-watch.C():
		case <-ctx.Done():
			return nil
		}
		if now := c.Ledger.View().ShopFile; now != file {
			file = now
			workers, err := c.Join(ctx)
			if err != nil && ctx.Err() == nil {
				return err
			}
			for _, w := range workers {
				g.Go(func() error { return w.Run(ctx) })
			}
		}
	}
}
