package main

import (
	"fmt"
	"strings"
	"time"

	"tickover/services/bench"
)

// describeView is a bench's screen in a few lines of text.
func describeView(v bench.View) string {
	var b strings.Builder
	for _, j := range v.Jobs {
		state := "accepted"
		if j.Running {
			state = fmt.Sprintf("running, part %d of %d", j.Stretch+1, j.Stretches)
			if !j.HandsOn && !j.StretchEnds.IsZero() {
				state += " (hands-off until " + j.StretchEnds.Local().Format(time.TimeOnly) + ")"
			}
		}
		fmt.Fprintf(&b, "%s of %s, %s: %s\n", j.Step, j.Unit, j.Technician, state)
	}
	if o := v.Offer; o != nil {
		fmt.Fprintf(&b, "next: %s of %s for %s at %s. %s\n", o.Step, o.Unit, o.Technician, o.Start.Local().Format("15:04"), o.Why)
	}
	if b.Len() == 0 {
		return "nothing to do"
	}
	return strings.TrimSuffix(b.String(), "\n")
}
