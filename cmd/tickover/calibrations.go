package main

import (
	"bytes"
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
	"tickover/services/catalogue"
	"tickover/services/floor/api"
	"tickover/services/ledger"
)

type calibrationsCmd struct {
	Import   importCalibrationsCmd  `cmd:"" help:"List calibrations from a CSV file, all or none."`
	Export   exportCalibrationsCmd  `cmd:"" help:"Write the catalogue to a CSV file that import reads back."`
	Find     findCalibrationCmd     `cmd:"" help:"Which calibration is current for a machine."`
	Withdraw withdrawCalibrationCmd `cmd:"" help:"Take one revision out of the catalogue."`
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
		rep, err = c.upload(ctx, out, body)
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

// upload sends the file to a running shop. Bad lines are a report and an error.
func (c *importCalibrationsCmd) upload(ctx context.Context, out streams, body []byte) (rep catalogue.Report, err error) {
	if c.Actor == "" {
		return rep, errors.New("say who imports: --actor with a foreman of the shop file")
	}
	// Checked first, so that bad lines are told one by one.
	rep, err = c.post(ctx, out, body, true)
	if err == nil && len(rep.Errors) > 0 {
		err = catalogue.ErrBadRows
	}
	if err != nil || c.Check {
		return rep, err
	}
	return c.post(ctx, out, body, false)
}

func (c *importCalibrationsCmd) post(ctx context.Context, out streams, body []byte, check bool) (rep catalogue.Report, err error) {
	q := url.Values{"actor": {c.Actor}, "check_only": {strconv.FormatBool(check)}}
	var answer api.CalibrationReport
	if err := c.ask(ctx, out, request{http.MethodPost, "/calibrations/import?" + q.Encode(), body, "text/csv"}, &answer); err != nil {
		return rep, err
	}
	rep = catalogue.Report{Rows: answer.Rows, Added: answer.Added, Unchanged: answer.Unchanged, Campaigns: answer.Campaigns}
	for _, e := range answer.Errors {
		rep.Errors = append(rep.Errors, intake.RowError{What: e.Location + ": " + e.Message})
	}
	return rep, nil
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
		err = c.ask(ctx, out, request{method: http.MethodGet, path: "/calibrations"}, &answer)
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
