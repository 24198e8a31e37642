package api

import (
	"cmp"
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"tickover/queue"
	"tickover/queue/ident"
	"tickover/services/dispatch"
	"tickover/services/floor/answer"
	"tickover/services/floor/job"
	"tickover/services/floor/live"
	"tickover/services/floor/locale"
)

type body[T any] struct{ Body T }

func get[I, O any](a *API, path, id, summary, tag string, f func(context.Context, *I) (O, error)) {
	huma.Register(a.routes, a.operation(http.MethodGet, path, id, summary, tag), func(ctx context.Context, in *I) (*body[O], error) {
		ctx, err := a.asOf(ctx, in)
		if err != nil {
			return nil, a.fail(err)
		}
		out, err := f(ctx, in)
		if err != nil {
			return nil, a.fail(err)
		}
		return &body[O]{out}, nil
	})
}

// english is what the API speaks.
var english = locale.Choose(locale.Prefs{Language: "en"}, "")

// LookBack is a question that can be asked of the past too.
type LookBack struct {
	AsOf string `query:"asof" maxLength:"40" doc:"As of a moment gone by, as 2026-02-17T10:30 in the shop's zone, or RFC 3339; left out: now. Plans are not recorded, so there is none then; people are kept beside the log, so their data are always today's"`
}

func (l *LookBack) moment() string { return l.AsOf }

// asOf has the moment that is asked about, if the question can be asked of the
// past.
func (a *API) asOf(ctx context.Context, in any) (context.Context, error) {
	l, ok := in.(interface{ moment() string })
	if !ok || l.moment() == "" {
		return ctx, nil
	}
	m, err := a.o.Record.AsOf(ctx, l.moment(), english)
	return context.WithValue(ctx, momentKey{}, m), err
}

func (a *API) reads() {
	get(a, "/overview", "overview", "The shop in a few numbers", "shop", a.overview)
	get(a, "/shop", "shop", "The shop file in effect: hours, resources, people, operations, routes", "shop", a.shopFile)
	get(a, "/alerts", "alerts", "Calls and alarms that somebody has to act on", "shop", a.alerts)
	get(a, "/units", "units", "Units, by promise", "units", a.units)
	get(a, "/units/{unit}", "unit", "A unit with its steps", "units", a.unit)
	get(a, "/units/{unit}/history", "history", "A unit's events, oldest first", "units", a.history)
	get(a, "/plan", "plan", "The plan in force", "plan", a.planInForce)
	get(a, "/lengths", "lengths", "How long work takes, as it was learnt from the log", "plan", a.lengths)
	get(a, "/technicians/{technician}/next", "next", "What a technician does now and next", "plan", a.next)
	get(a, "/stations/{station}", "station", "What happens at a bench, interface, charger, pad or loop", "plan", a.station)
	get(a, "/calibration", "calibration", "Which calibration is current for a machine", "lookup", a.calibration)
	get(a, "/frame-number", "frameNumber", "Which kind of number stands on a frame", "lookup", a.frameNumber)
}

type none struct{ LookBack }

// Overview is the shop in a few numbers.
type Overview struct {
	Site      queue.SiteID  `json:"site"`
	Name      string        `json:"name"`
	Now       time.Time     `json:"now"`
	Seq       uint64        `json:"seq" doc:"Position of the shop's log"`
	ClosesAt  *time.Time    `json:"closes_at,omitempty" doc:"Left out: the shop is shut"`
	Outdoor   []OutdoorView `json:"outdoor" nullable:"false"`
	Units     int           `json:"units"`
	Held      int           `json:"held"`
	Running   int           `json:"running_steps"`
	Open      int           `json:"open_steps"`
	Late      int           `json:"late" doc:"Units that the plan finishes after their promise, or not at all"`
	Alerts    int           `json:"alerts"`
	PlanSeq   uint64        `json:"plan_seq,omitempty"`
	Objective float64       `json:"objective,omitempty" doc:"Of the plan, in weighted minutes"`
}

// OutdoorView is whether an engine may run at a pad or loop now.
type OutdoorView struct {
	Resource queue.ResourceID `json:"resource"`
	Until    *time.Time       `json:"open_until,omitempty" doc:"Left out: shut"`
	Why      string           `json:"why,omitempty" doc:"Why it is shut, or why it shuts then"`
}

