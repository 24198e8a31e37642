// Package history reads a unit's events from the log: who said what and when,
// as it was recorded.
package history

import (
	"context"
	"errors"

	"tickover/queue"
	"tickover/queue/log"
)

// runMax is how many entries of others are read past on the way to the unit's
// next one, before it is cheaper to ask the log anew.
const runMax = 64

// Reader reads from one site's log.
type Reader struct {
	Log  log.Log
	Site queue.SiteID
}

var errEnough = errors.New("enough read")

// Events calls fn for the unit's events, oldest first. An error of fn ends it
// and is returned.
func (r Reader) Events(ctx context.Context, u *queue.Unit, fn func(*queue.Event) error) error {
	subject := queue.UnitSubject(u.ID)
	for i := 0; i < len(u.Entries); {
		last := i // of the run that begins at i
		for last+1 < len(u.Entries) && u.Entries[last+1]-u.Entries[last] <= runMax {
			last++
		}
		err := r.Log.Read(ctx, r.Site, u.Entries[i]-1, func(en *queue.Entry) error {
			for k := range en.Events {
				if en.Events[k].Subject == subject {
					if err := fn(&en.Events[k]); err != nil {
						return err
					}
				}
			}
			if en.Seq >= u.Entries[last] {
				return errEnough
			}
			return nil
		})
		if err != nil && !errors.Is(err, errEnough) {
			return err
		}
		i = last + 1
	}
	return nil
}
