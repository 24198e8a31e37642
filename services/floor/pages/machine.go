package pages

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/floor/record"
)

// MachineHref is the page of a unit's machine.
func (b *Base) MachineHref(u *queue.Unit) string {
	return "/machines/" + url.PathEscape(string(queue.KeyOf(u)))
}

type machinePage struct {
	*Base
	*record.Machine
	Latest     *queue.Unit
	Visits     []machineVisit // the newest first
	Charts     []chart
	FaultsTold []Told
	LetPass    []letPass
	Setup      []setupLine
	Cal        *CalibrationAnswer
	HoursYear  string // hours a year since the model year began; empty: not known
	Href       string
}

// machineVisit is a visit with what happened in it.
type machineVisit struct {
	Unit  *queue.Unit
	Route string
	Story []Told
}

// setupLine is a part of the set-up and how it stands.
type setupLine struct {
	Name string
	Says string
	Done bool
	None bool // not known here
}

func (p *Pages) machine(r *http.Request, b *Base) (string, any, error) {
	page, err := p.machineOf(r, b)
	if err != nil {
		return "", nil, err
	}
	b.Title, b.Section = b.T("%s %s, its record", page.Latest.Machine.Make, page.Latest.Machine.Model), "units"
	return "machine", page, nil
}

func (p *Pages) tradeIn(r *http.Request, b *Base) (string, any, error) {
	page, err := p.machineOf(r, b)
	if err != nil {
		return "", nil, err
	}
	b.Title, b.Section = b.T("Trade-in check"), "units"
	return "trade-in", page, nil
}

func (p *Pages) machineOf(r *http.Request, b *Base) (*machinePage, error) {
	key := queue.MachineKey(r.PathValue("key"))
	of, ok := b.State.MachineByKey(key)
	if !ok {
		return nil, answer.Unknown(b.T("there is no machine %q", string(key)), "Look it up by its ticket or frame number.")
	}
	page := &machinePage{Base: b, Latest: of.Latest()}
	var err error
	page.Machine, err = p.record.Machine(r.Context(), b.moment(), of, page.told)
	if err != nil {
		return nil, err
	}
	slices.Reverse(page.Visits)
	for i := range page.Visits {
		slices.Reverse(page.Visits[i].Story)
	}
	page.Href = b.MachineHref(page.Latest)
	page.faults()
	for _, l := range page.Machine.LetPass {
		page.LetPass = append(page.LetPass, b.letPass(of.Visits, l))
	}
	page.Cal = b.calibration(page.Latest.Machine)
	page.Cal.lastFlash(&of)
	page.setup()
	if h := page.HoursAYear; h > 0 {
		page.HoursYear = b.T("%s h", b.Number(h, 1))
	}
	page.charts()
	return page, nil
}

// told puts an event of a visit in words.
func (m *machinePage) told(u *queue.Unit, e *queue.Event) {
	if n := len(m.Visits); n == 0 || m.Visits[n-1].Unit != u {
		v := machineVisit{Unit: u, Route: string(u.Route)}
		if rt := m.Shop.Route(u.Route); rt != nil {
			v.Route = rt.Name
		}
		m.Visits = append(m.Visits, v)
	}
	v := &m.Visits[len(m.Visits)-1]
	v.Story = append(v.Story, tell(m.Base, u, e))
}

// faults puts what was found wrong in words.
func (m *machinePage) faults() {
	for _, f := range m.Machine.Faults {
		u := m.State.Units[f.Unit]
		t := tell(m.Base, u, f.Event)
		if f.Found {
			t = Told{At: f.At, Who: m.Name(f.By), What: m.stepName(u, f.Step), Details: []string{f.What}}
		}
		m.FaultsTold = append(m.FaultsTold, t)
	}
}

// Resets says what was reset after a flash.
func (m *machinePage) Resets(f record.Flash) string {
	u := m.State.Units[f.Unit]
	st := u.Step(f.ResetStep)
	if st == nil || len(f.Resets) == 0 {
		return ""
	}
	op := m.Shop.Operation(st.Operation)
	if op == nil {
		return ""
	}
	var out []string
	ev := f.Resets[len(f.Resets)-1]
	for _, x := range op.Evidence {
		if v := ev[x.Key]; v != "" && x.Type != queue.Photo {
			out = append(out, m.T("%s: %s", x.Label, m.Word(v)))
		}
	}
	return strings.Join(out, ", ")
}

