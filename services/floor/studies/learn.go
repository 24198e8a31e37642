package studies

import (
	"context"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/scheduler/estimate"
	"tickover/services/experience"
	"tickover/services/simulate"
)

// Source learns from a site's log what comes, and how long work takes.
type Source struct {
	Log  log.Log
	Site queue.SiteID
	// Experience of the site; nil: one is made for each question.
	Experience *experience.Experience
}

// seenLeast is from how many pieces of work on a length is believed.
const seenLeast = 5

// Learn reads the log. Habits are nil when there is too little to go by;
// lengths answer for what was seen often enough.
func (s Source) Learn(ctx context.Context, shop *queue.Shop, now time.Time) (*simulate.Habits, simulate.Lengths, error) {
	var l simulate.Learner
	if err := s.Log.Read(ctx, s.Site, 0, l.Entry); err != nil {
		return nil, nil, err
	}
	e := s.Experience
	if e == nil {
		e = experience.New(s.Log, s.Site)
	}
	if err := e.Refresh(ctx, now); err != nil {
		return nil, nil, err
	}
	seen := e.Lengths()
	if seen == nil {
		return l.Habits(), nil, nil
	}
	return l.Habits(), func(id queue.OperationID, stretch int) (simulate.Length, bool) {
		op := shop.Operation(id)
		if op == nil || stretch >= len(op.Stretches) {
			return simulate.Length{}, false
		}
		x := seen.Of(op, stretch, "", "")
		if x.Basis > estimate.ByOperation || x.N < seenLeast {
			return simulate.Length{}, false
		}
		return simulate.Length{Median: x.Median(), Sigma: x.Sigma()}, true
	}, nil
}
