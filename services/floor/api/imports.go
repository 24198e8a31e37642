package api

import (
	"bytes"
	"context"
	"errors"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/services/checkin"
	"tickover/services/floor/answer"
	"tickover/services/floor/gate"
	"tickover/services/floor/locale"
)

// Bounds of an import through the API and the pages. Larger files go through
// the command line.
const (
	ImportMax       = 16 << 20 // bytes
	ImportErrorsMax = 500      // lines that an answer names
)

type importInput struct {
	Actor     queue.PersonID `query:"actor" required:"true" minLength:"1" maxLength:"64" doc:"Who says so: a technician or a foreman"`
	Partial   bool           `query:"partial" doc:"Take the good lines although others are bad"`
	CheckOnly bool           `query:"check_only" doc:"Change nothing, tell what would happen"`
	RawBody   []byte         `contentType:"text/csv"`
}

// ImportReport says what an import came to.
type ImportReport struct {
	Rows      int            `json:"rows" doc:"Readable lines of the file"`
	Added     int            `json:"added"`
	Unchanged int            `json:"unchanged" doc:"Arrived before, as they are"`
	Errors    []answer.Field `json:"errors" nullable:"false" doc:"Lines that were left out, with partial or check_only"`
}

func (a *API) imports() {
	op := a.operation(http.MethodPost, "/import", "importUnits", "Check units in from a CSV file, all or none; the same file again changes nothing", "units")
	op.MaxBodyBytes = ImportMax
	huma.Register(a.routes, op, a.importUnits)
}

func (a *API) importUnits(ctx context.Context, in *importInput) (*body[ImportReport], error) {
	st, err := a.shop(ctx)
	if err != nil {
		return nil, err
	}
	if !isSomebody(ctx, st.Shop, in.Actor) {
		return nil, answer.Unknown("there is nobody called %q in the shop file", "Send the id of a technician or a foreman.", string(in.Actor))
	}
	if err := gate.Vet(ctx, st, &queue.Command{Actor: in.Actor}); err != nil {
		return nil, err
	}
	rep, err := checkin.CSV(ctx, a.o.Ledger, bytes.NewReader(in.RawBody), checkin.Options{
		Actor: in.Actor, Now: a.o.Now(), Partial: in.Partial, CheckOnly: in.CheckOnly,
	})
	if err != nil && !(errors.Is(err, checkin.ErrBadRows) && in.CheckOnly) {
		return nil, a.fail(ImportProblem(rep, err))
	}
	return &body[ImportReport]{ImportReport{rep.Rows, rep.Added, rep.Unchanged, lines(rep.Errors)}}, nil
}

// ImportProblem answers an import that did not come to its end.
func ImportProblem(rep checkin.Report, err error) error {
	if !errors.Is(err, checkin.ErrBadRows) {
		return err
	}
	return badLines(rep.Errors, locale.Mark("Put the lines right, or import the good ones alone."))
}

// badLines answers a file of which nothing was imported.
func badLines(errs intake.Errors, do string) error {
	if len(errs) == 1 {
		return answer.Lines(lines(errs), do, "a line of the file is bad, so nothing was imported")
	}
	return answer.Lines(lines(errs), do, "%d lines of the file are bad, so nothing was imported", len(errs))
}

func lines(errs intake.Errors) []answer.Field {
	out := []answer.Field{}
	for i, e := range errs {
		if i == ImportErrorsMax {
			out = append(out, answer.FieldOf(locale.Said{}, locale.Say("and %d more", len(errs)-i)))
			break
		}
		where := locale.Say("line %d", e.Line)
		switch {
		case e.Line == 0:
			where = locale.Say("file")
		case e.Column != "":
			where = locale.Say("line %d, %s", e.Line, e.Column)
		}
		what, do := e.Said()
		out = append(out, answer.FieldOf(where, what, do))
	}
	return out
}
