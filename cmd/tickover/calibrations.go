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
	"tickover/queue/log"
	"tickover/services/catalogue"
	"tickover/services/floor/api"
	"tickover/services/ledger"
)

type calibrationsCmd struct {
	Import importCalibrationsCmd `cmd:"" help:"List calibrations from a CSV file, all or none."`
	Export exportCalibrationsCmd `cmd:"" help:"Write the catalogue to a CSV file that import reads back."`
}

// shopFlags say which shop is meant.
type shopFlags struct {
	logFlags
	Server string `help:"The running shop." default:"http://${listen}"`
	Data   string `help:"Use this data directory instead; the shop must not be running." type:"path"`
	Site   string `help:"The site, with --data."`
}

type importCalibrationsCmd struct {
	shopFlags
	File  string `arg:"" help:"The CSV file; - for standard input."`
	Actor string `help:"Who imports: a foreman of the shop file."`
	Check bool   `help:"Change nothing; tell what would happen."`
}

func (c *importCalibrationsCmd) Run(ctx context.Context, out streams) error {
	var body []byte
	var err error
	if c.File == "-" {
		body, err = io.ReadAll(io.LimitReader(os.Stdin, api.ImportMax+1))
	} else {
		body, err = os.ReadFile(c.File)
	}
	switch {
	case err != nil:
		return fmt.Errorf("calibrations: %w", err)
	case len(body) > api.ImportMax:
		return fmt.Errorf("%s is larger than %d MiB; cut it", c.File, api.ImportMax>>20)
	}
	var rep catalogue.Report
	if c.Data != "" {
		err = c.offline(ctx, out, func(l *ledger.Ledger) error {
			rep, err = catalogue.CSV(ctx, l, bytes.NewReader(body), catalogue.Options{Actor: queue.PersonID(c.Actor), Now: time.Now(), CheckOnly: c.Check})
			return err
		})
	} else {
		rep, err = c.upload(ctx, body)
	}
	for _, e := range rep.Errors {
		fmt.Fprintf(out.err, "%s: %s\n", c.File, e.Error())
	}
	if err != nil {
		return err
	}
	verb := "listed"
	if c.Check {
		verb = "would be listed"
	}
	fmt.Fprintf(out.out, "%s: %d calibrations %s, %d unchanged\n", c.File, rep.Added, verb, rep.Unchanged)
	for _, id := range rep.Campaigns {
		fmt.Fprintf(out.out, "%s: campaign %s calls machines back\n", c.File, id)
	}
	return nil
}

// offline opens the log of a stopped shop.
func (c *shopFlags) offline(ctx context.Context, out streams, do func(*ledger.Ledger) error) error {
	if c.Site == "" {
		return errors.New("--data needs --site, the name of the site in its shop file")
	}
	logger, err := c.logger(out)
	if err != nil {
		return err
	}
	return withLog(ctx, log.Options{Dir: logDir(c.Data)}, logger, out, func(srv *log.Server) error {
		l, err := ledger.Open(ctx, ledger.Options{Site: queue.SiteID(c.Site), Log: srv, Now: time.Now, Snapshots: srv, Logger: logger})
		if err != nil {
			return explainLog(err)
		}
		return do(l)
	})
}

// upload sends the file to a running shop. Bad lines are a report and an error.
func (c *importCalibrationsCmd) upload(ctx context.Context, body []byte) (rep catalogue.Report, err error) {
	if c.Actor == "" {
		return rep, errors.New("say who imports: --actor with a foreman of the shop file")
	}
	// Checked first, so that bad lines are told one by one.
	rep, err = c.send(ctx, body, true)
	if err == nil && len(rep.Errors) > 0 {
		err = catalogue.ErrBadRows
	}
	if err != nil || c.Check {
		return rep, err
	}
	return c.send(ctx, body, false)
}

func (c *importCalibrationsCmd) send(ctx context.Context, body []byte, check bool) (rep catalogue.Report, err error) {
	q := url.Values{"actor": {c.Actor}, "check_only": {strconv.FormatBool(check)}}
	var answer api.CalibrationReport
	if err := c.ask(ctx, http.MethodPost, "/calibrations/import?"+q.Encode(), body, &answer); err != nil {
		return rep, err
	}
	rep = catalogue.Report{Rows: answer.Rows, Added: answer.Added, Unchanged: answer.Unchanged, Campaigns: answer.Campaigns}
	for _, e := range answer.Errors {
		rep.Errors = append(rep.Errors, intake.RowError{What: e.Location + ": " + e.Message})
	}
	return rep, nil
}

// answerMax bounds what a shop may answer.
const answerMax = 64 << 20

// ask calls the API of a running shop.
func (c *shopFlags) ask(ctx context.Context, method, path string, body []byte, into any) error {
	req, err := http.NewRequestWithContext(ctx, method, c.Server+api.Prefix+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	if body != nil {
		req.Header.Set("Content-Type", "text/csv")
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("no shop answers at %s (%w); start it with tickover serve, or use its log with --data", c.Server, err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, answerMax))
	if err != nil {
		return err
	}
	if resp.StatusCode != http.StatusOK {
		var problem struct{ What, Do string }
		if json.Unmarshal(text, &problem) == nil && problem.What != "" {
			return fmt.Errorf("%s. %s", problem.What, problem.Do)
		}
		return fmt.Errorf("the shop answers %s", resp.Status)
	}
	if err := json.Unmarshal(text, into); err != nil {
		return fmt.Errorf("the shop answers something that can't be read: %w", err)
	}
	return nil
}

type exportCalibrationsCmd struct {
	shopFlags
	File string `arg:"" help:"The CSV file to write; - for standard output." default:"-"`
}

func (c *exportCalibrationsCmd) Run(ctx context.Context, out streams) error {
	var list []queue.Calibration
	var err error
	if c.Data != "" {
		err = c.offline(ctx, out, func(l *ledger.Ledger) error {
			list = l.View().Catalogue().All()
			return nil
		})
	} else {
		var answer api.CalibrationList
		err = c.ask(ctx, http.MethodGet, "/calibrations", nil, &answer)
		list = answer.Calibrations
	}
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := intake.WriteCalibrations(&b, list); err != nil {
		return err
	}
	if c.File == "-" {
		_, err = out.out.Write(b.Bytes())
		return err
	}
	if err := os.WriteFile(c.File, b.Bytes(), 0o644); err != nil {
		return fmt.Errorf("calibrations: %w", err)
	}
	_, err = fmt.Fprintf(out.out, "%s: %d calibrations\n", c.File, len(list))
	return err
}
