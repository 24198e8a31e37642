package main

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"time"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/chronicle"
	"tickover/services/floor/charts"
	"tickover/services/floor/locale"
	"tickover/services/promise"
)

type plotCmd struct {
	logFlags
	Name string `arg:"" help:"What to draw: throughput, wip (units in the shop), stay (time in the shop), bottleneck, position (between best and practical worst case) or promises (said and kept, of the last units that came)." enum:"throughput,wip,stay,bottleneck,position,promises"`
	Data string `help:"The data directory; the shop must not be running." default:"var" type:"path"`
	Site string `help:"The site, as its shop file has it." required:""`
	From string `help:"The first day, as 2026-02-16; left out: four weeks before the last, of promises the last 250 units." placeholder:"DAY"`
	To   string `help:"The last day; left out: today." placeholder:"DAY"`
	Out  string `help:"The file: .svg, .png or .csv." required:"" placeholder:"FILE"`
}

// weeksPlotted is how far back a picture goes unasked.
const weeksPlotted = 4

func (c *plotCmd) Run(ctx context.Context, io streams) error {
	logger, err := c.logger(io)
	if err != nil {
		return err
	}
	return withLog(ctx, log.Options{Dir: logDir(c.Data)}, logger, io, func(srv *log.Server) error {
		if c.Name == "promises" {
			return c.promises(ctx, srv)
		}
		ch := chronicle.New(chronicle.Options{Log: srv, Site: queue.SiteID(c.Site)})
		if err := ch.CatchUp(ctx); err != nil {
			return explainLog(err)
		}
		loc := ch.Location()
		if loc == nil {
			return c.noShop()
		}
		w, err := c.window(loc, time.Now())
		if err != nil {
			return err
		}
		if began := ch.Began(); w.Start.Before(began) && began.Before(w.End) {
			y, m, d := began.In(loc).Date()
			w.Start = time.Date(y, m, d, 0, 0, 0, 0, loc)
		}
		in := &charts.Input{Locale: locale.Choose(locale.Prefs{}, ""), Data: ch.Data(w.Start, w.End), Window: w, Loc: loc}
		return drawFigure(c.Out, charts.Draw(c.Name, in))
	})
}

// promises draws what was said of units against what became of them, as the
// owner's page does: of the last that came, or of those of the days asked for.
func (c *plotCmd) promises(ctx context.Context, srv *log.Server) error {
	ask := c.From != "" || c.To != ""
	l := promise.NewLearner(promise.LearnerOptions{Log: srv, Site: queue.SiteID(c.Site), Whole: ask, Keep: answersMax, Threads: runtime.NumCPU()})
	if err := l.CatchUp(ctx); err != nil {
		return explainLog(err)
	}
	shop := l.Shop()
	if shop == nil {
		return c.noShop()
	}
	answers := l.Answers()
	if ask {
		w, err := c.window(shop.Location(), time.Now())
		if err != nil {
			return err
		}
		answers = slices.DeleteFunc(answers, func(a promise.Answer) bool {
			return c.From != "" && a.At.Before(w.Start) || !a.At.Before(w.End)
		})
	}
	rows, n, _ := promise.WorthOf(answers)
	if n == 0 {
		return errors.New("no unit is ready yet of which a time was worked out when it came; there is nothing to draw")
	}
	return drawFigure(c.Out, charts.Promises(locale.Choose(locale.Prefs{}, ""), rows, n))
}

// answersMax bounds how many units a curve is drawn from.
const answersMax = 100_000

func (c *plotCmd) noShop() error {
	return fmt.Errorf("the log in %s has no shop file of site %q in effect", logDir(c.Data), c.Site)
}

// window is the time that is drawn; it ends now at the latest.
func (c *plotCmd) window(loc *time.Location, now time.Time) (flow.Window, error) {
	w := flow.Window{Join: 5 * time.Minute}
	w.End = now
	if c.To != "" {
		to, err := time.ParseInLocation(time.DateOnly, c.To, loc)
		if err != nil {
			return w, fmt.Errorf("--to %q: write it as 2026-02-16", c.To)
		}
		if to = to.AddDate(0, 0, 1); to.Before(now) {
			w.End = to
		}
	}
	y, m, d := w.End.Add(-time.Second).In(loc).Date()
	w.Start = time.Date(y, m, d-7*weeksPlotted+1, 0, 0, 0, 0, loc)
	if c.From != "" {
		from, err := time.ParseInLocation(time.DateOnly, c.From, loc)
		if err != nil {
			return w, fmt.Errorf("--from %q: write it as 2026-02-16", c.From)
		}
		w.Start = from
	}
	if !w.Start.Before(w.End) {
		return w, errors.New("the first day lies after the last, or in the future")
	}
	return w, nil
}
