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
	"time"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/queue/log"
	"tickover/services/checkin"
	"tickover/services/ledger"
)

type importCmd struct {
	logFlags
	File    string `arg:"" help:"The CSV file; - for standard input."`
	Server  string `help:"The running shop." default:"http://${listen}"`
	Data    string `help:"Write to this data directory instead; the shop must not be running." type:"path"`
	Site    string `help:"The site, with --data."`
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
		rep, err = c.offline(ctx, src, io)
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

func (c *importCmd) offline(ctx context.Context, src io.Reader, io streams) (rep checkin.Report, err error) {
	if c.Site == "" {
		return rep, errors.New("--data needs --site, the name of the site in its shop file")
	}
	logger, err := c.logger(io)
	if err != nil {
		return rep, err
	}
	err = withLog(ctx, log.Options{Dir: logDir(c.Data)}, logger, io, func(srv *log.Server) error {
		l, err := ledger.Open(ctx, ledger.Options{Site: queue.SiteID(c.Site), Log: srv, Now: time.Now, Snapshots: srv, Logger: logger})
		if err != nil {
			return explainLog(err)
		}
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

// upload sends the file to a running shop. The answer is a line a step, so that
// the progress can be shown: {"done":…,"total":…}, then the report.
func (c *importCmd) upload(ctx context.Context, src io.Reader, out streams) (rep checkin.Report, err error) {
	body, err := io.ReadAll(io.LimitReader(src, intake.SizeMax+1))
	if err != nil {
		return rep, err
	}
	if len(body) > intake.SizeMax {
		return rep, fmt.Errorf("%s is larger than %d MiB; cut it", c.File, intake.SizeMax>>20)
	}
	q := url.Values{"actor": {c.Actor}}
	if c.Partial {
		q.Set("partial", "true")
	}
	if c.Check {
		q.Set("check", "true")
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.Server+"/api/v1/import?"+q.Encode(), bytes.NewReader(body))
	if err != nil {
		return rep, err
	}
	req.Header.Set("Content-Type", "text/csv")
	req.Header.Set("Accept", "application/x-ndjson")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return rep, fmt.Errorf("no shop answers at %s (%w); start it with tickover serve, or write to its log with --data", c.Server, err)
	}
	defer resp.Body.Close()
	return readImport(resp, newProgress(out.err, "import"))
}

// importLine is one line of the answer.
type importLine struct {
	Done   *int            `json:"done"`
	Total  int             `json:"total"`
	Report *checkin.Report `json:"report"`
	Error  string          `json:"error"`
}

func readImport(resp *http.Response, p *progress) (rep checkin.Report, err error) {
	defer p.end()
	if resp.StatusCode != http.StatusOK {
		var problem struct{ Detail, Do string }
		if json.NewDecoder(io.LimitReader(resp.Body, 1<<20)).Decode(&problem) != nil || problem.Detail == "" {
			return rep, fmt.Errorf("the shop answers %s", resp.Status)
		}
		return rep, fmt.Errorf("%s. %s", problem.Detail, problem.Do)
	}
	dec := json.NewDecoder(resp.Body)
	for {
		var line importLine
		switch err := dec.Decode(&line); {
		case errors.Is(err, io.EOF):
			return rep, errors.New("the answer broke off; import the file again to complete it")
		case err != nil:
			return rep, fmt.Errorf("the answer broke off (%w); import the file again to complete it", err)
		}
		switch {
		case line.Report != nil && line.Error != "":
			return *line.Report, errors.New(line.Error)
		case line.Report != nil:
			return *line.Report, nil
		case line.Done != nil:
			p.set(int64(*line.Done), int64(line.Total))
		}
	}
}
