// Package backtest holds promises against what became of them: over simulated
// history, in which the counter promises what package promise says with four in
// five, and over the history that a shop's log holds.
//
//	r, err := backtest.Simulated(ctx, backtest.Options{Shop: shop, ShopFile: hash, Seeds: []uint64{1, 2}, Days: 120})
//	fmt.Println(r.Made, r.Kept)
//
// Every answer knows no more than the log up to its moment (Dawid 1984, the
// prequential way): what is learnt of a shop is learnt while it goes on, from
// an empty log.
package backtest

import (
	"context"
	"errors"
	"math"
	"sync"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
	"tickover/scheduler/calendar"
	"tickover/services/almanac"
	"tickover/services/experience"
	"tickover/services/promise"
	"tickover/services/simshop"
)

// Share is what the counter promises with.
const Share = 0.8

// Options of simulated history.
type Options struct {
	Shop     *queue.Shop
	ShopFile queue.Hash
	Seeds    []uint64 // one shop each, side by side
	Days     int      // calendar days of each
	Start    calendar.Date
	// Load scales what arrives; 0: 1.
	Load float64
	// Without are faults that are switched off.
	Without simshop.Faults
	// Schedules is the search effort of each plan; 0: 1.
	Schedules int
	// Threads is how many shops run at once; 0: 1.
	Threads int
	// Habit: the counter promises from habit, as if nobody asked; what would
	// have been said is judged all the same.
	Habit bool
	// Progress, if set, is told of each day that is over.
	Progress func(seed uint64, day int)
}

// Report is what promises were worth.
type Report struct {
	// Made are the promises that the counter made with Share and that could be
	// judged; Kept of them were kept.
	Made, Kept int
	Levels     []Level
	// Routes and Leads split what was said with Share, the second by how far
	// ahead that was.
	Routes, Leads []Group
	// Unsaid units came in without that any time could be named.
	Arrived, Unsaid int
}

// Level is one point of the calibration curve.
type Level struct {
	Share     float64
	N         int
	Kept      int // with correction
	Raw       int // by the plan carried out by chance alone
	Low, High float64
}

// Group is a part of what was said with Share.
type Group struct {
	Name    string
	N, Kept int
	// Ahead is the mean time until what was said, Took until the unit was
	// ready, both in calendar hours.
	AheadH, TookH float64
}

// Simulated runs shops and judges what was said in them.
func Simulated(ctx context.Context, o Options) (*Report, error) {
	if o.Shop == nil || len(o.Seeds) == 0 || o.Days < 1 {
		return nil, errors.New("backtest: a shop, seeds and days are needed")
	}
	if o.Schedules == 0 {
		o.Schedules = 1
	}
	type run struct {
		answers []promise.Answer
		made    map[queue.UnitID]time.Time
		arrived int
		end     time.Time
		err     error
	}
	runs := make([]run, len(o.Seeds))
	gate := make(chan struct{}, max(1, o.Threads))
	var wg sync.WaitGroup
	for i, seed := range o.Seeds {
		wg.Go(func() {
			gate <- struct{}{}
			defer func() { <-gate }()
			c := &counter{made: map[queue.UnitID]time.Time{}}
			mem := logtest.NewMem()
			c.learner = promise.NewLearner(promise.LearnerOptions{Log: mem, Site: o.Shop.Site, Keep: 1 << 20})
			c.lengths = experience.New(mem, o.Shop.Site)
			so := simshop.Options{
				Shop: o.Shop, ShopFile: o.ShopFile, Seed: seed, Days: o.Days, Start: o.Start, Load: o.Load, Without: o.Without,
				Schedules: o.Schedules, Log: mem, Learn: true, Counter: c, Observer: &watcher{seed: seed, tell: o.Progress},
			}
			if o.Habit {
				so.Counter = nil
			}
			r := &runs[i]
			res, err := simshop.Run(ctx, so)
			if err == nil {
				err = c.learner.CatchUp(ctx)
			}
			start := so.Start
			if start == (calendar.Date{}) {
				start = simshop.DemoStart
			}
			r.answers, r.made, r.arrived, r.err = c.learner.Answers(), c.made, res.UnitsArrived, err
			r.end = start.AddDays(o.Days).At(0, o.Shop.Location())
		})
	}
	wg.Wait()
	out := newReport()
	for i := range runs {
		if err := runs[i].err; err != nil {
			return nil, err
		}
		out.add(runs[i].answers, runs[i].arrived, runs[i].end)
		out.promised(runs[i].answers, runs[i].made, runs[i].end)
	}
	out.finish()
	return out, nil
}

// Replayed judges what would have been said of the units of a log.
func Replayed(ctx context.Context, l log.Log, site queue.SiteID, threads int) (*Report, error) {
	learner := promise.NewLearner(promise.LearnerOptions{Log: l, Site: site, Window: 250, Keep: 1 << 20, Whole: true, Threads: threads})
	if err := learner.CatchUp(ctx); err != nil {
		return nil, err
	}
	out, answers := newReport(), learner.Answers()
	out.add(answers, learner.Arrived(), learner.Until())
	out.finish()
	return out, nil
}

