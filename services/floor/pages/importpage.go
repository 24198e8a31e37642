package pages

import (
	"net/http"
)

// Importer checks units in from a CSV file.
type Importer interface{}

func (p *Pages) importPage(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = "Import", "check-in"
	return "import", struct{ *Base }{b}, nil
}

func (p *Pages) importFile(w http.ResponseWriter, r *http.Request) {
	p.plain(w, http.StatusNotImplemented, "Not here yet.", "")
}
