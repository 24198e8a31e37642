package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"text/tabwriter"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/sheet"
	"tickover/services/floor/locale"
	"tickover/services/floor/studies"
	"tickover/services/simulate"
)

type simulateCmd struct {
	logFlags
	Shop    string   `help:"The shop file." type:"existingfile" required:""`
	Change  []string `help:"What would be different: add=i1 (one more like it), without=c3, till=kofi@19:00, lit=p1 (lamps at a pad), crates=30 (on the first Monday), more=20 (percent). Joined by commas: together. Repeated: one after the other. Left out: one more of each." sep:"none" placeholder:"CHANGE"`
	Weeks   int      `help:"Weeks to measure; two weeks before are not." default:"4"`
	Pairs   int      `help:"How often each is simulated, beside the shop as it is." default:"20"`
	Seed    uint64   `help:"Every draw follows from it." default:"1"`
	Start   string   `help:"The first day, as 2026-02-16; left out: today. Daylight and days off follow it." placeholder:"DAY"`
	Data    string   `help:"Learn from the log in this data directory what comes and when; the shop must not be running. Left out: what is usual." type:"path"`
	Threads int      `help:"Threads; the result does not depend on it. 0: one a processor." default:"0"`
	JSON    bool     `help:"Print the result as JSON."`
	CSV     bool     `help:"Print the result as CSV."`
	Plot    string   `help:"Draw what each change brings at full load into this file: .svg, .png or .csv." placeholder:"FILE"`
}

func (c *simulateCmd) Run(ctx context.Context, io streams) error {
	if c.JSON && c.CSV {
		return errors.New("--json and --csv exclude each other")
	}
	shop, _, err := readShop(c.Shop)
	if err != nil {
		return err
	}
	o := simulate.Options{Shop: shop, Start: time.Now(), Weeks: c.Weeks, Pairs: c.Pairs, Seed: c.Seed, Threads: c.Threads}
	if o.Threads == 0 {
		o.Threads = runtime.NumCPU()
	}
	if c.Start != "" {
		if o.Start, err = time.ParseInLocation(time.DateOnly, c.Start, shop.Location()); err != nil {
			return fmt.Errorf("--start %q: write it as 2026-02-16", c.Start)
		}
	}
	for _, text := range c.Change {
		s, err := simulate.ParseScenario(shop, text)
		if err != nil {
			return err
		}
		o.Scenarios = append(o.Scenarios, s)
	}
	if len(c.Change) == 0 {
		o.Scenarios = simulate.OneMore(shop)
	}
	if c.Data != "" {
		if o.Habits, o.Lengths, err = c.learn(ctx, io, shop); err != nil {
			return err
		}
	}
	p := newProgress(io.err, "simulated")
	o.Progress = func(done, total int) { p.set(int64(done), int64(total)) }
	res, err := simulate.Run(ctx, o)
	p.end()
	switch {
	case errors.Is(err, context.Canceled):
		return errors.New("stopped before the first pair was done: there is nothing to show")
	case err != nil:
		return err
	case res.Cut():
		fmt.Fprintf(io.err, "tickover: stopped; these are %d of %d pairs\n", res.Pairs, res.PairsWant)
	}
	if c.Plot != "" {
		if err := drawFigure(c.Plot, studies.Figure(locale.English(), shop, res, studies.Full)); err != nil {
			return err
		}
	}
	switch {
	case c.JSON:
		enc := json.NewEncoder(io.out)
		enc.SetIndent("", "  ")
		return enc.Encode(res)
	case c.CSV:
		return sheet.Write(io.out, studies.Table(locale.English(), shop, res))
	}
	return c.table(io, shop, res)
}

// learn reads habits and lengths from the log of a stopped shop.
func (c *simulateCmd) learn(ctx context.Context, io streams, shop *queue.Shop) (*simulate.Habits, simulate.Lengths, error) {
	logger, err := c.logger(io)
	if err != nil {
		return nil, nil, err
	}
	var h *simulate.Habits
	var lengths simulate.Lengths
	err = withLog(ctx, log.Options{Dir: logDir(c.Data)}, logger, io, func(srv *log.Server) error {
		h, lengths, err = studies.Source{Log: srv, Site: shop.Site}.Learn(ctx, shop, time.Now())
		return err
	})
	if err != nil {
		return nil, nil, err
	}
	if h == nil {
		fmt.Fprintln(io.err, "tickover: the log holds too little to learn from (20 units over a week are needed); the usual is taken")
	}
	return h, lengths, nil
}

func (c *simulateCmd) table(io streams, shop *queue.Shop, r *simulate.Result) error {
	tw := tabwriter.NewWriter(io.out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(tw, "\tunits a week\tpromises kept\ttime in the shop\tat full load, units a week")
	f := r.AsItIs
	fmt.Fprintf(tw, "as it is\t%s\t%s %%\t%s h\t%s\n", plain(f.Units), plain(f.Kept), plain(f.Stay), plain(f.Full))
	for _, x := range r.Ranked() {
		d := x.Diff
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\n", studies.Text(locale.English(), shop, x.Changes), signed(d.Units, ""), signed(d.Kept, " points"), signed(d.Stay, " h"), signed(d.Full, ""))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	from := "the usual of such a shop"
	if r.Learnt > 0 {
		from = fmt.Sprintf("%d units of the log", r.Learnt)
	}
	fmt.Fprintf(io.out, "\n%d pairs of %d weeks from %s, after %d weeks that are not measured; seed %d. What comes: %s.\n",
		r.Pairs, r.Weeks, r.Start.Format(time.DateOnly), r.WarmUp, r.Seed, from)
	fmt.Fprintln(io.out, "Differences from the shop as it is, with 95 % intervals of the paired differences; * is beyond chance.\nDecided by a rule (apparent tardiness cost; at full load first come first served), not by the planner: read the differences, not the levels.")
	for _, n := range r.Notes {
		fmt.Fprintln(io.out, n)
	}
	for _, x := range r.Scenarios {
		for _, said := range studies.Cautions(x.Changes) {
			fmt.Fprintf(io.out, "%s: %s\n", x.Changes, said)
		}
	}
	return nil
}

func plain(r simulate.Range) string { return fmt.Sprintf("%.1f ± %.1f", r.Mean, r.Half) }

func signed(r simulate.Range, unit string) string {
	star := ""
	if r.Sure() {
		star = " *"
	}
	return fmt.Sprintf("%+.1f ± %.1f%s%s", r.Mean, r.Half, unit, star)
}
