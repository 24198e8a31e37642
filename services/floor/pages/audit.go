package pages

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/services/floor/live"
)

// storageRoute is the route of a machine that stood for long: battery, fuel,
// relearn and rides once more.
const storageRoute queue.RouteID = "after-storage"

type auditPage struct {
	*Base
	Long, Lacking, Fine []auditRow
	MaxDays             int
	Storage             queue.RouteID // empty: the shop file has no such route
	Only                string
}

type auditRow struct {
	queue.HouseUnit
	Lacks []auditLack
}

// auditLack is what is missing, in words.
type auditLack struct {
	What, Icon string
	Since      time.Time
	Link       string
}

// Days is how many days a machine stands.
func (b *Base) Days(since time.Time) int { return int(b.Now.Sub(since) / (24 * time.Hour)) }

// audit is every machine in the house with what its set-up lacks.
func (p *Pages) audit(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section, b.Live = b.T("Showroom audit"), "calibrations", true
	page := auditPage{Base: b, MaxDays: int(b.Shop.Limits.ShowroomMax / (24 * time.Hour)), Only: r.URL.Query().Get("only")}
	b.alertsOf(func(a live.Alert) bool { return a.Kind != live.Overstay }) // they are the page's first list
	if b.Shop.Route(storageRoute) != nil {
		page.Storage = storageRoute
	}
	for _, h := range b.State.House(b.Now) {
		if page.Only == "showroom" && h.Status != queue.InShowroom {
			continue
		}
		row := auditRow{h, b.lacks(&h)}
		switch {
		case h.Overstays:
			page.Long = append(page.Long, row)
		case len(row.Lacks) > 0:
			page.Lacking = append(page.Lacking, row)
		default:
			page.Fine = append(page.Fine, row)
		}
	}
	return "audit", page, nil
}

// lacks puts what is missing into words; open steps stand together.
func (b *Base) lacks(h *queue.HouseUnit) []auditLack {
	var out []auditLack
	var open []string
	var since time.Time
	for _, l := range h.Lacks {
		x := auditLack{Since: l.Since}
		switch l.Kind {
		case queue.LackCampaign:
			x.What, x.Icon, x.Link = b.T("called back: %s", l.Campaign.Title), "flag", "/campaigns/"+string(l.Campaign.ID)
		case queue.LackCalibration:
			x.What, x.Icon = b.T("flashed with %s revision %d, current is %s revision %d", h.Record.Flashed.ID, h.Record.Flashed.Revision, l.Current.ID, l.Current.Revision), "flash"
		case queue.LackFlash:
			x.What, x.Icon = b.T("never flashed here; current is %s revision %d", l.Current.ID, l.Current.Revision), "flash"
			if h.Record.Unsure != 0 {
				x.What = b.T("%s; current is %s revision %d", b.NotKnown(h.Record.Unsure, h.Record.FlashedAt), l.Current.ID, l.Current.Revision)
			}
		case queue.LackEvidence:
			x.What, x.Icon = b.T("evidence is missing: %s, %s", b.stepName(h.Unit, l.Step), b.fieldName(h.Unit, l.Step, l.Field)), "caution"
		case queue.LackStep:
			open, since = append(open, b.stepName(h.Unit, l.Step)), l.Since
			continue
		}
		out = append(out, x)
	}
	if len(open) > 0 {
		out = append(out, auditLack{b.N("open: %[2]s", "%[1]d steps open: %[2]s", len(open), len(open), strings.Join(open, ", ")), "list", since, ""})
	}
	return out
}

func (b *Base) fieldName(u *queue.Unit, id queue.StepID, key queue.EvidenceKey) string {
	if st := u.Step(id); st != nil {
		if f := fieldOf(b.Shop.Operation(st.Operation), key); f != nil {
			return f.Label
		}
	}
	return words(string(key))
}

// Overstayed are the machines that stand too long, for the foreman's lists.
func (b *Base) Overstayed() []*queue.Unit { return b.State.Overstayed(b.Now) }

// Stands is since when a machine is where it is.
func (b *Base) Stands(u *queue.Unit) time.Time {
	if u.Status == queue.InShowroom {
		return u.Left
	}
	return u.Arrived
}

// foremansAlerts keeps the alert about long storage for foremen, in their
// language.
func (b *Base) foremansAlerts() {
	b.Alerts = slices.DeleteFunc(slices.Clone(b.Alerts), func(a live.Alert) bool { return a.Kind == live.Overstay && !b.IAmForeman() })
	for i := range b.Alerts {
		if a := &b.Alerts[i]; a.Kind == live.Overstay {
			n := len(b.Overstayed())
			a.Text = b.N("%d machine stands longer than %d days.", "%d machines stand longer than %d days.", n, n, int(b.Shop.Limits.ShowroomMax/(24*time.Hour)))
		}
	}
}

// campaignsOf are the open campaigns of a unit that is in the shop, with
// whether their steps are on the visit.
func (b *Base) campaignsOf(u *queue.Unit) []unitCampaign {
	var out []unitCampaign
	for _, c := range b.State.OpenFor(u, b.Now) {
		out = append(out, unitCampaignOf(c, u))
	}
	return out
}

func unitCampaignOf(c *queue.Campaign, u *queue.Unit) unitCampaign {
	x := unitCampaign{Campaign: c, Added: slices.ContainsFunc(u.Sweeps, func(s queue.Sweep) bool { return s.Campaign == c.ID })}
	for i := range u.Steps {
		s := &u.Steps[i]
		switch {
		case c.Calibration == nil || s.Kind != queue.Flash:
		case s.Status == queue.Todo:
			x.Comes = true
		case s.Status == queue.Running && s.Calibration != nil && *s.Calibration == *c.Calibration:
			x.Comes = true
		case s.Status == queue.Running:
			x.Older = true
		}
	}
	return x
}

// unitCampaign is a campaign that a unit is open in.
type unitCampaign struct {
	*queue.Campaign
	Added bool // its steps are on the visit
	Comes bool // the flash is still to come and takes the current calibration
	Older bool // the flash that runs was begun with an older one
}

// calledBack are the open campaigns of a machine that is checked in.
func (b *Base) calledBack(m queue.Machine) []*queue.Campaign {
	if cmp.Or(m.Make, m.Frame) == "" || len(b.State.Campaigns) == 0 {
		return nil
	}
	return b.State.OpenFor(&queue.Unit{ID: "new", Machine: m, Arrived: b.Now}, b.Now)
}
