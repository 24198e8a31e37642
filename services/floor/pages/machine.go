package pages

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/queue"
	"tickover/services/floor/answer"
)

// MachineHref is the page of a unit's machine.
func (b *Base) MachineHref(u *queue.Unit) string {
	return "/machines/" + url.PathEscape(string(queue.KeyOf(u)))
}

type machinePage struct {
	*Base
	Record    queue.MachineRecord
	Latest    *queue.Unit
	Visits    []machineVisit // the newest first
	Readings  []machineReading
	Charts    []chart
	Flashes   []flashed
	Faults    []Told
	LetPass   []letPass
	Photos    []string
	Setup     []setupLine
	Campaigns []*queue.Campaign
	Cal       *CalibrationAnswer
	OdoKM     *machineReading // the last ones; nil: none
	EngineH   *machineReading
	HoursYear string // hours a year since the model year began; empty: not known
	Href      string
	Backwards int // readings that ran backwards
}

// machineVisit is a visit with what happened in it.
type machineVisit struct {
	Unit  *queue.Unit
	Route string
	Story []Told
}

// quantity is what a reading measures.
type quantity string

const (
	odometer quantity = "odometer"
	engine   quantity = "engine"
	idle     quantity = "idle"
	battery  quantity = "battery"
)

var quantities = map[queue.EvidenceKey]quantity{
	queue.EvidenceOdometer: odometer, queue.EvidenceEngineHours: engine, queue.EvidenceIdle: idle, queue.EvidenceBattery: battery,
}

// machineReading is a number that was read from the machine.
type machineReading struct {
	At    time.Time
	Unit  queue.UnitID
	Of    quantity
	Value float64
	Step  string
	// Back: it is less than one that was read before.
	Back bool
}

// flashed is a calibration that was written, with its evidence.
type flashed struct {
	At         time.Time
	Unit       queue.UnitID
	By         queue.PersonID
	Begun      *queue.CalibrationRef
	ReadBack   string // calibration and revision, as read; empty: not read
	Programmed string // the date read back, as read
	Flags      []queue.Flag
	BatteryV   *float64 // at rest before
	OdoKM      *float64
	EngineH    *float64
	IdleRPM    *float64 // after the relearn of the same visit
	Resets     string   // what was reset after it
	Photos     []string
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
	record, ok := b.State.MachineByKey(key)
	if !ok {
		return nil, answer.Unknown(b.T("there is no machine %q", string(key)), "Look it up by its ticket or frame number.")
	}
	page := &machinePage{Base: b, Record: record}
	page.Latest = page.Record.Latest()
	page.Href = b.MachineHref(page.Latest)
	for _, v := range page.Record.Visits {
		if err := page.visit(p, r, v); err != nil {
			return nil, err
		}
	}
	slices.Reverse(page.Visits)
	page.judgeReadings()
	page.Campaigns = b.State.OpenFor(page.Latest, b.Now)
	page.Cal = b.calibration(page.Latest.Machine)
	page.Cal.lastFlash(&page.Record)
	page.setup()
	page.hoursAYear()
	page.charts()
	return page, nil
}

// visit reads a visit's events.
func (m *machinePage) visit(p *Pages, r *http.Request, u *queue.Unit) error {
	v := machineVisit{Unit: u, Route: string(u.Route)}
	if rt := m.Shop.Route(u.Route); rt != nil {
		v.Route = rt.Name
	}
	err := p.o.History.Events(r.Context(), u, func(e *queue.Event) error {
		t := tell(m.Base, u, e)
		v.Story = append(v.Story, t)
		m.Photos = append(m.Photos, t.Photos...)
		m.LetPass = append(m.LetPass, letPassOf(m.Base, u, e)...)
		switch e.Data.(type) {
		case *queue.StepFailed, *queue.ProblemReported, *queue.ReworkOpened:
			m.Faults = append(m.Faults, t)
		}
		m.event(u, e)
		return nil
	})
	slices.Reverse(v.Story)
	m.Visits = append(m.Visits, v)
	return err
}

