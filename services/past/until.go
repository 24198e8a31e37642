package past

import (
	"context"
	"errors"

	"tickover/queue"
	"tickover/queue/log"
)

// Until is the log as it was when seq was its last entry, to read from.
func Until(l log.Log, seq uint64) log.Log { return &until{l, seq} }

type until struct {
	log.Log
	seq uint64
}

var errEnd = errors.New("the end of that time's log")

func (u *until) Read(ctx context.Context, site queue.SiteID, after uint64, fn func(*queue.Entry) error) error {
	if after >= u.seq {
		return nil
	}
	err := u.Log.Read(ctx, site, after, func(en *queue.Entry) error {
		if en.Seq > u.seq {
			return errEnd
		}
		if err := fn(en); err != nil || en.Seq < u.seq {
			return err
		}
		return errEnd
	})
	if errors.Is(err, errEnd) {
		return nil
	}
	return err
}
