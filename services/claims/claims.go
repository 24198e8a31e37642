// Package claims counts what a campaign took, as the shop's log has it: for
// each machine that was swept here the calibration, who worked on it, and for
// how many hands-on minutes.
//
// A line is one technician's part of one step. Counted are the steps that the
// campaign added to the visit; where the visit had its flash anyway, the flash
// and what it makes necessary (resets, relearn, restart check, test ride). Of a
// step that was done more than once every run counts that was not a failure.
// Machines that another shop swept are not claimed.
//
// The minutes are those of services/timesheet, so that a claim and the shop's
// own figures agree: breaks and nights in work that may pause are not claimed,
// nor is a stretch that was probably never signed off, which is shown apart.
package claims

import (
	"cmp"
	"slices"
	"time"

	"tickover/metrics/labour"
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
	// Doubtful is hands-on time that is not claimed, because "done" was
	// probably forgotten.
	Doubtful time.Duration
}

// Work has the hands-on stretches of a visit; a *timesheet.Sheet does.
type Work interface {
	Of(queue.UnitID) []labour.Piece
}

// Sheet is the claim of a campaign, by unit and in the order of the work.
func Sheet(st *queue.State, c *queue.Campaign, work Work, now time.Time) []Line {
	var out []Line
	for _, l := range st.Lines(c, now) {
		if u, steps := swept(c, &l); u != nil {
			out = append(out, unit(u, steps, work.Of(u.ID))...)
		}
	}
	slices.SortStableFunc(out, func(a, b Line) int { return cmp.Compare(a.Unit, b.Unit) })
	return out
}

// Oldest is when the work of a campaign's claim began; zero: there is none.
func Oldest(st *queue.State, c *queue.Campaign, now time.Time) time.Time {
	var oldest time.Time
	for _, l := range st.Lines(c, now) {
		if u, _ := swept(c, &l); u != nil && (oldest.IsZero() || u.Arrived.Before(oldest)) {
			oldest = u.Arrived
		}
	}
	return oldest
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
func unit(u *queue.Unit, steps []queue.StepID, pieces []labour.Piece) []Line {
	var out []Line
	for i := range pieces {
		p := &pieces[i]
		id := queue.StepID(p.Step)
		if p.Done.IsZero() || !slices.Contains(steps, id) {
			continue
		}
		j := slices.IndexFunc(out, func(l Line) bool { return l.Step == id && string(l.Technician) == p.Technician })
		if j < 0 {
			j = len(out)
			out = append(out, Line{Unit: u.ID, Machine: u.Machine, Step: id, Operation: u.Step(id).Operation, Technician: queue.PersonID(p.Technician)})
		}
		if p.Doubt != labour.Sure {
			out[j].Doubtful += p.Time()
		} else {
			out[j].HandsOn += p.Time()
		}
	}
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
	return out
}
