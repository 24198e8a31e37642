package pages

import (
	"net/http"
	"path"
	"strings"

	"tickover/metrics/flow"
	"tickover/services/floor/answer"
	"tickover/services/floor/charts"
)

// ownerPlot is one picture of the window.
type ownerPlot struct {
	figure
	name string
	w    *ownerWindow
}

// To is the picture as a file.
func (o ownerPlot) To(ext string) string { return o.w.To("/owner/plot/" + o.name + "." + ext) }

// plots are the pictures that the page does not draw by itself already.
func (page *ownerPage) plots(d *flow.Data) {
	b := page.Base
	in := b.chartInput(d, &page.W)
	in.Report = &page.R
	for _, c := range charts.Charts {
		if c.Name != "throughput" { // drawn with its links above
			page.Plots = append(page.Plots, ownerPlot{b.pictures(c.Draw(in), c.Name), c.Name, &page.W})
		}
	}
}

func (b *Base) chartInput(d *flow.Data, w *ownerWindow) *charts.Input {
	return &charts.Input{Locale: b.Locale, Data: d, Window: w.Window, Loc: b.Loc, Pool: func(id string) string { return b.poolName(d.Pools, id) }}
}

// ownerPlot sends a picture of the window as a file: wip.png, position.svg.
func (p *Pages) ownerPlot(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	win := windowOf(b, r.URL.Query())
	if win.Bad != "" {
		p.fail(w, r, b, answer.Unknown(win.Bad, "Go back and change the days."))
		return
	}
	d, err := p.flowOf(r, b, &win)
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	name, ext, _ := strings.Cut(path.Base(r.PathValue("file")), ".")
	f := charts.Draw(name, b.chartInput(d, &win))
	if f == nil {
		p.fail(w, r, b, answer.Unknown("there is no such picture", "Go back and choose one there."))
		return
	}
	p.picture(w, r, b, f, ext)
}
