package record

import (
	"context"

	"tickover/services/experience"
	"tickover/services/past"
)

// Lengths are how long work takes, as it was known at a moment gone by.
func (r *Record) Lengths(ctx context.Context, m Moment) (*experience.Lengths, error) {
	e := experience.New(past.Until(r.o.History.Log, m.State.Seq), r.o.History.Site)
	if err := e.Refresh(ctx, m.At); err != nil {
		return nil, err
	}
	return e.Lengths(), nil
}
