// Package claims counts what a campaign took, as the shop's log has it: for
// each machine that was swept here the calibration, who worked on it, and for
// how many hands-on minutes.
//
// A line is one technician's part of one step. Counted are the steps that the
// campaign added to the visit; where the visit had its flash anyway, the flash
// and what it makes necessary (resets, relearn, restart check, test ride). Of a
// step that was done more than once every run counts that was not a failure.
// Machines that another shop swept are not claimed.
package claims

import (
	"cmp"
	"context"
	"slices"
	"time"

	"tickover/queue"
)

// Line is one technician's part of one step.
type Line struct {
	Unit        queue.UnitID
	Machine     queue.Machine
	Done        time.Time             // when the machine was swept
	Calibration *queue.CalibrationRef // nil: a bulletin without a flash
	Step        queue.StepID
	Operation   queue.OperationID
	Technician  queue.PersonID
	HandsOn     time.Duration
}

// History reads a unit's events from the log.
type History interface {
	Events(ctx context.Context, u *queue.Unit, fn func(*queue.Event) error) error
}

// Sheet is the claim of a campaign, by unit and in the order of the work.
func Sheet(ctx context.Context, st *queue.State, c *queue.Campaign, h History, now time.Time) ([]Line, error) {
	var out []Line
	for _, l := range st.Lines(c, now) {
		u, steps := swept(c, &l)
		if u == nil {
			continue
		}
		lines, err := unit(ctx, st.Shop, u, steps, h)
		if err != nil {
			return nil, err
		}
		out = append(out, lines...)
	}
	slices.SortStableFunc(out, func(a, b Line) int { return cmp.Compare(a.Unit, b.Unit) })
	return out, nil
}

// swept is the visit that swept a machine, and its steps; nil: none did.
func swept(c *queue.Campaign, l *queue.CampaignLine) (*queue.Unit, []queue.StepID) {
	for _, u := range slices.Backward(l.Visits) {
		for _, s := range u.Sweeps {
			if s.Campaign == c.ID && done(u, s.Steps) {
				return u, withFlash(u, s.Steps)
			}
		}
	}
	if c.Calibration == nil || l.Flashed == nil || *l.Flashed != *c.Calibration {
		return nil, nil
	}
	for _, u := range l.Visits {
		if u.ID == l.FlashedIn {
			return u, withFlash(u, nil)
		}
	}
	return nil, nil
}

func done(u *queue.Unit, steps []queue.StepID) bool {
	for _, id := range steps {
		if s := u.Step(id); s == nil || s.Status != queue.Done {
			return false
		}
	}
	return len(steps) > 0
}

// followKinds are what a flash makes necessary.
var followKinds = []queue.OperationKind{queue.Flash, queue.Reset, queue.Relearn, queue.RestartCheck, queue.TestRide}

// withFlash are the steps that count, with what follows the flash.
func withFlash(u *queue.Unit, steps []queue.StepID) []queue.StepID {
	flash := len(steps) == 0 || slices.ContainsFunc(steps, func(id queue.StepID) bool { return u.Step(id).Kind == queue.Flash })
	var out []queue.StepID
	for i := range u.Steps {
		s := &u.Steps[i]
		if s.Status == queue.Done && (slices.Contains(steps, s.ID) || flash && slices.Contains(followKinds, s.Kind)) {
			out = append(out, s.ID)
		}
	}
	return out
}

// unit counts the visit's hands-on time by step and technician.
func unit(ctx context.Context, shop *queue.Shop, u *queue.Unit, steps []queue.StepID, h History) ([]Line, error) {
	var out []Line
	work := map[queue.StepID][]part{} // of the run that is on
	err := h.Events(ctx, u, func(e *queue.Event) error {
		switch d := e.Data.(type) {
		case *queue.StepStarted:
			work[d.Step] = []part{{0, d.Technician, e.When()}}
		case *queue.StepAdvanced:
			who := d.Technician
			if n := len(work[d.Step]); who == "" && n > 0 {
				who = work[d.Step][n-1].who
			}
			work[d.Step] = append(work[d.Step], part{d.Stretch, who, e.When()})
		case *queue.StepFailed:
			delete(work, d.Step)
		case *queue.StepDone:
			if slices.Contains(steps, d.Step) {
				out = count(out, shop, u, d.Step, work[d.Step], e.When())
			}
			delete(work, d.Step)
		}
		return nil
	})
	var last time.Time
	var flashed *queue.CalibrationRef
	for _, id := range steps {
		s := u.Step(id)
		if s.Ended.After(last) {
			last = s.Ended
		}
		if s.Calibration != nil {
			flashed = s.Calibration
		}
	}
	for i := range out {
		out[i].Done, out[i].Calibration = last, flashed
	}
	return out, err
}

// part is a stretch that somebody began.
type part struct {
	stretch int
	who     queue.PersonID
	from    time.Time
}

func count(out []Line, shop *queue.Shop, u *queue.Unit, id queue.StepID, parts []part, end time.Time) []Line {
	s := u.Step(id)
	op := shop.Operation(s.Operation)
	if op == nil {
		return out
	}
	for i, p := range parts {
		until := end
		if i+1 < len(parts) {
			until = parts[i+1].from
		}
		if p.stretch >= len(op.Stretches) || !op.Stretches[p.stretch].HandsOn || until.Before(p.from) {
			continue
		}
		j := slices.IndexFunc(out, func(l Line) bool { return l.Step == id && l.Technician == p.who })
		if j < 0 {
			j = len(out)
			out = append(out, Line{Unit: u.ID, Machine: u.Machine, Step: id, Operation: s.Operation, Technician: p.who})
		}
		out[j].HandsOn += until.Sub(p.from)
	}
	return out
}

// Minutes is hands-on time in whole minutes, rounded.
func (l *Line) Minutes() int { return int(l.HandsOn.Round(time.Minute) / time.Minute) }
