package dispatch

import (
	"time"

	"tickover/queue"
	"tickover/services/almanac"
)

// StretchEnd is when the present stretch of a running step is expected to end:
// its start and its length, and for splittable work the technician's breaks
// and nights in between. Waiting is not foreseen, so a step that is overdue
// has its end in the past.
func StretchEnd(st *queue.State, a *almanac.Almanac, s *queue.Step) time.Time {
	op := st.Shop.Operation(s.Operation)
	if op == nil || len(op.Stretches) == 0 {
		return s.StretchStarted
	}
	x := &op.Stretches[min(s.Stretch, len(op.Stretches)-1)]
	end := s.StretchStarted.Add(x.Duration)
	if !x.HandsOn || !x.Splittable || a == nil {
		return end
	}
	from, to := s.StretchStarted, s.StretchStarted.Add(splitMax)
	rest := x.Duration
	for _, iv := range a.Shifts(s.Technician, st.Absences[s.Technician], from, to).Subtract(a.Breaks(s.Technician, from, to)) {
		if d := iv.Duration(); d < rest {
			rest -= d
			continue
		}
		return iv.Start.Add(rest)
	}
	return end
}

// splitMax bounds how far splittable work is looked ahead.
const splitMax = 21 * 24 * time.Hour
