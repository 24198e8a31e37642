package planfile

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"tickover/services/dispatch"
)

// Table writes the plan as text: its steps by start, the units, what can't be
// kept and why, and the objective.
func (r *Result) Table(w io.Writer) error {
	p, loc := r.Plan, r.Almanac.Location()
	tw := tabwriter.NewWriter(w, 0, 4, 2, ' ', 0)
	fmt.Fprintln(tw, "start\tend\tunit\tstep\twhere\ttechnician\twhy then")
	for i := range p.Steps {
		s := &p.Steps[i]
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", clock(s.Start, loc), clock(s.End, loc), s.Unit, s.Step, where(s), technicians(s), s.Why)
	}
	fmt.Fprintln(tw, "\t\t\t\t\t\t")
	fmt.Fprintln(tw, "unit\tready\tpromised\tlate\t\t\t")
	for _, u := range p.Units {
		ready, late, promised := "not within the plan", "", "-"
		if !u.Ready.IsZero() {
			ready = clock(u.Ready, loc)
		}
		if u.LateMin > 0 {
			late = minutes(u.LateMin)
		}
		if !u.Promise.IsZero() {
			promised = clock(u.Promise, loc)
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t\t\t\n", u.Unit, ready, promised, late)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	return r.reasons(w)
}

// reasons writes what can't be kept, and the objective.
func (r *Result) reasons(w io.Writer) error {
	p := r.Plan
	var b strings.Builder
	say := func(format string, args ...any) {
		if b.Len() == 0 {
			b.WriteString("\ncan't be kept:\n")
		}
		fmt.Fprintf(&b, format+"\n", args...)
	}
	for _, u := range p.Unplaced {
		say("  %s %s has no place (%s): %s", u.Unit, u.Step, u.Constraint, u.Why)
	}
	for _, f := range p.Pins {
		say("  pin of %s %s (%s): %s", f.Unit, f.Step, f.Constraint, f.Why)
	}
	for _, u := range p.Units {
		if u.Conflict != nil {
			say("  %s", u.Conflict.Text)
		}
	}
	c := p.Cost
	fmt.Fprintf(&b, "\nJ %.2f weighted minutes: late %.2f, flow %.2f, moved %.2f, accepted moved %.2f; proved to be at least %.2f\n",
		c.J, c.Late, c.Flow, c.Moved, c.AcceptedMove, c.Bound)
	_, err := io.WriteString(w, b.String())
	return err
}

func clock(t time.Time, loc *time.Location) string { return t.In(loc).Format("Mon 02 15:04") }

// minutes writes "35 min", "2 h 05 min".
func minutes(n int64) string {
	if n < 60 {
		return fmt.Sprintf("%d min", n)
	}
	return fmt.Sprintf("%d h %02d min", n/60, n%60)
}

func where(s *dispatch.PlannedStep) string {
	names := make([]string, len(s.Resources))
	for i, r := range s.Resources {
		names[i] = string(r)
	}
	return strings.Join(names, " ")
}

// technicians are all who work on a step, in the order in which they do.
func technicians(s *dispatch.PlannedStep) string {
	var names []string
	for _, x := range s.Stretches {
		for _, t := range x.Technicians {
			if !slices.Contains(names, string(t)) {
				names = append(names, string(t))
			}
		}
	}
	return strings.Join(names, " ")
}
