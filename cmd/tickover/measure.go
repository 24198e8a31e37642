package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"time"

	"tickover/scheduler/instances"
)

// measureCmd runs the planner over open benchmark sets; see make bench-scheduler.
type measureCmd struct {
	Data      string    `help:"Folder of the sets: psplib, psplib-mm, fjsp, jsp, wt, oracle-calendar." required:"" type:"existingdir"`
	Sets      []string  `help:"Sets to run, such as psplib/j60, j60 or psplib; left out: all."`
	Schedules []int     `help:"Numbers of schedules to generate for an instance; 1000 without --seconds."`
	Seconds   []float64 `help:"Times to spend on an instance, in seconds."`
	Seed      uint64    `help:"Every draw follows from it." default:"1"`
	Threads   int       `help:"Threads of the search; 0 for one a CPU." default:"0"`
	CSV       string    `help:"Write the table into this file too." placeholder:"FILE"`
}

// Run prints the rows of all sets that could be measured, and then says of the
// others why not.
func (c *measureCmd) Run(ctx context.Context, io streams) error {
	data := os.DirFS(c.Data)
	there, err := instances.Sets(data)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Data, err)
	}
	sets, err := instances.Choose(there, c.Sets)
	if err != nil {
		return fmt.Errorf("--sets: %w", err)
	}
	budgets, err := c.budgets()
	if err != nil {
		return err
	}
	var rows []instances.Row
	var faults []error
	for _, set := range sets {
		measured, err := c.set(ctx, io, data, set, budgets)
		rows = append(rows, measured...)
		if ctx.Err() != nil {
			faults = append(faults, fmt.Errorf("stopped while at set %s", set))
			break
		}
		if err != nil {
			faults = append(faults, fmt.Errorf("set %s: %w", set, err))
		}
	}
	return errors.Join(append([]error{c.write(io, rows)}, faults...)...)
}

// set measures one set, a row a budget.
func (c *measureCmd) set(ctx context.Context, io streams, data fs.FS, set string, budgets []budget) ([]instances.Row, error) {
	list, err := instances.Load(data, set)
	if err != nil {
		return nil, err
	}
	var rows []instances.Row
	for _, b := range budgets {
		fmt.Fprintf(io.err, "%s: %d instances, %s each …\n", set, len(list), b.name)
		row, err := instances.Run(ctx, list, b.Budget, time.Now)
		if err != nil {
			return rows, err
		}
		rows = append(rows, row)
		if len(row.Violations) > 0 {
			return rows, fmt.Errorf("the checker found: %s", row.Violations[0])
		}
	}
	if n := len(list) - rows[0].Known; n > 0 {
		fmt.Fprintf(io.err, "%s: of %d no best value is known, their plans count in no deviation from it\n", set, n)
	}
	return rows, nil
}

// write prints the table, and keeps it as a CSV if one was asked for.
func (c *measureCmd) write(io streams, rows []instances.Row) error {
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
