package pages

import (
	"context"
	"errors"
	"mime/multipart"
	"net/http"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/services/checkin"
	"tickover/services/floor/answer"
	"tickover/services/floor/api"
)

type importPage struct {
	*Base
	Columns []string
	File    string
	Result  *checkin.Report
	Checked bool // nothing was changed yet
	Problem *answer.Problem
}

type importKey struct{}

func (p *Pages) importPage(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Import"), "check-in"
	page := importPage{Base: b, Columns: intake.Columns()}
	if done, ok := r.Context().Value(importKey{}).(importPage); ok {
		page.File, page.Result, page.Checked, page.Problem = done.File, done.Result, done.Checked, done.Problem
	}
	return "import", page, nil
}

// importMemory is how much of an upload is kept in memory; the rest waits in a
// file of the system's.
const importMemory = 1 << 20

// importFile takes an upload: it checks it, or imports it, and shows the page
// with what it came to. The same file again changes nothing, so there is
// nothing to guard against a second press.
func (p *Pages) importFile(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, api.ImportMax)
	b, ok := p.base(r)
	if !ok {
		p.plain(w, r, http.StatusServiceUnavailable, "The shop is not set up yet.", "Start Tickover with a shop file.")
		return
	}
	status, page := http.StatusOK, importPage{}
	err := p.upload(w, r, b, &page)
	if err != nil {
		pr, known := answer.Of(err)
		if !known {
			p.fail(w, r, b, err)
			return
		}
		page.Problem, status = pr.In(b.Locale), pr.Status
	}
	again := r.Clone(context.WithValue(r.Context(), importKey{}, page))
	b.Here = "/import"
	name, data, err := p.importPage(again, b)
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	p.render(w, status, name, data)
}

func (p *Pages) upload(w http.ResponseWriter, r *http.Request, b *Base, page *importPage) error {
	file, head, err := formFile(r)
	if err != nil {
		return err
	}
	defer func() { _ = r.MultipartForm.RemoveAll() }() // what the system does not remove at once it removes later
	defer file.Close()
	page.File = head.Filename
	b.says(w, r)
	if b.Me == "" {
		return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "nobody is chosen on this device", "Say who you are, then send the file again.")
	}
	page.Checked = r.FormValue("how") == "check"
	rep, err := checkin.CSV(r.Context(), p.o.Ledger, file, checkin.Options{
		Actor: b.Me, Now: b.Now, CheckOnly: page.Checked, Partial: r.FormValue("partial") == "yes",
	})
	page.Result = &rep
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
