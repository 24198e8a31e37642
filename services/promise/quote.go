package promise

import (
	"context"
	"fmt"
	"time"

	"tickover/queue"
)

// Quote says by when units would be ready that are about to be checked in, all
// at once: what can be promised with any share. The state is that before they
// come; it stays as it is. A *queue.Refusal says why one can't be checked in.
func Quote(ctx context.Context, in Input, units []queue.ReceiveUnit) ([]Promise, error) {
	if in.State == nil || in.State.Shop == nil || in.Almanac == nil {
		return nil, fmt.Errorf("promise: no shop file is in effect")
	}
	next := in.State.Fork()
	in.unpromised = map[queue.UnitID]bool{}
	list := queue.ReceiveUnits{}
	for _, u := range units {
		if !u.Arrival.Promise.After(in.Now) {
			u.Arrival.Promise = in.Now.Add(30 * 24 * time.Hour).UTC() // it needs one, but does not count
		}
		list.Units = append(list.Units, u)
		in.unpromised[u.Unit] = true
	}
	cmd := queue.Command{ID: "quote", At: in.Now, Action: &list}
	out, err := queue.Decide(next, in.Almanac.Conditions(next, in.Now, in.Now), cmd)
	if err != nil {
		return nil, err
	}
	if _, err := next.Apply(out.Entry(next)); err != nil {
		return nil, fmt.Errorf("promise: %w", err)
	}
	in.State = next
	all, err := All(ctx, in)
	if err != nil {
		return nil, err
	}
	quotes := make([]Promise, len(units))
	for i := range units {
		quotes[i] = all[units[i].Unit]
	}
	return quotes, nil
}

// Said is a time as it is said to a customer: up to the next five minutes; zero
// stays zero.
func Said(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return t.Add(5*time.Minute - 1).Truncate(5 * time.Minute)
}
