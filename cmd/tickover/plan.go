package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"runtime"
	"time"

	"tickover/queue/intake"
	"tickover/services/planfile"
)

type planCmd struct {
	Shop      string  `help:"The shop file." type:"existingfile"`
	Units     string  `help:"CSV of the units, as for import." type:"existingfile"`
	At        string  `help:"The moment the plan is made, on the shop's clock, for example 2026-02-17T08:00; left out: now."`
	Schedules int     `help:"Look for a better plan with so many tries; the same number and seed give the same plan. Left out: 400." placeholder:"N"`
	Seconds   float64 `help:"Look for so long instead, on all processors; the result then depends on the machine." placeholder:"S"`
	Seed      uint64  `help:"Every draw follows from it." default:"1"`
	JSON      bool    `help:"Print the plan as JSON; --schema describes it."`
	SVG       string  `help:"Draw the plan into this file." placeholder:"FILE"`
	Schema    bool    `help:"Print the JSON Schema of the plan and do nothing else."`
}

// secondsMax bounds a search by time.
const secondsMax = 24 * 60 * 60

func (c *planCmd) Run(ctx context.Context, io streams) error {
	if c.Schema {
		_, err := io.out.Write(planfile.Schema)
		return err
	}
	if err := c.check(); err != nil {
		return err
	}
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
	res, err := planfile.Plan(ctx, planfile.Options{Shop: shop, Units: units, At: at, Schedules: c.Schedules,
		Limit: time.Duration(c.Seconds * float64(time.Second)), Seed: c.Seed, Threads: runtime.NumCPU()})
	if errors.Is(err, planfile.ErrBadUnits) {
		for _, e := range res.Errors {
			fmt.Fprintln(io.err, atLine(c.Units, e))
		}
		return errSaid
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

// check says what is wrong with the flags.
func (c *planCmd) check() error {
	switch {
	case c.Shop == "" || c.Units == "":
		return errors.New("a plan needs --shop FILE and --units FILE, for example: tickover plan --shop shop.yaml --units units.csv")
	case c.Seconds < 0 || c.Seconds > secondsMax || c.Seconds != c.Seconds:
		return fmt.Errorf("--seconds %v is outside 0 … %d", c.Seconds, secondsMax)
	case c.Schedules < 0:
		return fmt.Errorf("--schedules %d is negative", c.Schedules)
	case c.Seconds > 0 && c.Schedules > 0:
		return errors.New("--seconds and --schedules exclude each other")
	}
	return nil
}

// atLine is a mistake of a file as "units.csv:2: route: what; do".
func atLine(name string, e intake.RowError) string {
	where := name
	if e.Line > 0 {
		where = fmt.Sprintf("%s:%d", name, e.Line)
	}
	if e.Column != "" {
		where += ": " + e.Column
	}
	e.Line, e.Column = 0, ""
	return where + ": " + e.Error()
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
