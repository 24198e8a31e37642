// Package checkin takes a CSV file of units into a shop: all of its rows or
// none, unless told otherwise. Pages, API and command line import through it.
//
// It guarantees what queue/intake does: every bad line is named, and the same
// file again changes nothing. All or nothing holds for the file's own mistakes
// and the queue's rules; when the log fails in the middle (a full disk), the
// report says how many units are in, and importing again completes it.
package checkin

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/services/ledger"
)

// Options say how to import.
type Options struct {
	Actor queue.PersonID
	Now   time.Time
	// Partial takes the good rows although others are bad.
	Partial bool
	// CheckOnly changes nothing and tells what would happen.
	CheckOnly bool
	// Progress hears how many of the new units are in; nil: nobody.
	Progress func(done, total int)
	// Overrides lets interlocks pass, by a foreman.
	Overrides []queue.Override
}

// Report says what an import came to.
type Report struct {
	Rows      int           `json:"rows"` // readable rows of the file
	Added     int           `json:"added"`
	Unchanged int           `json:"unchanged"` // arrived before, as they are
	Errors    intake.Errors `json:"errors,omitempty"`
}

// ErrBadRows: rows were bad and nothing was imported.
var ErrBadRows = errors.New("nothing was imported: the file has bad lines")

// CSV imports a file. With ErrBadRows the report's Errors name every line.
func CSV(ctx context.Context, l *ledger.Ledger, r io.Reader, o Options) (Report, error) {
	st := l.View()
	if st.Shop == nil {
		return Report{}, queue.Refuse(queue.CodeNotReady, "Load a shop file first.", "the shop is not set up")
	}
	batch, errs := intake.Load(r, st.Shop)
	rep := Report{Errors: errs}
	if batch == nil {
		return rep, ErrBadRows
	}
	by := intake.Sender{Now: o.Now, Actor: o.Actor, Overrides: o.Overrides}
	rep.Rows = len(batch.Rows)
	plan := batch.Against(st, by)
	rep.Unchanged = plan.Unchanged
	rep.Errors = append(rep.Errors, plan.Errors...)
	switch {
	case len(rep.Errors) > 0 && !o.Partial:
		return rep, ErrBadRows
	case o.CheckOnly:
		rep.Added = len(plan.New)
		return rep, nil
	}
	for _, cmd := range intake.Commands(plan.New, by) {
		if _, err := l.Do(ctx, cmd); err != nil {
			return rep, fmt.Errorf("after %d of %d units (import the file again to complete it): %w", rep.Added, len(plan.New), err)
		}
		rep.Added += unitsOf(cmd)
		if o.Progress != nil {
			o.Progress(rep.Added, len(plan.New))
		}
	}
	return rep, nil
}

func unitsOf(cmd queue.Command) int {
	if all, ok := cmd.Action.(*queue.ReceiveUnits); ok {
		return len(all.Units)
	}
	return 1
}
