package pages

import (
	"context"
	"errors"
	"io"
	"mime/multipart"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/services/catalogue"
	"tickover/services/checkin"
	"tickover/services/floor/answer"
	"tickover/services/floor/api"
	"tickover/services/floor/export"
)

type importPage struct {
	*Base
	upload
	Columns []string
	Result  *checkin.Report
}

// upload is a file that was sent, and what came of it.
type upload struct {
	File    string
	Checked bool   // nothing was changed yet
	Text    string // the file, to take it without choosing it once more
	Problem *answer.Problem
	Units   *checkin.Report
	Entries *catalogue.Report
}

type uploadKey struct{}

// uploadOf is the upload that a page is shown after.
func uploadOf(r *http.Request) upload {
	u, _ := r.Context().Value(uploadKey{}).(upload)
	return u
}

func (p *Pages) importPage(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Import"), "check-in"
	u := uploadOf(r)
	return "import", importPage{Base: b, upload: u, Columns: intake.Columns(), Result: u.Units}, nil
}

// importExample is a file to be filled in.
func (p *Pages) importExample(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	y, m, d := b.Now.Date()
	promise := b.openDay(p, time.Date(y, m, d+1, 0, 0, 0, 0, b.Loc)).Add(exampleHour)
	export.Headers(w.Header(), "units-example")
	if err := intake.WriteExample(w, b.State, promise); err != nil {
		p.log.Debug("example not sent", zap.Error(err))
	}
}

// exampleHour is when the units of an example are promised.
const exampleHour = 16 * time.Hour

// importMemory is how much of an upload is kept in memory; the rest waits in a
// file of the system's.
const importMemory = 1 << 20

// takeFile takes an upload, or the file that was checked before: take checks or
// imports it, and show is the page at path with what it came to. The same file
// again changes nothing, so there is nothing to guard against a second press.
func (p *Pages) takeFile(path string, show handler, take func(r *http.Request, b *Base, file io.Reader, u *upload) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, api.ImportMax)
		b := p.ready(w, r)
		if b == nil {
			return
		}
		status, u := http.StatusOK, upload{}
		if err := p.receive(w, r, b, &u, take); err != nil {
			pr, known := answer.Of(err)
			if !known {
				p.fail(w, r, b, err)
				return
			}
			u.Problem, status = pr.In(b.Locale), pr.Status
		}
		again := r.Clone(context.WithValue(r.Context(), uploadKey{}, u))
		again.URL.RawQuery, b.Here = "", path
		if after, ok := p.base(r); ok { // with what was just taken
			b.State = after.State
		}
		name, data, err := show(again, b)
		if err != nil {
			p.fail(w, r, b, err)
			return
		}
		p.render(w, status, name, data)
	}
}

func (p *Pages) receive(w http.ResponseWriter, r *http.Request, b *Base, u *upload, take func(*http.Request, *Base, io.Reader, *upload) error) error {
	var file io.Reader
	f, head, err := formFile(r)
	if r.MultipartForm != nil {
		defer func() { _ = r.MultipartForm.RemoveAll() }() // what the system does not remove at once it removes later
	}
	switch text := r.FormValue("text"); {
	case err == nil:
		defer f.Close()
		file, u.File = f, head.Filename
	case text != "":
		file, u.File = strings.NewReader(text), r.FormValue("name")
	default:
		return err
	}
	b.says(w, r)
	if b.Me == "" {
		return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "nobody is chosen on this device", "Say who you are, then send the file again.")
	}
	u.Checked = r.FormValue("how") == "check"
	return take(r, b, file, u)
}

// takeUnits checks units in.
func (p *Pages) takeUnits(r *http.Request, b *Base, file io.Reader, u *upload) error {
	rep, err := checkin.CSV(r.Context(), p.o.Ledger, file, checkin.Options{
		Actor: b.Me, Now: b.Now, CheckOnly: u.Checked, Partial: r.FormValue("partial") == "yes",
	})
	u.Units = &rep
	if err != nil {
		return api.ImportProblem(rep, err)
	}
	return nil
}

func formFile(r *http.Request) (multipart.File, *multipart.FileHeader, error) {
	if err := r.ParseMultipartForm(importMemory); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return nil, nil, answer.TooLarge("Cut it in parts, or import it with: tickover import FILE.csv", "the file is larger than %d MB", api.ImportMax>>20)
		}
		return nil, nil, answer.New(http.StatusBadRequest, queue.CodeMalformed, "the upload could not be read", "Choose the file and send it again.")
	}
	file, head, err := r.FormFile("file")
	if err != nil || head.Size == 0 {
		return nil, nil, answer.Malformed("file", nil, "no file was chosen, or it is empty", "Choose a CSV file.")
	}
	return file, head, nil
}
