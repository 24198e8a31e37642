// Command backtest holds promises against what became of them, over simulated
// history or a shop's own log, and plots the calibration curve; see make
// backtest.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"time"

	"github.com/alecthomas/kong"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/shopfile"
	"tickover/services/backtest"
	"tickover/testdata"
)

type cli struct {
	Shops     int                `default:"5" help:"Simulated shops, each from another seed."`
	Seed      uint64             `default:"11" help:"Of the first shop."`
	Days      int                `default:"110" help:"Calendar days of each."`
	Load      float64            `default:"1" help:"Scales what arrives."`
	Habit     bool               `help:"The counter promises from habit; what would have been said is judged all the same."`
	Threads   int                `help:"Shops that run at once; left out: a processor each."`
	Data      string             `help:"Replay the log of this data directory instead; the shop must not be running." type:"existingdir"`
	Site      string             `help:"The site, with --data."`
	CSV       string             `help:"Write the curve into this file." placeholder:"FILE"`
	SVG       string             `help:"Draw the curve into this file." placeholder:"FILE"`
	Lengths   bool               `help:"Instead: does it help to plan with learnt lengths? Shops in pairs, with the same luck."`
	Quantiles []float64          `default:"0.5,0.6,0.7" help:"Of learnt lengths, with --lengths."`
	Truly     map[string]float64 `help:"How long operations really take, as a factor of what is listed, with --lengths: flash=1.3;fitting=0.7." placeholder:"OP=FACTOR"`
	Skip      int                `default:"10" help:"Days at the start that don't count, with --lengths."`
	Schedules int                `help:"Search effort of each plan, with --lengths; left out: 100."`
	Tolerate  float64            `default:"3" help:"Fail if the share kept is off by more percent points."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	var c cli
	k := kong.Parse(&c, kong.Name("backtest"), kong.UsageOnError())
	k.FatalIfErrorf(c.run(ctx))
}

func (c *cli) run(ctx context.Context) error {
	if c.Threads == 0 {
		c.Threads = runtime.GOMAXPROCS(0)
	}
	began := time.Now()
	if c.Lengths {
		return c.lengths(ctx, began)
	}
	r, err := c.report(ctx, began)
	if err != nil {
		return err
	}
	if err := r.Write(os.Stdout); err != nil {
		return err
	}
	fmt.Printf("took %s\n", time.Since(began).Round(time.Second))
	for file, write := range map[string]func(io.Writer) error{c.CSV: r.CSV, c.SVG: r.SVG} {
		if err := to(file, write); err != nil {
			return err
		}
	}
	if r.Made == 0 {
		return nil
	}
	if off := 100 * (float64(r.Kept)/float64(r.Made) - backtest.Share); off > c.Tolerate || off < -c.Tolerate {
		return fmt.Errorf("the share of promises kept is off by %+.1f percent points, %g are allowed", off, c.Tolerate)
	}
	return nil
}

func (c *cli) report(ctx context.Context, began time.Time) (*backtest.Report, error) {
	if c.Data != "" {
		return c.replayed(ctx)
	}
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		return nil, err
	}
	var seeds []uint64
	for i := range c.Shops {
		seeds = append(seeds, c.Seed+uint64(i))
	}
	return backtest.Simulated(ctx, backtest.Options{
		Shop: shop, ShopFile: hash, Seeds: seeds, Days: c.Days, Load: c.Load, Habit: c.Habit, Threads: c.Threads,
		Progress: func(seed uint64, day int) {
			if day%10 == 0 {
				fmt.Fprintf(os.Stderr, "shop %d: day %d, %s\n", seed, day, time.Since(began).Round(time.Second))
			}
		},
	})
}

// replayed judges what would have been said of the units of a log.
func (c *cli) replayed(ctx context.Context) (*backtest.Report, error) {
	if c.Site == "" {
		return nil, errors.New("say which site: SITE=NAME (--site), as the shop file has it")
	}
	dir := filepath.Join(c.Data, "log")
	if _, err := os.Stat(dir); err != nil {
		return nil, fmt.Errorf("%s holds no log: name the data directory of a shop that is not running", c.Data)
	}
	l, err := log.Open(ctx, log.Options{Dir: dir})
	if err != nil {
		return nil, err
	}
	r, err := backtest.Replayed(ctx, l, queue.SiteID(c.Site), c.Threads)
	if err := errors.Join(err, l.Close()); err != nil {
		return nil, err
	}
	if r.Arrived == 0 {
		return nil, fmt.Errorf("the log in %s has no unit of site %q", dir, c.Site)
	}
	return r, nil
}

// lengths holds learnt lengths against listed ones.
func (c *cli) lengths(ctx context.Context, began time.Time) error {
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		return err
	}
	o := backtest.LengthsOptions{
		Shop: shop, ShopFile: hash, Days: c.Days, Skip: c.Skip, Load: c.Load, Quantiles: c.Quantiles, Threads: c.Threads, Schedules: c.Schedules,
		Truly: map[queue.OperationID]float64{},
		Progress: func(seed uint64, quantile float64, r backtest.LengthsRun) {
			fmt.Fprintf(os.Stderr, "shop %d, %g: %d kept, %d missed, J %.0f, %s\n", seed, quantile, r.Kept, r.Missed, r.J, time.Since(began).Round(time.Second))
		},
	}
	for op, f := range c.Truly {
		if shop.Operation(queue.OperationID(op)) == nil {
			return fmt.Errorf("the shop has no operation %q", op)
		}
		o.Truly[queue.OperationID(op)] = f
	}
	for i := range c.Shops {
		o.Seeds = append(o.Seeds, c.Seed+uint64(i))
	}
	pairs, err := backtest.Lengths(ctx, o)
	if err != nil {
		return err
	}
	return backtest.WriteLengths(os.Stdout, pairs)
}

func to(file string, write func(io.Writer) error) error {
	if file == "" {
		return nil
	}
	f, err := os.Create(file)
	if err != nil {
		return err
	}
	if err := write(f); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}
