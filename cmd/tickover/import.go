package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"time"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/services/checkin"
	"tickover/services/floor/api"
	"tickover/services/ledger"
)

type importCmd struct {
	shopFlags
	File    string `arg:"" help:"The CSV file; - for standard input."`
	Actor   string `help:"Who imports: a person of the shop file."`
	Partial bool   `help:"Take the good lines although others are bad."`
	Check   bool   `help:"Change nothing; tell what would happen."`
}

func (c *importCmd) Run(ctx context.Context, io streams) error {
	src := os.Stdin
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil {
			return fmt.Errorf("units: %w", err)
		}
		defer f.Close()
		src = f
	}
	var rep checkin.Report
	var err error
	if c.Data != "" {
		rep, err = c.write(ctx, src, io)
	} else {
		rep, err = c.upload(ctx, src, io)
	}
	return c.tell(io, rep, err)
}

// tell prints the report; bad lines go to standard error.
func (c *importCmd) tell(io streams, rep checkin.Report, err error) error {
	for _, e := range rep.Errors {
		fmt.Fprintf(io.err, "%s: %s\n", c.File, e.Error())
	}
	if err != nil {
		return err
	}
	verb := "added"
	if c.Check {
		verb = "would be added"
	}
	_, err = fmt.Fprintf(io.out, "%s: %d units %s, %d unchanged, %d lines left out\n", c.File, rep.Added, verb, rep.Unchanged, len(rep.Errors))
	return err
}

func (c *importCmd) write(ctx context.Context, src io.Reader, io streams) (rep checkin.Report, err error) {
	err = c.offline(ctx, io, func(l *ledger.Ledger) error {
		p := newProgress(io.err, "import")
		defer p.end()
		rep, err = checkin.CSV(ctx, l, src, checkin.Options{
			Actor: queue.PersonID(c.Actor), Now: time.Now(), Partial: c.Partial, CheckOnly: c.Check,
			Progress: func(done, total int) { p.set(int64(done), int64(total)) },
		})
		return err
	})
	return rep, err
}

// upload sends the file to a running shop: first to be checked whole, then to
// be taken. While the shop takes it, its number of units shows the progress.
func (c *importCmd) upload(ctx context.Context, src io.Reader, out streams) (rep checkin.Report, err error) {
	if c.Actor == "" {
		return rep, errors.New("say who imports: --actor with a person of the shop file")
	}
	body, err := io.ReadAll(io.LimitReader(src, api.ImportMax+1))
	if err != nil {
		return rep, err
	}
	if len(body) > api.ImportMax {
		return rep, fmt.Errorf("%s is larger than %d MiB: stop the shop and import with --data, or cut the file", c.File, api.ImportMax>>20)
	}
	rep, err = c.take(ctx, out, body, true)
	switch {
	case err != nil || c.Check:
		return rep, err
	case len(rep.Errors) > 0 && !c.Partial:
		return rep, checkin.ErrBadRows
	}
	total := rep.Added
	p := newProgress(out.err, "import")
	defer p.end()
	type result struct {
		rep checkin.Report
		err error
	}
	taken := make(chan result, 1)
	before := c.units(ctx, out)
	go func() {
		rep, err := c.take(ctx, out, body, false)
		taken <- result{rep, err}
	}()
	look := time.NewTicker(200 * time.Millisecond)
	defer look.Stop()
	for {
		select {
		case r := <-taken:
			if r.err == nil {
				p.set(int64(total), int64(total))
			}
			return r.rep, r.err
		case <-look.C:
			if n := c.units(ctx, out); n >= before {
				p.set(int64(min(n-before, total)), int64(total))
			}
		}
	}
}

// take posts the file. An answer that names bad lines is a report, not an
// error.
func (c *importCmd) take(ctx context.Context, out streams, body []byte, check bool) (rep checkin.Report, err error) {
	q := url.Values{"actor": {c.Actor}, "partial": {strconv.FormatBool(c.Partial)}, "check_only": {strconv.FormatBool(check)}}
	var answer api.ImportReport
	if err := c.ask(ctx, out, request{http.MethodPost, "/import?" + q.Encode(), body, "text/csv"}, &answer); err != nil {
		return rep, err
	}
	rep = checkin.Report{Rows: answer.Rows, Added: answer.Added, Unchanged: answer.Unchanged}
	for _, e := range answer.Errors {
		rep.Errors = append(rep.Errors, intake.RowError{What: e.Location + ": " + e.Message})
	}
	return rep, nil
}

// units is how many units the shop has, -1 if it does not say.
func (c *importCmd) units(ctx context.Context, out streams) int {
	var o api.Overview
	if err := c.ask(ctx, out, request{method: http.MethodGet, path: "/overview"}, &o); err != nil {
		return -1
	}
	return o.Units
}
