// Package catalogue takes a CSV file of calibrations into a shop. Pages, API
// and command line import through it.
//
// It guarantees that nothing is listed when a line is bad: contradictions and
// overlaps are found in the file and against what is listed before anything is
// sent. What was listed already as it is counts as unchanged, so the same file
// again changes nothing. Large files go as several commands; when the log fails
// in the middle, the report says how many are in, and importing again completes
// it.
package catalogue

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
	// CheckOnly changes nothing and tells what would happen.
	CheckOnly bool
}

// Report says what an import came to.
type Report struct {
	Rows      int                 `json:"rows"` // readable rows of the file
	Added     int                 `json:"added"`
	Unchanged int                 `json:"unchanged"` // listed before as they are
	Errors    intake.Errors       `json:"errors,omitempty"`
	New       []queue.Calibration `json:"-"` // what is added
	// Campaigns are those that open with it, by id.
	Campaigns []queue.CampaignID `json:"campaigns,omitempty"`
}

// ErrBadRows: rows were bad and nothing was imported.
var ErrBadRows = errors.New("nothing was imported: the file has bad lines")

// CSV imports a file. With ErrBadRows the report's Errors name every line.
func CSV(ctx context.Context, l *ledger.Ledger, r io.Reader, o Options) (Report, error) {
	st := l.View()
	if st.Shop == nil {
		return Report{}, queue.Refuse(queue.CodeNotReady, "Load a shop file first.", "the shop is not set up")
	}
	file, errs := intake.LoadCalibrations(r)
	rep := Report{Errors: errs}
	if file == nil || len(errs) > 0 {
		return rep, ErrBadRows
	}
	rep.Rows = len(file.Rows)
	plan := file.Against(st.Catalogue())
	rep.Unchanged, rep.Errors, rep.New = plan.Unchanged, plan.Errors, plan.New
	if len(rep.Errors) > 0 {
		return rep, ErrBadRows
	}
	rep.Campaigns = opening(st, plan.New)
	commands := intake.ListCommands(plan.New, intake.Sender{Now: o.Now, Actor: o.Actor})
	if o.CheckOnly {
		rep.Added = len(plan.New)
		return rep, judge(l, st, commands, o.Now)
	}
	for _, cmd := range commands {
		if _, err := l.Do(ctx, cmd); err != nil {
			return rep, fmt.Errorf("after %d of %d calibrations (import the file again to complete it): %w", rep.Added, len(plan.New), err)
		}
		rep.Added += len(cmd.Action.(*queue.ListCalibrations).Calibrations)
	}
	return rep, nil
}

// judge asks the queue whether it would take the first command: who may not
// list is told before he is shown what would happen.
func judge(l *ledger.Ledger, st *queue.State, commands []queue.Command, now time.Time) error {
	if len(commands) == 0 {
		return nil
	}
	_, err := queue.Decide(st, l.Almanac().Conditions(st, now, now), commands[0])
	return err
}

// opening are the campaigns that mandatory entries open.
func opening(st *queue.State, entries []queue.Calibration) []queue.CampaignID {
	var out []queue.CampaignID
	for _, c := range entries {
		if id := queue.CampaignFor(c.Ref()); c.Mandatory && !c.NoneNeeded && st.Campaigns[id] == nil {
			out = append(out, id)
		}
	}
	return out
}