// counter promises what is said with Share.
type counter struct {
	learner *promise.Learner
	lengths *experience.Experience
	almanac *almanac.Almanac
	made    map[queue.UnitID]time.Time
}

func (c *counter) Promise(ctx context.Context, st *queue.State, now time.Time, units []queue.ReceiveUnit) ([]time.Time, error) {
	if c.almanac == nil || c.almanac.Shop() != st.Shop {
		a, err := almanac.New(st.Shop)
		if err != nil {
			return nil, err
		}
		c.almanac = a
	}
	if err := c.learner.CatchUp(ctx); err != nil {
		return nil, err
	}
	if err := c.lengths.Refresh(ctx, now); err != nil {
		return nil, err
	}
	quotes, err := promise.Quote(ctx, promise.Input{
		State: st, Almanac: c.almanac, Now: now, Lengths: c.lengths.Lengths(), Past: c.learner.Correction(), Paths: 150,
	}, units)
	var refused *queue.Refusal
	if errors.As(err, &refused) {
		return make([]time.Time, len(units)), nil // the queue will say so
	}
	if err != nil {
		return nil, err
	}
	out := make([]time.Time, len(units))
	for i := range quotes {
		if t := promise.Said(quotes[i].At(Share)); !t.IsZero() && t.After(now) {
			out[i] = t
			c.made[units[i].Unit] = t
		}
	}
	return out, nil
}

type watcher struct {
	seed uint64
	n    int
	tell func(uint64, int)
}

func (w *watcher) Day(calendar.Date, simshop.Result) {
	if w.n++; w.tell != nil {
		w.tell(w.seed, w.n-1)
	}
}

func (w *watcher) Violation(time.Time, string) {}

func newReport() *Report {
	r := &Report{}
	for _, p := range promise.Levels {
		r.Levels = append(r.Levels, Level{Share: p})
	}
	return r
}

// judged are answers of which the outcome is known: all that was said of a unit
// lies before the end, or the unit is ready.
func judged(a *promise.Answer, end time.Time) bool {
	last := a.Said[len(a.Said)-1]
	return !a.Left && (!last.IsZero() && last.Before(end) || !a.Ready.IsZero() && last.IsZero())
}

var leads = []struct {
	name string
	most float64 // h
}{{"within 4 h", 4}, {"within a day", 24}, {"later", math.Inf(1)}}

func (r *Report) add(answers []promise.Answer, arrived int, end time.Time) {
	r.Arrived += arrived
	r.Unsaid += arrived - len(answers)
	for i := range answers {
		a := &answers[i]
		if !judged(a, end) {
			continue
		}
		ready := a.Ready
		if ready.IsZero() {
			ready = end // later than all that was said
		}
		for l := range r.Levels {
			r.Levels[l].N++
			if t := a.Said[l]; !t.IsZero() && !ready.After(t) {
				r.Levels[l].Kept++
			}
			if t := a.Raw[l]; !t.IsZero() && !ready.After(t) {
				r.Levels[l].Raw++
			}
			if promise.Levels[l] != Share {
				continue
			}
			said := a.Said[l]
			kept := !said.IsZero() && !ready.After(said)
			ahead, took := said.Sub(a.At).Hours(), ready.Sub(a.At).Hours()
			r.Routes = grouped(r.Routes, string(a.Route), kept, ahead, took)
			for _, x := range leads {
				if ahead <= x.most {
					r.Leads = grouped(r.Leads, x.name, kept, ahead, took)
					break
				}
			}
		}
	}
}

func grouped(list []Group, name string, kept bool, ahead, took float64) []Group {
	at := -1
	for i := range list {
		if list[i].Name == name {
			at = i
		}
	}
	if at < 0 {
		list, at = append(list, Group{Name: name}), len(list)
	}
	g := &list[at]
	g.N++
	g.AheadH += ahead
	g.TookH += took
	if kept {
		g.Kept++
	}
	return list
}

// promised counts the promises that were made to customers.
func (r *Report) promised(answers []promise.Answer, made map[queue.UnitID]time.Time, end time.Time) {
	for i := range answers {
		a := &answers[i]
		t, ok := made[a.Unit]
		if !ok || a.Left || !t.Before(end) {
			continue
		}
		r.Made++
		if !a.Ready.IsZero() && !a.Ready.After(t) {
			r.Kept++
		}
	}
}

func (r *Report) finish() {
	for i := range r.Levels {
		l := &r.Levels[i]
		l.Low, l.High = promise.Wilson(float64(l.Kept)/math.Max(1, float64(l.N)), float64(max(1, l.N)))
	}
	for _, list := range [][]Group{r.Routes, r.Leads} {
		for i := range list {
			list[i].AheadH /= float64(list[i].N)
			list[i].TookH /= float64(list[i].N)
		}
	}
}