// event takes an event's readings and what it says of a calibration.
func (m *machinePage) event(u *queue.Unit, e *queue.Event) {
	var ev queue.Evidence
	switch d := e.Data.(type) {
	case *queue.StepStarted:
		ev = d.Evidence
		if d.Calibration != nil {
			m.Flashes = append(m.Flashes, flashed{Unit: u.ID, Begun: d.Calibration, BatteryV: numberOf(ev, queue.EvidenceBattery)})
		}
	case *queue.StepDone:
		ev = d.Evidence
		m.stepDone(u, e, d)
		m.found(u, e, d)
	case *queue.StepFailed:
		ev = d.Evidence
		if f := m.flash(u); f != nil && f.At.IsZero() && kindOf(u, d.Step) == queue.Flash {
			m.Flashes = m.Flashes[:len(m.Flashes)-1] // nothing was written for sure
		}
	case *queue.ProblemReported:
		ev = d.Evidence
	}
	for key, of := range quantities {
		if x := numberOf(ev, key); x != nil {
			m.Readings = append(m.Readings, machineReading{At: e.When(), Unit: u.ID, Of: of, Value: *x, Step: m.stepName(u, e.StepOf())})
		}
	}
}

// stepDone completes what is known of the visit's last flash.
func (m *machinePage) stepDone(u *queue.Unit, e *queue.Event, d *queue.StepDone) {
	f := m.flash(u)
	if f == nil {
		return
	}
	switch kindOf(u, d.Step) {
	case queue.Flash:
		f.At, f.By, f.Flags = e.When(), d.Technician, d.Flags
		f.ReadBack = strings.TrimSpace(d.Evidence[queue.EvidenceCalibration] + " " + d.Evidence[queue.EvidenceRevision])
		f.Programmed = d.Evidence[queue.EvidenceProgrammed]
		if x := numberOf(d.Evidence, queue.EvidenceBattery); x != nil && f.BatteryV == nil {
			f.BatteryV = x
		}
		f.OdoKM, f.EngineH = m.last(odometer), m.last(engine)
		for _, v := range d.Evidence {
			if list, ok := queue.Photos(v); ok {
				f.Photos = append(f.Photos, list...)
			}
		}
	case queue.Reset:
		f.Resets = m.said(u, d)
	case queue.Relearn, queue.RestartCheck:
		if x := numberOf(d.Evidence, queue.EvidenceIdle); x != nil {
			f.IdleRPM = x
		}
	}
}

// found takes what a check or the check-in found wrong.
func (m *machinePage) found(u *queue.Unit, e *queue.Event, d *queue.StepDone) {
	for _, key := range []queue.EvidenceKey{"faults", "damage"} {
		if v := strings.TrimSpace(d.Evidence[key]); v != "" {
			m.Faults = append(m.Faults, Told{At: e.When(), Who: m.Name(e.Actor), What: m.stepName(u, d.Step), Details: []string{v}})
		}
	}
}

// said lists the yes-and-no evidence of a step.
func (m *machinePage) said(u *queue.Unit, d *queue.StepDone) string {
	st := u.Step(d.Step)
	if st == nil {
		return ""
	}
	op := m.Shop.Operation(st.Operation)
	if op == nil {
		return ""
	}
	var out []string
	for _, f := range op.Evidence {
		if v := d.Evidence[f.Key]; v != "" && f.Type != queue.Photo {
			out = append(out, m.T("%s: %s", f.Label, m.Word(v)))
		}
	}
	return strings.Join(out, ", ")
}

// flash is the visit's last flash that was begun.
func (m *machinePage) flash(u *queue.Unit) *flashed {
	if n := len(m.Flashes); n > 0 && m.Flashes[n-1].Unit == u.ID {
		return &m.Flashes[n-1]
	}
	return nil
}

func (m *machinePage) last(of quantity) *float64 {
	for _, r := range slices.Backward(m.Readings) {
		if r.Of == of {
			return &r.Value
		}
	}
	return nil
}

func kindOf(u *queue.Unit, id queue.StepID) queue.OperationKind {
	if st := u.Step(id); st != nil {
		return st.Kind
	}
	return 0
}

func (b *Base) stepName(u *queue.Unit, id queue.StepID) string {
	if st := u.Step(id); st != nil {
		return b.Operation(st.Operation)
	}
	return words(string(id))
}

func numberOf(ev queue.Evidence, key queue.EvidenceKey) *float64 {
	x, err := strconv.ParseFloat(ev[key], 64)
	if err != nil || ev[key] == "" || x != x {
		return nil
	}
	return &x
}

