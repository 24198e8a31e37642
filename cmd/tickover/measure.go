package main

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"time"

	"tickover/scheduler/instances"
)

// measureCmd runs the planner over open benchmark sets; see make bench-scheduler.
type measureCmd struct {
	Data      string    `help:"Folder of the sets: psplib, psplib-mm, fjsp, jsp, wt, oracle-calendar." required:"" type:"existingdir"`
	Sets      []string  `help:"Sets to run; left out: all."`
	Schedules []int     `help:"Numbers of schedules to generate for an instance; 1000 without --seconds."`
	Seconds   []float64 `help:"Times to spend on an instance, in seconds."`
	Seed      uint64    `help:"Every draw follows from it." default:"1"`
	Threads   int       `help:"Threads of the search; 0 for one a CPU." default:"0"`
	CSV       string    `help:"Write the table into this file too." placeholder:"FILE"`
}

func (c *measureCmd) Run(ctx context.Context, io streams) error {
	data := os.DirFS(c.Data)
	sets := c.Sets
	if len(sets) == 0 {
		var err error
		if sets, err = instances.Sets(data); err != nil {
			return err
		}
	}
	budgets, err := c.budgets()
	if err != nil {
		return err
	}
	var rows []instances.Row
	for _, set := range sets {
		list, err := instances.Load(data, set)
		if err != nil {
			return fmt.Errorf("set %s: %w", set, err)
		}
		for _, b := range budgets {
			fmt.Fprintf(io.err, "%s: %d instances, %s each …\n", set, len(list), b.name)
			row, err := instances.Run(ctx, list, b.Budget, time.Now)
			if err != nil {
				return fmt.Errorf("set %s: %w", set, err)
			}
			for _, v := range row.Violations {
				return fmt.Errorf("set %s: the checker found: %v", set, v)
			}
			rows = append(rows, row)
		}
	}
	if err := instances.WriteTable(io.out, rows); err != nil {
		return err
	}
	if c.CSV == "" {
		return nil
	}
	f, err := os.Create(c.CSV)
	if err != nil {
		return err
	}
	if err := instances.WriteCSV(f, rows); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// budget is a bound with its name.
type budget struct {
	name string
	instances.Budget
}

// unbounded is more schedules than any time allows.
const unbounded = 1 << 40

// budgets are those asked for: first by count, then by time.
func (c *measureCmd) budgets() ([]budget, error) {
	counts := c.Schedules
	if len(counts) == 0 && len(c.Seconds) == 0 {
		counts = []int{1000}
	}
	threads := c.Threads
	if threads == 0 {
		threads = runtime.NumCPU()
	}
	var out []budget
	for _, n := range counts {
		out = append(out, budget{fmt.Sprintf("%d schedules", n), instances.Budget{Schedules: n, Seed: c.Seed, Threads: threads}})
	}
	for _, s := range c.Seconds {
		d := time.Duration(s * float64(time.Second))
		if d <= 0 {
			return nil, fmt.Errorf("--seconds %g: want more than 0", s)
		}
		out = append(out, budget{fmt.Sprintf("%v", d), instances.Budget{Schedules: unbounded, Seed: c.Seed, Threads: threads,
			Limit: func(ctx context.Context) (context.Context, context.CancelFunc) { return context.WithTimeout(ctx, d) }}})
	}
	return out, nil
}
