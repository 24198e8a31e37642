package pages

import (
	"net/http"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/floor/export"
	"tickover/services/floor/record"
)

// dayICS is a technician's day as iCalendar.
func (p *Pages) dayICS(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	t := b.Shop.Technician(queue.PersonID(r.PathValue("id")))
	if t == nil {
		p.fail(w, r, b, answer.Unknown(b.T("there is no technician %q", r.PathValue("id")), "Choose one of the shop's technicians."))
		return
	}
	seen, whole, err := export.WindowOfDay(r.URL.Query().Get("day"), b.moment())
	var work *record.Labour
	if err == nil {
		work, err = p.record.Labour(r.Context(), b.moment(), record.Window{Window: seen})
	}
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	d := &export.Day{Technician: t, Moment: b.moment(), Plan: b.Plan, Date: whole.Start, Pieces: work.Pieces, Words: b, Promised: b.Moment}
	d.DayHeaders(w.Header())
	if err := d.Write(w); err != nil {
		p.log.Debug("calendar not sent", zap.Error(err))
	}
}
