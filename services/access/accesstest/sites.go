package accesstest

import (
	"context"
	"errors"
	"slices"

	"tickover/queue"
	"tickover/services/access"
)

// Sites are the stores of several sites, in memory.
type Sites map[queue.SiteID]access.Store

var _ access.Sites = Sites{}

// Having implements [access.Sites].
func (s Sites) Having(ctx context.Context, key string) (out []queue.SiteID, err error) {
	for site, store := range s {
		switch _, err := store.Get(ctx, key); {
		case err == nil:
			out = append(out, site)
		case !errors.Is(err, access.ErrNone):
			return nil, err
		}
	}
	slices.Sort(out)
	return out, nil
}

// Of implements [access.Sites].
func (s Sites) Of(site queue.SiteID) access.Store { return s[site] }
