package dispatch

import (
	"time"

	"tickover/scheduler/calendar"
	"tickover/scheduler/model"
)

// ticks converts between instants and minutes since an origin.
type ticks struct {
	origin time.Time // on a whole minute
	now    time.Time
	nowT   model.Time
	until  time.Time
}

// farAway bounds moments that make no sense (a promise in the year 9000), so
// that they stay within what the model takes.
const farAway = model.TimeMax / 4

func clampTick(t model.Time) model.Time { return max(-farAway, min(farAway, t)) }

// down is the last whole minute at or before t.
func (k ticks) down(t time.Time) model.Time {
	sec := t.Unix() - k.origin.Unix()
	return clampTick(model.Time(floorDiv(sec, 60)))
}

// up is the first whole minute at or after t.
func (k ticks) up(t time.Time) model.Time {
	sec := t.Unix() - k.origin.Unix()
	if t.Nanosecond() > 0 {
		sec++
	}
	return clampTick(model.Time(-floorDiv(-sec, 60)))
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// at is the instant of a tick.
func (k ticks) at(t model.Time) time.Time { return k.origin.Add(time.Duration(t) * time.Minute) }

// minutesUp and minutesDown are a duration in whole minutes.
func minutesUp(d time.Duration) model.Time {
	return clampTick(model.Time((max(d, 0) + time.Minute - 1) / time.Minute))
}

func minutesDown(d time.Duration) model.Time { return clampTick(model.Time(max(d, 0) / time.Minute)) }

// windows are the whole minutes inside a set: time that may be used. The
// result is empty, not nil, for an empty set.
func (k ticks) windows(set calendar.Set) []model.Interval {
	out := make([]model.Interval, 0, len(set))
	for _, iv := range set {
		out = appendInterval(out, model.Interval{Start: k.up(iv.Start), End: k.down(iv.End)})
	}
	return out
}

// covers are the whole minutes that touch a set: time that may not be used.
func (k ticks) covers(set calendar.Set) []model.Interval {
	var out []model.Interval
	for _, iv := range set {
		out = appendInterval(out, model.Interval{Start: k.down(iv.Start), End: k.up(iv.End)})
	}
	return out
}

// appendInterval keeps a list sorted and disjoint.
func appendInterval(list []model.Interval, iv model.Interval) []model.Interval {
	if n := len(list); n > 0 && iv.Start <= list[n-1].End {
		list[n-1].End = max(list[n-1].End, iv.End)
		return list
	}
	if iv.Start >= iv.End {
		return list
	}
	return append(list, iv)
}
