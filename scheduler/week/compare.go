package week

import (
	"context"
	"errors"
	"math"
	"slices"

	"golang.org/x/sync/errgroup"
	"gonum.org/v1/gonum/stat"

	"tickover/scheduler/tally"
)

// Series is the same weeks under several ways.
type Series struct {
	Seed uint64
	Ways []string
	// Weeks are the outcomes by week, then by luck, then by way.
	Weeks [][][]*Outcome
}

// SeriesOptions say what is run.
type SeriesOptions struct {
	Seed uint64
	// Weeks are numbered from 0; Only, if set, are the numbers to run.
	Weeks int
	Only  []int
	// Luck is how often each week is run, every way with the same luck each
	// time (see Size.Luck); 0: once.
	Luck    int
	Size    Size
	Ways    []Way
	Threads int // weeks run at once; 0: 1
	// Done, if set, is called with each outcome, from several goroutines.
	Done func(*Outcome)
}

// Usual are the ways that are compared: the planner first, then by hand
// without and with watching.
func Usual(e Effort) []Way {
	ways := []Way{Planner(e)}
	for _, watching := range []bool{false, true} {
		for _, r := range []Rule{FirstCome, EarliestPromise, ApparentTardiness} {
			ways = append(ways, ByHand(r, watching))
		}
	}
	return ways
}

// Run runs every week in every way.
func Run(ctx context.Context, o SeriesOptions) (*Series, error) {
	numbers := o.Only
	if len(numbers) == 0 {
		for n := range o.Weeks {
			numbers = append(numbers, n)
		}
	}
	if len(numbers) == 0 || len(o.Ways) == 0 || slices.Min(numbers) < 0 {
		return nil, errors.New("simulated weeks: at least one way and one week, numbered from 0, are needed")
	}
	s := &Series{Seed: o.Seed, Weeks: make([][][]*Outcome, len(numbers))}
	luck := max(1, o.Luck)
	for _, y := range o.Ways {
		s.Ways = append(s.Ways, y.Name())
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(max(1, o.Threads))
	for i, n := range numbers {
		s.Weeks[i] = make([][]*Outcome, luck)
		for l := range luck {
			g.Go(func() error {
				size := o.Size
				size.Luck += l
				w := Draw(o.Seed, n, size)
				for _, y := range o.Ways {
					out, err := w.Run(ctx, y)
					if err != nil {
						return err
					}
					s.Weeks[i][l] = append(s.Weeks[i][l], out)
					if o.Done != nil {
						o.Done(out)
					}
				}
				return nil
			})
		}
	}
	return s, g.Wait()
}

// mean is that of a figure of the k-th way over the weeks.
func (s *Series) mean(k int, of func(*Outcome) float64) float64 {
	return stat.Mean(s.column(k, of), nil)
}

// column is a figure of the k-th way, each week's mean over its luck.
func (s *Series) column(k int, of func(*Outcome) float64) []float64 {
	out := make([]float64, len(s.Weeks))
	for i := range s.Weeks {
		out[i] = stat.Mean(s.ofWeek(i, k, of), nil)
	}
	return out
}

// ofWeek is a figure of the k-th way in the i-th week, by luck.
func (s *Series) ofWeek(i, k int, of func(*Outcome) float64) []float64 {
	out := make([]float64, len(s.Weeks[i]))
	for l := range out {
		out[l] = of(s.Weeks[i][l][k])
	}
	return out
}

// Interval is a mean with its 95 % confidence interval, Mean ± Half.
type Interval = tally.Interval

func confidence(values []float64) Interval {
	var s tally.Sample
	for _, x := range values {
		s.Add(x)
	}
	return s.Interval()
}

// Pair is the first way against another on the same weeks.
type Pair struct {
	Way string
	// J is the difference of J, the first way's less the other's; Kept of the
	// promises kept, in points of percent.
	J, Kept Interval
	// Lower is by how many percent J is lower, week by week, LowerTotal of the
	// sum of all weeks.
	Lower      Interval
	LowerTotal float64
	// Worse are the weeks in whose mean the first way's J is higher.
	Worse []Lost
}

// Lost is a week that the first way lost: by how many percent its J is higher
// than the other's, over the luck of the week; unbounded if it was run once.
type Lost struct {
	Number int
	Higher Interval
}

// Pairs compares the first way with every other.
func (s *Series) Pairs() []Pair {
	var out []Pair
	for k := 1; k < len(s.Ways); k++ {
		p := s.pair(s.Ways[k], func(int) int { return k })
		first, other := s.column(0, kept), s.column(k, kept)
		for i := range other {
			other[i] = 100 * (first[i] - other[i])
		}
		p.Kept = confidence(other)
		out = append(out, p)
	}
	return out
}

func kept(o *Outcome) float64 { return o.Kept }

// pair compares the first way with the one that of names for each week.
func (s *Series) pair(way string, of func(i int) int) Pair {
	p := Pair{Way: way}
	diff, lower := make([]float64, len(s.Weeks)), make([]float64, len(s.Weeks))
	var sumA, sumB float64
	for i := range s.Weeks {
		x, y := s.ofWeek(i, 0, (*Outcome).J), s.ofWeek(i, of(i), (*Outcome).J)
		a, b := stat.Mean(x, nil), stat.Mean(y, nil)
		diff[i], lower[i] = a-b, 100*(b-a)/b
		sumA, sumB = sumA+a, sumB+b
		if a <= b {
			continue
		}
		for l := range x {
			x[l] = 100 * (x[l] - y[l]) / b
		}
		p.Worse = append(p.Worse, Lost{s.Weeks[i][0][0].Week.Number, confidence(x)})
	}
	p.J, p.Lower, p.LowerTotal = confidence(diff), confidence(lower), 100*(sumB-sumA)/sumB
	return p
}

// Best compares the first way with the best, in each week's mean, of the ways
// that don't watch: a foreman who knew beforehand which rule will suit the
// week.
func (s *Series) Best() Pair {
	return s.pair("the best of a week, no watching", func(i int) int {
		best, least := 0, math.Inf(1)
		for k, o := range s.Weeks[i][0] {
			if k == 0 || o.Watches {
				continue
			}
			if j := stat.Mean(s.ofWeek(i, k, (*Outcome).J), nil); j < least {
				best, least = k, j
			}
		}
		return best
	})
}
