package shopfile

import (
	"cmp"
	"slices"
	"time"

	"tickover/queue"
)

const wholeDay = 24 * 60

// checkHours finds work that fits into no day: an unsplittable hands-on stretch
// longer than anybody works without a break, and a hands-off one longer than
// the shop is open.
func (d *draft) checkHours(r *reader, op *operationDraft) {
	if d.torn["hours"] || d.torn["technicians"] || !op.whole {
		return
	}
	open := longest(d.shop.Hours, queue.Week{})
	if open == 0 {
		return // told once, for the shop
	}
	guarded := op.Engine || op.Kind == queue.Flash
	if total := op.Duration(); guarded && open < wholeDay && total > minutes(open) {
		r.at(op.at, "shorten it: a running engine and a flash are never left alone overnight",
			"operation %s takes %s, the shop is never open longer than %s", op.ID, writeDuration(total), writeDuration(minutes(open)))
		return
	}
	for i, s := range op.Stretches {
		if !s.HandsOn {
			if !op.Overnight && open < wholeDay && s.Duration > minutes(open) {
				r.at(op.stretchAt[i], "add overnight: true if it may run on with nobody there",
					"a hands-off stretch of %s takes %s, the shop is never open longer than %s", op.ID, writeDuration(s.Duration), writeDuration(minutes(open)))
			}
			continue
		}
		most, able := d.longestShift(s.Skill)
		if able && !s.Splittable && most < wholeDay && s.Duration > minutes(most) {
			r.at(op.stretchAt[i], "add splittable: true, or make several stretches of it",
				"a stretch of %s takes %s, nobody who can do it works longer than %s without a break", op.ID, writeDuration(s.Duration), writeDuration(minutes(most)))
		}
	}
}

func minutes(m queue.Minute) time.Duration { return time.Duration(m) * time.Minute }

// longestShift is the longest time that somebody with the skill works without
// a break; false if nobody has it.
func (d *draft) longestShift(s queue.Skill) (most queue.Minute, able bool) {
	for i := range d.shop.Technicians {
		if t := &d.shop.Technicians[i]; t.Skilled(s) {
			most, able = max(most, longest(t.Shifts, t.Breaks)), true
		}
	}
	return most, able
}

// longest is the longest span of a week once the breaks are taken out. A span
// of a whole day counts as going on without end.
func longest(w, breaks queue.Week) queue.Minute {
	most := queue.Minute(0)
	for day := range w {
		// A span over midnight meets the breaks of both days.
		var cuts []queue.Span
		for _, b := range breaks[day] {
			cuts = append(cuts, queue.Span{From: b.From, To: end(b)})
		}
		for _, b := range breaks[(day+1)%7] {
			cuts = append(cuts, queue.Span{From: b.From + wholeDay, To: end(b) + wholeDay})
		}
		slices.SortFunc(cuts, func(a, b queue.Span) int { return cmp.Compare(a.From, b.From) })
		for _, s := range joined(w[day]) {
			from := s.From
			for _, c := range cuts {
				if c.From < s.To && c.To > from {
					most = max(most, c.From-from)
					from = c.To
				}
			}
			most = max(most, s.To-from)
		}
	}
	return most
}

// joined sorts spans and joins those that touch; ends count from the midnight
// before the day.
func joined(spans []queue.Span) []queue.Span {
	out := make([]queue.Span, 0, len(spans))
	for _, s := range spans {
		out = append(out, queue.Span{From: s.From, To: end(s)})
	}
	slices.SortFunc(out, func(a, b queue.Span) int { return cmp.Compare(a.From, b.From) })
	n := 0
	for _, s := range out {
		if n > 0 && out[n-1].To >= s.From {
			out[n-1].To = max(out[n-1].To, s.To)
			continue
		}
		out[n] = s
		n++
	}
	return out[:n]
}
