// Package tally sums up what a simulation sees without keeping it: means and
// deviations of samples, time averages of levels, and 95 % intervals.
//
// A zero Sample or Level is ready for use. None of the answers is ever NaN:
// of nothing the mean is 0, and of fewer than two values the interval is
// unbounded.
package tally

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Sample is the mean and the spread of values that come one by one, by
// Welford's recurrence (Technometrics 4(3), 1962, 419–420; from memory), which
// does not lose the digits that a sum of squares loses.
type Sample struct {
	n             int
	mean, squares float64
}

// Add takes a value in; one that is not finite is left out.
func (s *Sample) Add(x float64) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return
	}
	s.n++
	d := x - s.mean
	s.mean += d / float64(s.n)
	s.squares += d * (x - s.mean)
}

// N is the number of values.
func (s *Sample) N() int { return s.n }

// Mean is their mean; 0 of none.
func (s *Sample) Mean() float64 { return s.mean }

// Variance divides by n − 1; 0 of fewer than two.
func (s *Sample) Variance() float64 {
	if s.n < 2 {
		return 0
	}
	return s.squares / float64(s.n-1)
}

// Deviation is the standard deviation.
func (s *Sample) Deviation() float64 { return math.Sqrt(s.Variance()) }

// Error is the standard error of the mean of independent values.
func (s *Sample) Error() float64 {
	if s.n < 2 {
		return math.Inf(1)
	}
	return s.Deviation() / math.Sqrt(float64(s.n))
}

// Interval is a mean with its 95 % confidence interval, Mean ± Half.
type Interval struct{ Mean, Half float64 }

// Interval is that of the mean of independent values, by Student's
// distribution.
func (s *Sample) Interval() Interval {
	if s.n < 2 {
		return Interval{s.mean, math.Inf(1)}
	}
	t := distuv.StudentsT{Sigma: 1, Nu: float64(s.n - 1)}.Quantile(0.975)
	return Interval{s.mean, t * s.Error()}
}

// Sure reports that the interval does not hold 0: the difference is beyond
// chance.
func (i Interval) Sure() bool { return math.Abs(i.Mean) > i.Half }

// Bounded reports that there were values enough for an interval.
func (i Interval) Bounded() bool { return !math.IsInf(i.Half, 0) && !math.IsNaN(i.Half) }

// Level is a number that changes at moments, in any unit of time; it sums
// exactly.
type Level struct {
	now, since, last int64
	area             int64
}

// Add changes the level at a moment that is not before the last one.
func (l *Level) Add(at, by int64) {
	l.to(at)
	l.now += by
}

func (l *Level) to(at int64) {
	l.area += l.now * (at - l.last)
	l.last = at
}

// Reset forgets what was before a moment, but for the level itself.
func (l *Level) Reset(at int64) {
	l.to(at)
	l.area, l.since = 0, at
}

// Area is the integral from the last Reset to a moment.
func (l *Level) Area(at int64) int64 {
	l.to(at)
	return l.area
}

// Mean is the average from the last Reset to a moment; 0 of no time.
func (l *Level) Mean(at int64) float64 {
	l.to(at)
	if at <= l.since {
		return 0
	}
	return float64(l.area) / float64(at-l.since)
}
