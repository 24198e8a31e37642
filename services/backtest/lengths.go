package backtest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"tickover/queue"
	"tickover/scheduler/tally"
	"tickover/services/simshop"
)

// LengthsOptions say how shops are run in pairs, with listed and with learnt
// lengths.
type LengthsOptions struct {
	Shop     *queue.Shop
	ShopFile queue.Hash
	Seeds    []uint64 // one shop each
	Days     int      // calendar days of each
	// Skip are the first days, in which there is little to learn from: what
	// arrives in them does not count.
	Skip int
	Load float64 // scales what arrives; 0: 1
	// Quantiles to plan with; each is run on every seed.
	Quantiles []float64
	// Truly is how long operations really take, as factors of what is listed.
	Truly     map[queue.OperationID]float64
	Schedules int // of each plan; 0: 100
	Threads   int // shops that run at once; 0: 1
	Progress  func(seed uint64, quantile float64, r LengthsRun)
}

// LengthsRun is what came of one shop.
type LengthsRun struct {
	Kept, Missed int
	// LateMin and FlowMin are of the units that count, as means in minutes: past
	// the promise, and from arrival until ready.
	LateMin, FlowMin float64
	// J is the planning objective's lateness and flow of what happened, in
	// weighted minutes.
	J float64
	// OverMin is the minutes that people worked in their breaks and beside their
	// shifts, in all days.
	OverMin float64
}

// LengthsPair is what a quantile of learnt lengths does beside listed ones, in
// the same shops with the same luck.
type LengthsPair struct {
	Quantile float64 // 0: listed lengths
	Runs     []LengthsRun
	// Of the differences to listed lengths, learnt − listed, by seed.
	KeptShare, J, FlowMin, OverMin tally.Sample
}

// Lengths runs each seed with listed lengths and with the learnt ones of each
// quantile. Promises are made from habit, so that they are the same.
func Lengths(ctx context.Context, o LengthsOptions) ([]LengthsPair, error) {
	if o.Shop == nil || len(o.Seeds) == 0 || o.Days <= o.Skip {
		return nil, errors.New("backtest: a shop, seeds and days are needed")
	}
	out := []LengthsPair{{Quantile: 0}}
	for _, q := range o.Quantiles {
		out = append(out, LengthsPair{Quantile: q})
	}
	for i := range out {
		out[i].Runs = make([]LengthsRun, len(o.Seeds))
	}
	gate := make(chan struct{}, max(1, o.Threads))
	errs := make([]error, len(out)*len(o.Seeds))
	var wg sync.WaitGroup
	for k, seed := range o.Seeds {
		for i := range out {
			wg.Go(func() {
				gate <- struct{}{}
				defer func() { <-gate }()
				r, err := lengthsRun(ctx, &o, seed, out[i].Quantile)
				out[i].Runs[k], errs[k*len(out)+i] = r, err
				if err == nil && o.Progress != nil {
					o.Progress(seed, out[i].Quantile, r)
				}
			})
		}
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	for i := range out {
		for k := range out[i].Runs {
			r, listed := &out[i].Runs[k], &out[0].Runs[k]
			out[i].KeptShare.Add(r.share() - listed.share())
			out[i].J.Add((r.J - listed.J) / math.Max(1, listed.J))
			out[i].FlowMin.Add(r.FlowMin - listed.FlowMin)
			out[i].OverMin.Add(r.OverMin - listed.OverMin)
		}
	}
	return out, nil
}

func (r *LengthsRun) share() float64 { return float64(r.Kept) / float64(max(1, r.Kept+r.Missed)) }

func lengthsRun(ctx context.Context, o *LengthsOptions, seed uint64, quantile float64) (LengthsRun, error) {
	shop := *o.Shop
	if quantile > 0 {
		shop.Planning.Quantile = quantile
	}
	so := simshop.Options{
		Shop: &shop, ShopFile: o.ShopFile, Seed: seed, Days: o.Days, Load: o.Load, Schedules: o.Schedules,
		Learn: quantile > 0, SameLuck: true, Truly: o.Truly,
	}
	s, err := simshop.New(ctx, so)
	if err != nil {
		return LengthsRun{}, err
	}
	day := func(n int) time.Time { return simshop.DemoStart.AddDays(n).At(0, shop.Location()) }
	if err := s.FastForward(ctx, day(o.Days)); err != nil {
		return LengthsRun{}, err
	}
	r := lengthsOf(s.View(), day(o.Skip), day(o.Days))
	r.OverMin = s.Result().Overtime.Minutes()
	return r, nil
}

// lengthsOf judges the units that arrived in [from, until) and were promised
// by until.
func lengthsOf(st *queue.State, from, until time.Time) LengthsRun {
	var r LengthsRun
	n := 0
	for _, id := range slices.Sorted(maps.Keys(st.Units)) { // sums of fractions depend on their order
		u := st.Units[id]
		if u.Arrived.Before(from) || !u.Promise.Before(until) {
			continue
		}
		ready := readyAt(u, until)
		late, flow := max(0, ready.Sub(u.Promise).Minutes()), ready.Sub(u.Arrived).Minutes()
		if late > 0 {
			r.Missed++
		} else {
			r.Kept++
		}
		n++
		r.LateMin += late
		r.FlowMin += flow
		r.J += float64(u.Weight) * (st.Shop.Objective.Late*late + st.Shop.Objective.Flow*flow)
	}
	r.LateMin /= float64(max(1, n))
	r.FlowMin /= float64(max(1, n))
	return r
}

// readyAt is when the last step ended; not yet: the moment that is handed in.
func readyAt(u *queue.Unit, now time.Time) time.Time {
	at := u.Arrived
	for i := range u.Steps {
		if !u.Steps[i].Settled() {
			return now
		}
		if end := u.Steps[i].Ended; end.After(at) {
			at = end
		}
	}
	return at
}

// WriteLengths tells pairs in a table: what was kept, and the differences to
// listed lengths with their 95 % intervals. Beside J stands the overtime, which
// has no price in it: lengths that are planned too short are paid with it.
func WriteLengths(w io.Writer, pairs []LengthsPair) error {
	var b strings.Builder
	b.WriteString("planned with   kept  missed  late, min  flow, min  over, min         J   kept, points       J, %          flow, min         over, min\n")
	for i := range pairs {
		p := &pairs[i]
		var all LengthsRun
		for _, r := range p.Runs {
			all.Kept, all.Missed = all.Kept+r.Kept, all.Missed+r.Missed
			n := float64(len(p.Runs))
			all.LateMin, all.FlowMin, all.J = all.LateMin+r.LateMin/n, all.FlowMin+r.FlowMin/n, all.J+r.J/n
			all.OverMin += r.OverMin / n
		}
		name := "listed"
		if p.Quantile > 0 {
			name = fmt.Sprintf("learnt, %g", p.Quantile)
		}
		fmt.Fprintf(&b, "%-12s %6d %7d %10.1f %10.1f %10.0f %9.0f", name, all.Kept, all.Missed, all.LateMin, all.FlowMin, all.OverMin, all.J)
		if p.Quantile > 0 {
			k, j, f, v := p.KeptShare.Interval(), p.J.Interval(), p.FlowMin.Interval(), p.OverMin.Interval()
			fmt.Fprintf(&b, "  %+5.1f ± %4.1f  %+6.1f ± %5.1f  %+7.1f ± %5.1f  %+6.0f ± %4.0f", 100*k.Mean, 100*k.Half, 100*j.Mean, 100*j.Half, f.Mean, f.Half, v.Mean, v.Half)
		}
		b.WriteByte('\n')
	}
	_, err := io.WriteString(w, b.String())
	return err
}