func (a *API) overview(ctx context.Context, _ *none) (Overview, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return Overview{}, err
	}
	now := a.now(ctx)
	o := Overview{Site: st.Site, Name: st.Shop.Name, Now: now, Seq: st.Seq, Outdoor: []OutdoorView{}, Alerts: len(a.standing(ctx, st))}
	if al := a.o.Record.Almanac(a.moment(ctx)); al != nil {
		c := al.Conditions(st, now, now)
		o.ClosesAt = timeOrNil(c.ClosesAt)
		for id, w := range c.Outdoor {
			o.Outdoor = append(o.Outdoor, OutdoorView{id, timeOrNil(w.Until), w.Why.String()})
		}
		slices.SortFunc(o.Outdoor, func(x, y OutdoorView) int { return strings.Compare(string(x.Resource), string(y.Resource)) })
	}
	for _, u := range st.OpenUnits() {
		o.Units++
		if u.Held {
			o.Held++
		}
		for i := range u.Steps {
			switch u.Steps[i].Status {
			case queue.Running:
				o.Running++
			case queue.Todo:
				o.Open++
			}
		}
	}
	if p := a.plan(ctx); p != nil {
		o.PlanSeq, o.Objective = p.Seq, p.Cost.J
		for _, f := range p.Units {
			if f.LateMin > 0 || f.Ready.IsZero() {
				o.Late++
			}
		}
	}
	return o, nil
}

func timeOrNil(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func (a *API) shopFile(ctx context.Context, _ *none) (*queue.Shop, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return nil, err
	}
	return st.Shop, nil
}

// AlertList is what stands.
type AlertList struct {
	Alerts []live.Alert `json:"alerts" nullable:"false"`
}

func (a *API) alerts(ctx context.Context, _ *none) (AlertList, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return AlertList{}, err
	}
	return AlertList{a.standing(ctx, st)}, nil
}

func (a *API) standing(ctx context.Context, st *queue.State) []live.Alert {
	alerts := a.o.Alerts
	if a.moment(ctx).Past() {
		alerts = nil // they are not recorded
	}
	out := job.Standing(st, alerts, a.now(ctx))
	if out == nil {
		out = []live.Alert{}
	}
	return out
}

// UnitLine is a unit in a list.
type UnitLine struct {
	Unit     queue.UnitID    `json:"unit"`
	Machine  queue.Machine   `json:"machine"`
	Owner    queue.Ownership `json:"ownership"`
	Route    queue.RouteID   `json:"route"`
	Status   string          `json:"status" enum:"in-shop,showroom,delivered"`
	Promise  time.Time       `json:"promise"`
	Ready    *time.Time      `json:"ready,omitempty" doc:"By the plan"`
	LateMin  int64           `json:"late_min"`
	Weight   int             `json:"weight"`
	Held     bool            `json:"held"`
	Revision uint64          `json:"revision"`
	Done     int             `json:"steps_done"`
	Steps    int             `json:"steps"`
	Running  []queue.StepID  `json:"running" nullable:"false"`
}

// UnitList is a part of the units.
type UnitList struct {
	Units []UnitLine `json:"units" nullable:"false"`
	Total int        `json:"total" doc:"How many match; the list may be a part of them"`
}

type unitsInput struct {
	LookBack
	Status string `query:"status" enum:"in-shop,showroom,delivered,any" default:"in-shop"`
	Text   string `query:"q" maxLength:"80" doc:"A part of the ticket, frame number, plate, make or model"`
	Route  string `query:"route" maxLength:"64"`
	Limit  int    `query:"limit" minimum:"1" maximum:"1000" default:"200"`
}

func (a *API) units(ctx context.Context, in *unitsInput) (UnitList, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return UnitList{}, err
	}
	forecasts := forecasts(a.plan(ctx))
	out := UnitList{Units: []UnitLine{}}
	for _, u := range st.Units {
		if (in.Status == "any" || u.Status.String() == in.Status) && (in.Route == "" || string(u.Route) == in.Route) && job.Matches(u, in.Text) {
			out.Units = append(out.Units, unitLine(u, forecasts[u.ID]))
		}
	}
	slices.SortFunc(out.Units, func(x, y UnitLine) int {
		return cmp.Or(x.Promise.Compare(y.Promise), strings.Compare(string(x.Unit), string(y.Unit)))
	})
	out.Total = len(out.Units)
	out.Units = out.Units[:min(in.Limit, len(out.Units))]
	return out, nil
}

