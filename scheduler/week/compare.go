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
	// Weeks are the outcomes by week, then by way.
	Weeks [][]*Outcome
}

// SeriesOptions say what is run.
type SeriesOptions struct {
	Seed uint64
	// Weeks are numbered from 0; Only, if set, are the numbers to run.
	Weeks   int
	Only    []int
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
	s := &Series{Seed: o.Seed, Weeks: make([][]*Outcome, len(numbers))}
	for _, y := range o.Ways {
		s.Ways = append(s.Ways, y.Name())
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(max(1, o.Threads))
	for i, n := range numbers {
		g.Go(func() error {
			w := Draw(o.Seed, n, o.Size)
			for _, y := range o.Ways {
				out, err := w.Run(ctx, y)
				if err != nil {
					return err
				}
				s.Weeks[i] = append(s.Weeks[i], out)
				if o.Done != nil {
					o.Done(out)
				}
			}
			return nil
		})
	}
	return s, g.Wait()
}

// mean is that of a figure of the k-th way over the weeks.
func (s *Series) mean(k int, of func(*Outcome) float64) float64 {
	return stat.Mean(s.column(k, of), nil)
}

func (s *Series) column(k int, of func(*Outcome) float64) []float64 {
	out := make([]float64, len(s.Weeks))
	for i := range s.Weeks {
		out[i] = of(s.Weeks[i][k])
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
	// Worse are the numbers of the weeks in which the first way's J is higher.
	Worse []int
}

// Pairs compares the first way with every other.
func (s *Series) Pairs() []Pair {
	var out []Pair
	first := s.column(0, (*Outcome).J)
	for k := 1; k < len(s.Ways); k++ {
		out = append(out, s.pair(s.Ways[k], first, s.column(k, (*Outcome).J)))
		kept := make([]float64, len(s.Weeks))
		for i := range s.Weeks {
			kept[i] = 100 * (s.Weeks[i][0].Kept - s.Weeks[i][k].Kept)
		}
		out[k-1].Kept = confidence(kept)
	}
	return out
}

func (s *Series) pair(way string, a, b []float64) Pair {
	p := Pair{Way: way}
	diff, lower := make([]float64, len(a)), make([]float64, len(a))
	var sumA, sumB float64
	for i := range a {
		diff[i], lower[i] = a[i]-b[i], 100*(b[i]-a[i])/b[i]
		sumA, sumB = sumA+a[i], sumB+b[i]
		if a[i] > b[i] {
			p.Worse = append(p.Worse, s.Weeks[i][0].Week.Number)
		}
	}
	p.J, p.Lower, p.LowerTotal = confidence(diff), confidence(lower), 100*(sumB-sumA)/sumB
	return p
}

// Best compares the first way with the best, in each week, of the ways that
// don't watch: a foreman who knew beforehand which rule will suit the week.
func (s *Series) Best() Pair {
	first, best := s.column(0, (*Outcome).J), make([]float64, len(s.Weeks))
	for i := range s.Weeks {
		best[i] = math.Inf(1)
		for _, o := range s.Weeks[i][1:] {
			if !o.Watches {
				best[i] = min(best[i], o.J())
			}
		}
	}
	return s.pair("the best of a week, no watching", first, best)
}
