// Command benchshop runs the planner and what a shop does by hand over the
// same simulated weeks, and prints how they compare; see make bench-shop.
package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"sync"
	"time"

	"github.com/alecthomas/kong"

	"tickover/scheduler/model"
	"tickover/scheduler/week"
)

type cli struct {
	Weeks     int    `default:"40" help:"Weeks to simulate, each of another shop."`
	Seed      uint64 `default:"1" help:"Every draw follows from it."`
	Schedules int    `default:"${schedules}" help:"Schedules for each plan."`
	Improve   int    `default:"${improve}" help:"Schedules for the first plan of a day."`
	Luck      int    `default:"6" help:"How often each week is run, with other lengths of work and other surprises."`
	Only      []int  `help:"Only weeks of these numbers."`
	Benches   int    `help:"Benches of every shop; left out: 2 to 12."`
	Load      int    `help:"Load of every week in percent; left out: drawn."`
	Threads   int    `help:"Weeks that run at once; left out: a processor each."`
	Dump      string `help:"Write each problem that the planner gets into this folder, as JSON." type:"existingdir" placeholder:"DIR"`
	CSV       string `help:"Write a row a week and way into this file." placeholder:"FILE"`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	var c cli
	k := kong.Parse(&c, kong.Name("benchshop"), kong.UsageOnError(),
		kong.Vars{"schedules": fmt.Sprint(week.UsualEffort.Schedules), "improve": fmt.Sprint(week.UsualEffort.Improve)})
	k.FatalIfErrorf(c.run(ctx))
}

func (c *cli) run(ctx context.Context) error {
	if c.Threads == 0 {
		c.Threads = runtime.GOMAXPROCS(0)
	}
	began := time.Now()
	ways := week.Usual(c.effort())
	var mu sync.Mutex
	done, bad := 0, 0
	s, err := week.Run(ctx, week.SeriesOptions{
		Seed: c.Seed, Weeks: c.Weeks, Only: c.Only, Luck: c.Luck, Size: week.Size{Benches: c.Benches, LoadPercent: c.Load}, Ways: ways, Threads: c.Threads,
		Done: func(o *week.Outcome) {
			mu.Lock()
			defer mu.Unlock()
			for _, v := range o.Violations {
				bad++
				fmt.Fprintf(os.Stderr, "week %d, %s: %v\n", o.Week.Number, o.Way, v)
			}
			if done++; done%len(ways) == 0 {
				fmt.Fprintf(os.Stderr, "%d runs, %s\n", done, time.Since(began).Round(time.Second))
			}
		},
	})
	if err != nil {
		return err
	}
	if err := s.Write(os.Stdout); err != nil {
		return err
	}
	fmt.Printf("took %s with %d and %d schedules\n", time.Since(began).Round(time.Second), c.Schedules, c.Improve)
	if c.CSV != "" {
		if err := writeCSV(c.CSV, s); err != nil {
			return err
		}
	}
	if bad > 0 {
		return fmt.Errorf("the checker found %d violations", bad)
	}
	return nil
}

func (c *cli) effort() week.Effort {
	e := week.Effort{Schedules: c.Schedules, Improve: c.Improve}
	if c.Dump != "" {
		e.Observe = func(w *week.Week, n int, p *model.Problem, _ *model.Plan) error {
			text, err := json.Marshal(p)
			if err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(c.Dump, fmt.Sprintf("week%02d-luck%d-plan%04d.json", w.Number, w.Luck, n)), text, 0o644)
		}
	}
	return e
}

func writeCSV(path string, s *week.Series) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := s.WriteCSV(f); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}