func forecasts(p *dispatch.Plan) map[queue.UnitID]dispatch.UnitForecast {
	out := map[queue.UnitID]dispatch.UnitForecast{}
	if p != nil {
		for _, f := range p.Units {
			out[f.Unit] = f
		}
	}
	return out
}

func unitLine(u *queue.Unit, f dispatch.UnitForecast) UnitLine {
	l := UnitLine{
		Unit: u.ID, Machine: u.Machine, Owner: u.Ownership, Route: u.Route, Status: u.Status.String(),
		Promise: u.Promise, Ready: timeOrNil(f.Ready), LateMin: f.LateMin, Weight: u.Weight, Held: u.Held,
		Revision: u.Revision(), Steps: len(u.Steps), Running: []queue.StepID{},
	}
	for i := range u.Steps {
		switch st := &u.Steps[i]; {
		case st.Settled():
			l.Done++
		case st.Status == queue.Running:
			l.Running = append(l.Running, st.ID)
		}
	}
	return l
}

// UnitView is a unit with what the plan and the number on its frame say.
type UnitView struct {
	Revision uint64                 `json:"revision" doc:"Send it as expect, to be told when the unit has changed"`
	Unit     *queue.Unit            `json:"unit"`
	Planned  []dispatch.PlannedStep `json:"planned" nullable:"false"`
	Frame    FrameNumber            `json:"frame_number"`
}

type unitPath struct {
	LookBack
	Unit queue.UnitID `path:"unit" maxLength:"64"`
}

func (a *API) unit(ctx context.Context, in *unitPath) (UnitView, error) {
	u, err := a.findUnit(ctx, in.Unit)
	if err != nil {
		return UnitView{}, err
	}
	v := UnitView{Revision: u.Revision(), Unit: u, Planned: []dispatch.PlannedStep{}, Frame: frameNumber(u.Machine.Frame)}
	if p := a.plan(ctx); p != nil {
		for _, s := range p.Steps {
			if s.Unit == u.ID {
				v.Planned = append(v.Planned, s)
			}
		}
	}
	return v, nil
}

func (a *API) findUnit(ctx context.Context, id queue.UnitID) (*queue.Unit, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return nil, err
	}
	u := st.Units[id]
	if u == nil {
		return nil, answer.Unknown("there is no unit %q", "Check the ticket's number.", string(id))
	}
	return u, nil
}

// EventView is one event of a unit.
type EventView struct {
	N        uint64          `json:"n" doc:"The unit's counter"`
	Type     queue.EventType `json:"type"`
	Time     time.Time       `json:"time" doc:"When it happened on the floor"`
	Received time.Time       `json:"received"`
	Suspect  bool            `json:"clock_suspect"`
	Actor    queue.PersonID  `json:"actor"`
	Command  queue.CommandID `json:"command"`
	Hash     queue.Hash      `json:"hash"`
	Data     any             `json:"data"`
}

// EventList is a unit's history.
type EventList struct {
	Events []EventView `json:"events" nullable:"false"`
}

func (a *API) history(ctx context.Context, in *unitPath) (EventList, error) {
	u, err := a.findUnit(ctx, in.Unit)
	if err != nil {
		return EventList{}, err
	}
	out := EventList{Events: []EventView{}}
	err = a.o.History.Events(ctx, u, func(e *queue.Event) error {
		data, err := json.Marshal(e.Data)
		if err != nil {
			return err
		}
		out.Events = append(out.Events, EventView{e.N, e.Type, e.Time, e.Received, e.ClockSuspect, e.Actor, e.Command, e.Hash(), json.RawMessage(data)})
		return nil
	})
	return out, err
}

func (a *API) planInForce(ctx context.Context, _ *none) (*dispatch.Plan, error) {
	if p := a.plan(ctx); p != nil {
		return p, nil
	}
	return nil, answer.New(http.StatusNotFound, queue.CodeNotReady, "there is no plan yet", "Wait for the dispatcher, or work by the promises.")
}