// judgeReadings puts the readings in the order of time and marks those that
// are less than an earlier one: within a visit I12 refuses them, over visits
// they show that something was exchanged, or misread.
func (m *machinePage) judgeReadings() {
	m.Flashes = slices.DeleteFunc(m.Flashes, func(f flashed) bool { return f.At.IsZero() })
	slices.SortStableFunc(m.Readings, func(a, b machineReading) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Of, b.Of))
	})
	most := map[quantity]float64{}
	for i := range m.Readings {
		r := &m.Readings[i]
		if r.Of != odometer && r.Of != engine {
			continue
		}
		if top, ok := most[r.Of]; ok && r.Value < top {
			r.Back = true
			m.Backwards++
		} else {
			most[r.Of] = r.Value
		}
		if r.Of == odometer {
			m.OdoKM = r
		} else {
			m.EngineH = r
		}
	}
}

// hoursAYear divides the last reading by the time since the model year began.
func (m *machinePage) hoursAYear() {
	if m.EngineH == nil || m.Latest.Machine.Year == 0 {
		return
	}
	began := time.Date(m.Latest.Machine.Year, 1, 1, 0, 0, 0, 0, m.Loc)
	if years := m.EngineH.At.Sub(began).Hours() / (24 * 365.25); years > 0.08 { // a month
		m.HoursYear = m.T("%s h", m.Number(m.EngineH.Value/years, 1))
	}
}

// setup says how each part of the set-up stands, by the latest visit that
// had it.
func (m *machinePage) setup() {
	cal := setupLine{Name: m.T("Calibration")}
	switch c := m.Cal; {
	case c.Current == nil:
		cal.Says, cal.None = answer.Sentence(c.Why.What), true
	case c.LastAt.IsZero():
		cal.Says = m.T("%s revision %d is current; it was never flashed here", c.Current.ID, c.Current.Revision)
	case c.Newer:
		cal.Says = m.T("%s revision %d was flashed on %s; %s revision %d is current", c.LastID, c.LastRevision, m.Moment(c.LastAt), c.Current.ID, c.Current.Revision)
	default:
		cal.Says, cal.Done = m.T("%s revision %d, the current one, flashed on %s", c.LastID, c.LastRevision, m.Moment(c.LastAt)), true
	}
	m.Setup = append(m.Setup, cal)
	for _, k := range []queue.OperationKind{queue.Reset, queue.Relearn, queue.RestartCheck, queue.TestRide, queue.FinalCheck} {
		m.Setup = append(m.Setup, m.setupOf(k))
	}
}

func (m *machinePage) setupOf(k queue.OperationKind) setupLine {
	line := setupLine{Name: words(m.Word(k.String())), Says: m.T("not recorded here"), None: true}
	for _, u := range slices.Backward(m.Record.Visits) {
		for i := range u.Steps {
			st := &u.Steps[i]
			if st.Kind != k {
				continue
			}
			line.Name, line.None = m.Operation(st.Operation), false
			switch st.Status {
			case queue.Done:
				line.Says, line.Done = m.T("done on %s", m.Moment(st.Ended)), true
			case queue.Skipped:
				line.Says = m.T("left out: %s", st.Why)
			default:
				line.Says = m.T("open since %s", m.Moment(u.Arrived))
			}
			return line
		}
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
func (b *Base) Amount(r machineReading) string {
	switch r.Of {
	case odometer:
		return b.Distance(r.Value, 1)
	case engine:
		return b.T("%s h", b.Number(r.Value, 1))
	case battery:
		return b.T("%s V", b.Number(r.Value, 1))
	}
	return b.T("%s rpm", b.Number(r.Value, 0))
}

// QuantityName is what a reading measures, in words.
func (b *Base) QuantityName(of quantity) string {
	switch of {
	case odometer:
		return b.T("Odometer")
	case engine:
		return b.T("Engine hours")
	case battery:
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

func letPassOf(b *Base, u *queue.Unit, e *queue.Event) []letPass {
	var out []letPass
	over := func(os []queue.Override, what string) {
		for _, o := range os {
			out = append(out, letPass{e.When(), u.ID, b.T("%s: %s let pass", what, o.Interlock), o.By, o.Reason})
		}
	}
	switch d := e.Data.(type) {
	case *queue.StepSkipped:
		out = append(out, letPass{e.When(), u.ID, b.T("%s left out", b.stepName(u, d.Step)), e.Actor, d.Reason})
	case *queue.UnitArrived:
		over(d.Overrides, b.T("Check-in"))
	case *queue.StepStarted:
		over(d.Overrides, b.stepName(u, d.Step))
	case *queue.StepDone:
		over(d.Overrides, b.stepName(u, d.Step))
	case *queue.UnitLeft:
		over(d.Overrides, b.T("Handed over"))
	}
	return out
}
