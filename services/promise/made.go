package promise

import (
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"tickover/scheduler/calendar"
	"tickover/scheduler/forecast"
	"tickover/scheduler/model"
	"tickover/services/almanac"
)

// hours count the time that the shop is open.
type hours struct {
	now  time.Time
	open calendar.Set // from now on
}

// beyond is how far after the plan's end times are looked for.
const beyond = 45 * 24 * time.Hour

func hoursFrom(a *almanac.Almanac, now, until time.Time) hours {
	end := until.Add(beyond)
	return hours{now, a.Open(now, end).Clip(now, end)}
}

// minutes are the open ones from now to a moment.
func (h hours) minutes(t time.Time) float64 {
	var sum time.Duration
	for _, iv := range h.open {
		if !iv.Start.Before(t) {
			break
		}
		if iv.End.After(t) {
			sum += t.Sub(iv.Start)
		} else {
			sum += iv.Duration()
		}
	}
	return sum.Minutes()
}

// at is the moment when the shop will have been open for so long; zero: too far
// off.
func (h hours) at(minutes float64) time.Time {
	if math.IsNaN(minutes) || minutes > 1e6 {
		return time.Time{}
	}
	rest := time.Duration(max(minutes, 0) * float64(time.Minute))
	for _, iv := range h.open {
		if d := iv.Duration(); rest > d {
			rest -= d
			continue
		}
		return iv.Start.Add(rest)
	}
	return time.Time{}
}

// made is a forecast of one unit in open minutes, with what corrects it.
type made struct {
	hours
	median float64 // of the paths, open minutes from now; NaN: not known
	scale  float64 // of their logarithm
	past   *forecast.Correction
}

// A few minutes more or less are no error of a forecast, and no forecast is
// surer than its paths and this.
const (
	offsetMin  = 20.0
	scaleLeast = 0.2
)

func madeOf(h hours, origin time.Time, j *forecast.Job, past *forecast.Correction) made {
	end := func(p float64) float64 {
		t := j.Quantile(p)
		if t >= model.Unlimited {
			return math.Inf(1)
		}
		return math.Log(h.minutes(origin.Add(time.Duration(t)*time.Minute)) + offsetMin)
	}
	mid, low, high := end(.5), end(.16), end(.84)
	m := made{hours: h, median: math.NaN(), past: past}
	if math.IsInf(mid, 0) {
		return m
	}
	half := mid - low
	if !math.IsInf(high, 0) {
		half = (high - low) / 2
	}
	m.median, m.scale = math.Exp(mid)-offsetMin, math.Hypot(half, scaleLeast)
	return m
}

func (m *made) known() bool { return !math.IsNaN(m.median) && m.scale > 0 }

// at is the time by which a share of such units are ready.
func (m *made) at(share float64) time.Time {
	if !m.known() {
		return time.Time{}
	}
	return m.hours.at(math.Exp(math.Log(m.median+offsetMin)+m.scale*m.past.Quantile(share)) - offsetMin)
}

// score is how far beyond the median a moment is, in spreads.
func (m *made) score(t time.Time) float64 {
	return (math.Log(m.minutes(t)+offsetMin) - math.Log(m.median+offsetMin)) / m.scale
}

// raw is the time by which a share of the paths were done, as far as their
// median and spread tell.
func (m *made) raw(share float64) time.Time {
	if !m.known() {
		return time.Time{}
	}
	half := math.Sqrt(max(m.scale*m.scale-scaleLeast*scaleLeast, 0))
	return m.hours.at(math.Exp(math.Log(m.median+offsetMin)+half*distuv.UnitNormal.Quantile(share)) - offsetMin)
}
