package main

import (
	"bytes"
	"context"
	"encoding/json"
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
	rep, err = c.send(ctx, body, true)
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
	before := c.units(ctx)
	go func() {
		rep, err := c.send(ctx, body, false)
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
			if n := c.units(ctx); n >= before {
				p.set(int64(min(n-before, total)), int64(total))
			}
		}
	}
}

// send posts the file. An answer that names bad lines is a report, not an
// error.
func (c *importCmd) send(ctx context.Context, body []byte, check bool) (rep checkin.Report, err error) {
	q := url.Values{"actor": {c.Actor}, "partial": {strconv.FormatBool(c.Partial)}, "check_only": {strconv.FormatBool(check)}}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.Server+api.Prefix+"/import?"+q.Encode(), bytes.NewReader(body))
	if err != nil {
		return rep, err
	}
	req.Header.Set("Content-Type", "text/csv")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return rep, fmt.Errorf("no shop answers at %s (%w); start it with tickover serve, or write to its log with --data", c.Server, err)
	}
	defer resp.Body.Close()
	var answer struct {
		api.ImportReport
		What, Do string // of a problem
	}
	if err := json.NewDecoder(io.LimitReader(resp.Body, 8<<20)).Decode(&answer); err != nil {
		return rep, fmt.Errorf("the shop answers %s and something that can't be read: %w", resp.Status, err)
	}
	rep = checkin.Report{Rows: answer.Rows, Added: answer.Added, Unchanged: answer.Unchanged}
	for _, e := range answer.Errors {
		rep.Errors = append(rep.Errors, intake.RowError{What: e.Location + ": " + e.Message})
	}
	if resp.StatusCode != http.StatusOK {
		return rep, fmt.Errorf("%s. %s", answer.What, answer.Do)
	}
	return rep, nil
}

// units is how many units the shop has, -1 if it does not say.
func (c *importCmd) units(ctx context.Context) int {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.Server+api.Prefix+"/overview", nil)
	if err != nil {
		return -1
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return -1
	}
	defer resp.Body.Close()
	var o api.Overview
	if resp.StatusCode != http.StatusOK || json.NewDecoder(resp.Body).Decode(&o) != nil {
		return -1
	}
	return o.Units
}
