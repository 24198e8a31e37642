package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"tickover/scheduler/instances"
)

// measureCmd runs the planner over open benchmark sets; see make bench-scheduler.
type measureCmd struct {
	Data      string   `help:"Folder of the sets: psplib, psplib-mm, fjsp, jsp, wt, oracle-calendar." required:"" type:"existingdir"`
	Sets      []string `help:"Sets to run; left out: all."`
	Schedules []int    `help:"Numbers of schedules to generate." default:"1000"`
	Seed      uint64   `help:"Every draw follows from it." default:"1"`
	Threads   int      `help:"Threads of the search." default:"1"`
	CSV       string   `help:"Write the table into this file too." placeholder:"FILE"`
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
	var rows []instances.Row
	for _, set := range sets {
		list, err := instances.Load(data, set)
		if err != nil {
			return fmt.Errorf("set %s: %w", set, err)
		}
		for _, n := range c.Schedules {
			fmt.Fprintf(io.err, "%s: %d instances, %d schedules each …\n", set, len(list), n)
			row, err := instances.Run(ctx, list, n, c.Seed, c.Threads, time.Now)
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
