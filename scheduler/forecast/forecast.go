// Package forecast says when jobs will be done and with what probability, by
// carrying a plan out many times with lengths drawn by chance.
//
// Each path keeps the plan's decisions (who does what where, and in which
// order) and lets everything begin as soon as that order, the lags, the hours
// of people and places, and daylight allow: what a shop does that follows its
// plan between two events. What the plan would change on the way (which makes
// things better) and what arrives or breaks later (which makes them worse) is
// not in it: [Correction] learns from earlier forecasts what that comes to.
//
// It guarantees: the same input, seed and number of paths give the same
// answer, whatever the number of threads; an activity draws the same luck in
// two inputs with the same seed, so that two plans are compared under the same
// circumstances (common random numbers); answers are finite and in order.
//
// It is pure: no clock, no disk, chance only from the seed.
package forecast

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"tickover/scheduler/model"
)

// Spread is how far lengths stray from the planned one: Sigma is the standard
// deviation of the logarithm, Shift moves its median (0: the planned length is
// the median).
type Spread struct{ Sigma, Shift float64 }

// Input is a problem with its plan and what is known of lengths.
type Input struct {
	Problem *model.Problem
	Plan    *model.Plan
	// Spread of an activity's stretch by its crew; nil: Sigma 0.25 for hands-on
	// work, 0.05 for hands-off time (common practice, no source).
	Spread  func(a *model.Activity, stretch int, crew []model.WorkerID) Spread
	Paths   int // 0: 500
	Seed    uint64
	Threads int // 0: 1
}

const pathsDefault, pathsMax = 500, 100_000

// Job is what may become of one job.
type Job struct {
	ID model.JobID
	// Planned is the plan's finish; Unlimited: it was not placed.
	Planned model.Time
	// Ends are the finishes of the paths in order; Unlimited where a path did
	// not end within the horizon.
	Ends []model.Time
}

// Quantile is the time by which a share p of the paths had the job done;
// Unlimited: not within the horizon.
func (j *Job) Quantile(p float64) model.Time {
	if len(j.Ends) == 0 {
		return model.Unlimited
	}
	i := int(math.Ceil(p*float64(len(j.Ends)))) - 1
	return j.Ends[min(max(i, 0), len(j.Ends)-1)]
}

// Probability is the share of the paths that had the job done by a time.
func (j *Job) Probability(by model.Time) float64 {
	if len(j.Ends) == 0 {
		return 0
	}
	n, _ := slices.BinarySearch(j.Ends, by+1)
	return float64(n) / float64(len(j.Ends))
}

// Result is the forecast of every job with a place, by id.
type Result struct {
	Jobs  []Job
	Paths int
}

// Job is the forecast of one job; nil: it is not in the plan.
func (r *Result) Job(id model.JobID) *Job {
	i, ok := slices.BinarySearchFunc(r.Jobs, id, func(j Job, id model.JobID) int {
		if j.ID < id {
			return -1
		} else if j.ID > id {
			return 1
		}
		return 0
	})
	if !ok {
		return nil
	}
	return &r.Jobs[i]
}

// Run carries the plan out.
func Run(in Input) (*Result, error) {
	if in.Problem == nil || in.Plan == nil {
		return nil, fmt.Errorf("forecast: no problem or no plan")
	}
	if in.Paths == 0 {
		in.Paths = pathsDefault
	}
	if in.Paths < 1 || in.Paths > pathsMax {
		return nil, fmt.Errorf("forecast: %d paths; between 1 and %d can be walked", in.Paths, pathsMax)
	}
	if in.Spread == nil {
		in.Spread = usual
	}
	c, err := compile(&in)
	if err != nil {
		return nil, err
	}
	ends := make([][]model.Time, len(c.jobs)) // by job, then path
	for j := range ends {
		ends[j] = make([]model.Time, in.Paths)
	}
	threads := min(max(in.Threads, 1), in.Paths)
	var wg sync.WaitGroup
	for t := range threads {
		wg.Go(func() {
			w := c.walker()
			for path := t; path < in.Paths; path += threads {
				w.walk(in.Seed, uint64(path))
				for j := range ends {
					ends[j][path] = w.jobEnd[j]
				}
			}
		})
	}
	wg.Wait()
	r := &Result{Paths: in.Paths}
	for j, id := range c.jobs {
		slices.Sort(ends[j])
		r.Jobs = append(r.Jobs, Job{ID: id, Planned: c.planned[j], Ends: ends[j]})
	}
	return r, nil
}

func usual(a *model.Activity, stretch int, _ []model.WorkerID) Spread {
	if a.Modes[0].Stretches[min(stretch, len(a.Modes[0].Stretches)-1)].Workers > 0 {
		return Spread{Sigma: 0.25}
	}
	return Spread{Sigma: 0.05}
}

// piece is one stretch of one activity, in the order that the plan begins them.
type piece struct {
	act, index  int
	last, first bool
	duration    model.Time
	handsOn     bool
	splittable  bool
	crew        []int
	after       []int // pieces of its crew that the plan ends before it
	spread      Spread
	// A running stretch began at began; a stretch that is over ended at ended.
	began, ended model.Time
	running      bool
	over         bool
	inside       []model.Interval // nil: anywhere
	salt         uint64
}

type activity struct {
	job     int
	release model.Time
	before  []before // lags into its start
	held    []int
	place   []int // activities before it on what it holds, and in its job
	whole   []model.Interval
	begun   bool
	start   model.Time
	pieces  int
}

type before struct {
	act     int
	min     model.Time
	atStart bool
}

type compiled struct {
	now, horizon model.Time
	jobs         []model.JobID
	planned      []model.Time
	done         []model.Time // ends of jobs' activities that are over
	acts         []activity
	pieces       []piece
	free         [][]model.Interval // of each worker: on shift and not on a break
	open         [][]model.Interval // of each resource; nil: always
}
