package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"tickover/services/planfile"
)

type planCmd struct {
	Shop      string  `help:"The shop file." required:"" type:"existingfile"`
	Units     string  `help:"CSV of the units, as for import." required:"" type:"existingfile"`
	At        string  `help:"The moment the plan is made, on the shop's clock, for example 2026-02-17T08:00; left out: now."`
	Seconds   float64 `help:"Look for a better plan for so long; the result then depends on the machine."`
	Schedules int     `help:"Look for a better plan with so many tries; the same number gives the same plan."`
	Seed      uint64  `help:"Every draw follows from it." default:"1"`
	JSON      bool    `help:"Print the plan as JSON; its fields are described in services/dispatch/plan.go."`
	SVG       string  `help:"Draw the first day into this file." placeholder:"FILE"`
}

func (c *planCmd) Run(ctx context.Context, io streams) error {
	shop, _, err := readShop(c.Shop)
	if err != nil {
		return err
	}
	at := time.Now()
	if c.At != "" {
		if at, err = time.ParseInLocation("2006-01-02T15:04", c.At, shop.Location()); err != nil {
			return fmt.Errorf("--at %q: write it as 2026-02-17T08:00", c.At)
		}
	}
	units, err := os.Open(c.Units)
	if err != nil {
		return err
	}
	defer units.Close()
	res, err := planfile.Plan(ctx, planfile.Options{Shop: shop, Units: units, At: at,
		Schedules: c.Schedules, Limit: time.Duration(c.Seconds * float64(time.Second)), Seed: c.Seed})
	if errors.Is(err, planfile.ErrBadUnits) {
		for _, e := range res.Errors {
			fmt.Fprintf(io.err, "%s: %s\n", c.Units, e.Error())
		}
	}
	if err != nil {
		return err
	}
	for _, v := range res.Violations {
		fmt.Fprintln(io.err, "the checker found:", v)
	}
	if c.SVG != "" {
		if err := c.draw(res); err != nil {
			return err
		}
	}
	if c.JSON {
		return json.NewEncoder(io.out).Encode(res.Plan)
	}
	return res.Table(io.out)
}

func (c *planCmd) draw(res *planfile.Result) error {
	f, err := os.Create(c.SVG)
	if err != nil {
		return err
	}
	if err := res.SVG(f); err != nil {
		return errors.Join(err, f.Close())
	}
	return f.Close()
}