// StepOf names a reading's step.
func (m *machinePage) StepOf(r record.Reading) string {
	return m.stepName(m.State.Units[r.Unit], r.Step)
}

func (b *Base) stepName(u *queue.Unit, id queue.StepID) string {
	if st := u.Step(id); st != nil {
		return b.Operation(st.Operation)
	}
	return words(string(id))
}

// setup says how each part of the set-up stands, by the latest visit that
// had it.
func (m *machinePage) setup() {
	cal := setupLine{Name: m.T("Calibration")}
	switch c := m.Cal; {
	case c.Current == nil:
		cal.Says, cal.None = answer.Sentence(c.Why.What), true
	case c.Unsure != 0:
		cal.Says = m.T("%s revision %d is current; %s", c.Current.ID, c.Current.Revision, m.NotKnown(c.Unsure, c.UnsureAt))
	case c.LastAt.IsZero():
		cal.Says = m.T("%s revision %d is current; it was never flashed here", c.Current.ID, c.Current.Revision)
	case c.Newer:
		cal.Says = m.T("%s revision %d was flashed on %s; %s revision %d is current", c.LastID, c.LastRevision, m.Moment(c.LastAt), c.Current.ID, c.Current.Revision)
	default:
		cal.Says, cal.Done = m.T("%s revision %d, the current one, flashed on %s", c.LastID, c.LastRevision, m.Moment(c.LastAt)), true
	}
	m.Setup = append(m.Setup, cal)
	for _, part := range m.SetUp {
		m.Setup = append(m.Setup, m.setupOf(part))
	}
}

func (m *machinePage) setupOf(p record.Part) setupLine {
	if p.Step == nil {
		return setupLine{Name: words(m.Word(p.Kind.String())), Says: m.T("not recorded here"), None: true}
	}
	line := setupLine{Name: m.Operation(p.Step.Operation)}
	switch p.Step.Status {
	case queue.Done:
		line.Says, line.Done = m.T("done on %s", m.Moment(p.Step.Ended)), true
	case queue.Skipped:
		line.Says = m.T("left out: %s", p.Step.Why)
	default:
		line.Says = m.T("open since %s", m.Moment(p.Since))
	}
	return line
}

// Moment is a time with its day, as a record needs it.
func (b *Base) Moment(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	t = t.In(b.Loc)
	return b.T("%s, %s", b.Date(t, "2 Jan 2006"), b.Locale.Clock(t))
}

// Amount writes a reading in the person's units.
func (b *Base) Amount(r record.Reading) string {
	switch r.Of {
	case record.OdometerKM:
		return b.Distance(r.Value, 1)
	case record.EngineH:
		return b.T("%s h", b.Number(r.Value, 1))
	case record.BatteryV:
		return b.T("%s V", b.Number(r.Value, 1))
	}
	return b.T("%s rpm", b.Number(r.Value, 0))
}

// QuantityName is what a reading measures, in words.
func (b *Base) QuantityName(of record.Quantity) string {
	switch of {
	case record.OdometerKM:
		return b.T("Odometer")
	case record.EngineH:
		return b.T("Engine hours")
	case record.BatteryV:
		return b.T("Battery at rest")
	}
	return b.T("Idle speed")
}

// letPass is what was left out or let pass, and by whose decision.
type letPass struct {
	At     time.Time
	Unit   queue.UnitID
	What   string
	By     queue.PersonID
	Reason string
}

func (b *Base) letPass(visits []*queue.Unit, l record.LetPass) letPass {
	out := letPass{At: l.At, Unit: l.Unit, By: l.By, Reason: l.Reason}
	of := b.T("Check-in")
	switch {
	case l.Leaving:
		of = b.T("Handed over")
	case l.Step != "":
		if i := slices.IndexFunc(visits, func(u *queue.Unit) bool { return u.ID == l.Unit }); i >= 0 {
			of = b.stepName(visits[i], l.Step)
		}
	}
	if l.Interlock == 0 {
		out.What = b.T("%s left out", of)
	} else {
		out.What = b.T("%s: %s let pass", of, l.Interlock)
	}
	return out
}