// DeskView is what lies in front of somebody, or of a bench.
type DeskView struct {
	Running []SheetView `json:"running" nullable:"false"`
	Next    *SheetView  `json:"next,omitempty"`
	Later   []SheetView `json:"later" nullable:"false"`
	Ready   []SheetView `json:"ready" nullable:"false" doc:"Could start too, planned for nobody"`
}

// SheetView is one step as somebody is shown it.
type SheetView struct {
	Unit        queue.UnitID          `json:"unit"`
	Revision    uint64                `json:"revision"`
	Machine     queue.Machine         `json:"machine"`
	Step        *queue.Step           `json:"step"`
	Operation   string                `json:"operation"`
	Resources   []queue.ResourceID    `json:"resources" nullable:"false"`
	Start       *time.Time            `json:"start,omitempty" doc:"By the plan"`
	Ends        *time.Time            `json:"ends,omitempty" doc:"Of a running step, expected"`
	StretchEnds *time.Time            `json:"stretch_ends,omitempty" doc:"Of a running step's stretch, expected"`
	HandsOn     bool                  `json:"hands_on" doc:"Whether the running stretch needs somebody"`
	Why         string                `json:"why,omitempty"`
	Blocked     string                `json:"blocked,omitempty"`
	Calibration *queue.CalibrationRef `json:"calibration,omitempty"`
	Evidence    []queue.EvidenceField `json:"evidence" nullable:"false" doc:"What it asks for"`
	Cautions    []string              `json:"cautions" nullable:"false"`
}

func deskView(st *queue.State, d job.Desk, now time.Time) DeskView {
	v := DeskView{Running: sheetViews(st, d.Running, now), Later: sheetViews(st, d.Later, now), Ready: sheetViews(st, d.Ready, now)}
	if d.Next != nil {
		next := sheetView(st, *d.Next, now)
		v.Next = &next
	}
	return v
}

func sheetViews(st *queue.State, sheets []job.Sheet, now time.Time) []SheetView {
	out := make([]SheetView, len(sheets))
	for i, s := range sheets {
		out[i] = sheetView(st, s, now)
	}
	return out
}

func sheetView(st *queue.State, s job.Sheet, now time.Time) SheetView {
	v := SheetView{
		Unit: s.Unit.ID, Revision: s.Unit.Revision(), Machine: s.Unit.Machine, Step: s.Step, Operation: s.Op.Name,
		Resources: append([]queue.ResourceID{}, s.Resources()...), Start: timeOrNil(s.Start()),
		Evidence: append([]queue.EvidenceField{}, s.Op.Evidence...), Cautions: []string{},
	}
	for _, c := range s.Op.Cautions {
		v.Cautions = append(v.Cautions, c.String())
	}
	if s.Planned != nil {
		v.Why = s.Planned.Why
	}
	switch s.Step.Status {
	case queue.Running:
		ends, stretch := s.Ends(), s.StretchEnds()
		v.Ends, v.StretchEnds, v.HandsOn = &ends, &stretch, s.Stretch().HandsOn
	case queue.Todo:
		v.Blocked = job.Blocked(s).String()
	}
	v.Calibration = job.Calibration(st, s, now)
	return v
}

type technicianPath struct {
	LookBack
	Technician queue.PersonID `path:"technician" maxLength:"64"`
}

func (a *API) next(ctx context.Context, in *technicianPath) (DeskView, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return DeskView{}, err
	}
	if st.Shop.Technician(in.Technician) == nil {
		return DeskView{}, answer.Unknown("there is no technician %q", "Use the person's id from the shop file.", string(in.Technician))
	}
	return deskView(st, job.NewBook(st, a.plan(ctx)).ForTechnician(in.Technician), a.now(ctx)), nil
}

type stationPath struct {
	LookBack
	Station queue.ResourceID `path:"station" maxLength:"64"`
}

func (a *API) station(ctx context.Context, in *stationPath) (DeskView, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return DeskView{}, err
	}
	if st.Shop.Resource(in.Station) == nil {
		return DeskView{}, answer.Unknown("there is no resource %q", "Look at the shop file for its name.", string(in.Station))
	}
	return deskView(st, job.NewBook(st, a.plan(ctx)).ForResource(in.Station), a.now(ctx)), nil
}

