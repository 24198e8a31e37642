package access

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"tickover/queue"
)

// Sites are the stores of a deployment's sites.
type Sites interface {
	// Having lists, in order, the sites whose store has something under the
	// key; some of it may be gone when it is read.
	Having(ctx context.Context, key string) ([]queue.SiteID, error)
	// Of is the store of one site.
	Of(site queue.SiteID) Store
}

// Abroad lists the other sites that somebody who is signed in at home may see:
// those where the account of the same name is open, is no bench's, and says that
// it is seen from home. What home says counts for nothing. A bench, a program's
// token and who is not signed in see none.
func Abroad(ctx context.Context, in Sites, home queue.SiteID, who *Who) ([]queue.SiteID, error) {
	if who == nil || who.Session == "" || who.Is(Bench) || !idForm.MatchString(who.Account) {
		return nil, nil
	}
	key := accountKey(who.Account)
	sites, err := in.Having(ctx, key)
	if err != nil {
		return nil, err
	}
	var out []queue.SiteID
	for _, site := range sites {
		if site == home {
			continue
		}
		item, err := in.Of(site).Get(ctx, key)
		if errors.Is(err, ErrNone) {
			continue
		}
		if err != nil {
			return nil, err
		}
		var a Account
		if err := json.Unmarshal(item.Value, &a); err != nil {
			return nil, fmt.Errorf("access: account %s of site %s is unreadable: %w", who.Account, site, err)
		}
		if !a.Shut && !a.Is(Bench) && slices.Contains(a.SeenFrom, home) {
			out = append(out, site)
		}
	}
	return out, nil
}
