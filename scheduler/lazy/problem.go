package lazy

import "fmt"

// Problem is a project. Times are ticks from 0.
type Problem struct {
	Activities []Activity
	Lags       []Lag
	// Capacity is that of each renewable resource, Stock that of each
	// non-renewable one.
	Capacity, Stock []int64
	// Horizon is the latest end of any activity.
	Horizon int64
}

// Activity is done in one of its modes, at least one, without a break, at
// Release or later.
type Activity struct {
	Release int64
	Modes   []Mode
}

// Mode is one way to do an activity. Demand is for each of Problem.Capacity,
// Use for each of Problem.Stock.
type Mode struct {
	Duration    int64
	Demand, Use []int64
}

// Lag is the end of From (with FromStart: its start) + Min ≤ the start of To
// (with ToEnd: its end). ToEnd asks for a To whose modes are equally long.
type Lag struct {
	From, To         int
	FromStart, ToEnd bool
	Min              int64
}

// timesMax bounds every time and every sum of amounts.
const timesMax = 1 << 28

// check says what is wrong with p.
func (p *Problem) check() error {
	if p.Horizon < 0 || p.Horizon > timesMax {
		return fmt.Errorf("horizon %d is outside 0…%d", p.Horizon, timesMax)
	}
	for i := range p.Activities {
		a := &p.Activities[i]
		if len(a.Modes) == 0 {
			return fmt.Errorf("activity %d has no mode", i)
		}
		if a.Release < 0 || a.Release > timesMax {
			return fmt.Errorf("activity %d is released at %d; want 0…%d", i, a.Release, timesMax)
		}
		for k := range a.Modes {
			if err := a.Modes[k].check(len(p.Capacity), len(p.Stock)); err != nil {
				return fmt.Errorf("activity %d, mode %d: %w", i, k, err)
			}
		}
	}
	for _, l := range p.Lags {
		if l.From < 0 || l.To < 0 || l.From >= len(p.Activities) || l.To >= len(p.Activities) || l.Min < -timesMax || l.Min > timesMax {
			return fmt.Errorf("lag %+v has an activity or a length out of range", l)
		}
		if l.ToEnd {
			for _, m := range p.Activities[l.To].Modes {
				if m.Duration != p.Activities[l.To].Modes[0].Duration {
					return fmt.Errorf("lag %+v relates to the end of an activity of several durations", l)
				}
			}
		}
	}
	for _, list := range [][]int64{p.Capacity, p.Stock} {
		for r, c := range list {
			if c < 0 || c > timesMax {
				return fmt.Errorf("resource %d has capacity %d; want 0…%d", r, c, timesMax)
			}
		}
	}
	return nil
}

func (m *Mode) check(renewable, stock int) error {
	if m.Duration < 0 || m.Duration > timesMax {
		return fmt.Errorf("duration %d is outside 0…%d", m.Duration, timesMax)
	}
	if len(m.Demand) != renewable || len(m.Use) != stock {
		return fmt.Errorf("%d demands and %d uses for %d and %d resources", len(m.Demand), len(m.Use), renewable, stock)
	}
	for _, list := range [][]int64{m.Demand, m.Use} {
		for _, d := range list {
			if d < 0 || d > timesMax {
				return fmt.Errorf("amount %d is outside 0…%d", d, timesMax)
			}
		}
	}
	return nil
}