// CalibrationAnswer says which calibration a machine gets, or what to tell its
// owner when it gets none.
type CalibrationAnswer struct {
	Found      bool                `json:"found"`
	ID         queue.CalibrationID `json:"id,omitempty"`
	Revision   int                 `json:"revision,omitempty"`
	Released   string              `json:"released,omitempty"`
	ForCaller  string              `json:"for_caller" doc:"What to tell the caller"`
	WhyNot     string              `json:"why_not,omitempty"`
	Superseded []int               `json:"superseded" nullable:"false" doc:"Older revisions of it"`
	LastID     queue.CalibrationID `json:"last_flashed_id,omitempty" doc:"What was flashed last here, if the frame number is given and that is known"`
	LastRev    int                 `json:"last_flashed_revision,omitempty"`
	LastAt     *time.Time          `json:"last_flashed_at,omitempty" doc:"Or since when it is not known what the controller holds"`
	Unsure     string              `json:"unsure,omitempty" enum:"flash-failed,read-otherwise,controller-new" doc:"Why it is not known what the controller holds"`
}

type calibrationInput struct {
	LookBack
	Make    string `query:"make" required:"true" minLength:"1" maxLength:"80"`
	Model   string `query:"model" required:"true" minLength:"1" maxLength:"80"`
	Year    int    `query:"year" required:"true" minimum:"1900" maximum:"2100"`
	Family  string `query:"family" required:"true" maxLength:"60"`
	Fitment string `query:"fitment" default:"standard" maxLength:"60"`
	Variant string `query:"variant" maxLength:"20" doc:"Left out: standard; idle+100 or idle+200"`
	Frame   string `query:"frame" maxLength:"128" doc:"To be told what was flashed last here"`
}

func (a *API) calibration(ctx context.Context, in *calibrationInput) (CalibrationAnswer, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return CalibrationAnswer{}, err
	}
	m := &queue.Machine{Make: in.Make, Model: in.Model, Year: in.Year, Family: queue.Family(in.Family), Fitment: queue.Fitment(in.Fitment), Variant: queue.Variant(in.Variant)}
	c, r := st.CalibrationFor(m, a.now(ctx))
	out := CalibrationAnswer{Superseded: []int{}}
	rec, ok := st.MachineByKey(queue.MachineKey(in.Frame))
	if ok && in.Frame != "" && rec.Unsure != 0 {
		out.Unsure, out.LastAt = rec.Unsure.String(), &rec.FlashedAt
	}
	if ok && in.Frame != "" && rec.Flashed != nil {
		out.LastID, out.LastRev, out.LastAt = rec.Flashed.ID, rec.Flashed.Revision, &rec.FlashedAt
	}
	if r != nil {
		out.WhyNot, out.ForCaller = r.What, r.Do
		return out, nil
	}
	out.Found, out.ID, out.Revision, out.Released, out.ForCaller = true, c.ID, c.Revision, c.Released, c.ForCaller
	for _, o := range st.Catalogue().All() {
		if o.ID == c.ID && o.Revision < c.Revision {
			out.Superseded = append(out.Superseded, o.Revision)
		}
	}
	slices.Sort(out.Superseded)
	return out, nil
}

// FrameNumber is a classified frame number.
type FrameNumber struct {
	Class  string   `json:"class" enum:"vin,vin_check_digit_wrong,off_road_pin,frame_number,unreadable,unrecognised"`
	Text   string   `json:"text" doc:"As it is stored and compared"`
	Likely string   `json:"likely,omitempty" doc:"What was probably meant"`
	Years  []int    `json:"model_years" nullable:"false"`
	Notes  []string `json:"notes" nullable:"false" doc:"Sentences for the counter"`
}

func frameNumber(s string) FrameNumber {
	n := ident.Classify(s)
	return FrameNumber{n.Class.String(), n.Text, n.Likely, append([]int{}, n.ModelYears...), append([]string{}, n.Notes...)}
}

type frameInput struct {
	LookBack
	Number string `query:"number" maxLength:"200"`
}

func (a *API) frameNumber(_ context.Context, in *frameInput) (FrameNumber, error) {
	return frameNumber(in.Number), nil
}
