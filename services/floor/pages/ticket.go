package pages

import (
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/qr"

	"tickover/queue"
	"tickover/services/contacts"
	"tickover/services/floor/answer"
)

type ticketPage struct {
	*Base
	Unit     *queue.Unit
	Route    string
	Person   *contacts.Person
	QR       Code
	Bars     Code
	Address  string
	Cautions []queue.Caution
}

// Code is a printed code: modules as one path, in units of a module.
type Code struct {
	Width, Height int
	Path          template.HTMLAttr
}

// quiet is the margin that ISO/IEC 18004 and 15417 ask for around a code:
// four modules for QR, ten for Code 128.
const (
	quietQR   = 4
	quietBars = 10
)

// ticket is the paper that goes with the machine: a QR code for phones, bars
// for scanners, and the cautions of its steps.
func (p *Pages) ticket(r *http.Request, b *Base) (string, any, error) {
	u := b.State.Units[queue.UnitID(r.PathValue("id"))]
	if u == nil {
		return "", nil, answer.Unknown(b.T("there is no unit %q", r.PathValue("id")), b.T("Check the ticket's number."))
	}
	b.Title, b.Section = b.T("Ticket %s", u.ID), "units"
	page := ticketPage{Base: b, Unit: u, Route: string(u.Route), Address: "http://" + r.Host + "/units/" + string(u.ID)}
	if r.TLS != nil {
		page.Address = "https" + strings.TrimPrefix(page.Address, "http")
	}
	if rt := b.Shop.Route(u.Route); rt != nil {
		page.Route = rt.Name
	}
	if p.o.Contacts != nil && u.Contact != "" {
		if who, ok := p.o.Contacts.Get(u.Contact); ok {
			page.Person = &who
		}
	}
	square, err := qr.Encode(page.Address, qr.M, qr.Auto)
	if err != nil {
		return "", nil, fmt.Errorf("QR code of %s: %w", u.ID, err)
	}
	bars, err := code128.Encode(string(u.ID))
	if err != nil {
		return "", nil, answer.Malformed("unit", u.ID, b.T("the ticket's number can't be printed as bars"), b.T("Use letters, digits and hyphens in ticket numbers."))
	}
	page.QR, page.Bars = draw(square, quietQR, 1), draw(bars, quietBars, 24)
	for i := range u.Steps {
		if op := b.Shop.Operation(u.Steps[i].Operation); op != nil {
			for _, c := range op.Cautions {
				if !slices.Contains(page.Cautions, c) {
					page.Cautions = append(page.Cautions, c)
				}
			}
		}
	}
	slices.Sort(page.Cautions)
	return "ticket", page, nil
}

// draw makes a path of a code's dark modules, a run at a time. A code of one
// row is drawn as high as told.
func draw(code barcode.Barcode, quiet, height int) Code {
	size := code.Bounds()
	var d strings.Builder
	rows := size.Dy()
	for y := range rows {
		for x := 0; x < size.Dx(); {
			n := 0
			for x+n < size.Dx() && dark(code, size.Min.X+x+n, size.Min.Y+y) {
				n++
			}
			if n > 0 {
				fmt.Fprintf(&d, "M%d %dh%dv%dh-%dz", x+quiet, y+quiet, n, height, n)
			}
			x += max(n, 1)
		}
	}
	return Code{size.Dx() + 2*quiet, (rows-1)*1 + height + 2*quiet, template.HTMLAttr(`d="` + d.String() + `"`)}
}

func dark(code barcode.Barcode, x, y int) bool {
	r, _, _, _ := code.At(x, y).RGBA()
	return r < 0x8000
}
