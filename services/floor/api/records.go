package api

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/queue/sheet"
	"tickover/services/booking"
	"tickover/services/dispatch"
	"tickover/services/floor/answer"
	"tickover/services/floor/export"
	"tickover/services/floor/record"
)

// records registers what the log tells of machines, work and campaigns.
func (a *API) records() {
	get(a, "/machines/{machine}", "machine", "A machine's record over all its visits", "machines", a.machine)
	get(a, "/machines/{machine}/trade-in", "tradeIn", "What a trade-in check asks of a machine: hours, distance, set-up, campaigns", "machines", a.tradeIn)
	get(a, "/showroom/audit", "audit", "Every machine in the house with what its set-up lacks, those that stand too long first", "machines", a.audit)
	get(a, "/labour", "labour", "Hands-on work of a day, week or month against the standard time", "labour", a.labour)
	get(a, "/labour/lines", "labourLines", "The labour lines of a day, week or month", "labour", a.labourLines)
	file(a, "/labour/lines.csv", "labourLinesCSV", "The labour lines as a table for the shop's invoicing", "labour", "text/csv", a.labourCSV)
	file(a, "/technicians/{technician}/day.ics", "technicianDay", "A technician's day as iCalendar: done, and planned", "labour", "text/calendar", a.day)
	get(a, "/campaigns/{campaign}/times", "campaignTimes", "Times at which a machine can come without a promise getting worse", "calibrations", a.times)
	get(a, "/campaigns/{campaign}/claim", "claim", "What a campaign took, by machine, step and technician", "calibrations", a.claim)
	file(a, "/campaigns/{campaign}/claim.csv", "claimCSV", "The claim sheet as a table", "calibrations", "text/csv", a.claimCSV)
}

// sent is a file.
type sent struct {
	Type string `header:"Content-Type"`
	Name string `header:"Content-Disposition"`
	Body []byte
}

// file registers a question that is answered with a file.
func file[I any](a *API, path, id, summary, tag, contentType string, f func(context.Context, *I) (http.Header, []byte, error)) {
	op := a.operation(http.MethodGet, path, id, summary, tag)
	schema := &huma.Schema{Type: huma.TypeString}
	if contentType == "application/json" {
		schema = &huma.Schema{Type: huma.TypeObject, AdditionalProperties: true}
	}
	op.Responses["200"] = &huma.Response{Description: "The file", Content: map[string]*huma.MediaType{contentType: {Schema: schema}}}
	huma.Register(a.routes, op, func(ctx context.Context, in *I) (*sent, error) {
		ctx, err := a.asOf(ctx, in)
		if err != nil {
			return nil, a.fail(err)
		}
		h, b, err := f(ctx, in)
		if err != nil {
			return nil, a.fail(err)
		}
		return &sent{h.Get("Content-Type"), h.Get("Content-Disposition"), b}, nil
	})
}

func table(name string, rows [][]string) (http.Header, []byte, error) {
	h, b := http.Header{}, &bytes.Buffer{}
	export.Headers(h, name)
	err := sheet.Write(b, rows)
	return h, b.Bytes(), err
}

type machinePath struct {
	LookBack
	Machine queue.MachineKey `path:"machine" maxLength:"128" doc:"Its frame number as it is typed, or the ticket of one of its visits"`
}

// MachineReading is a number that was read from the machine.
type MachineReading struct {
	At        time.Time       `json:"at"`
	Unit      queue.UnitID    `json:"unit"`
	Step      queue.StepID    `json:"step"`
	Of        record.Quantity `json:"of" enum:"odometer_km,engine_h,idle_rpm,battery_v" doc:"What, with its unit"`
	Value     float64         `json:"value"`
	Backwards bool            `json:"backwards" doc:"Less than one that was read before"`
}

// MachineFlash is a calibration that was written, with its evidence.
type MachineFlash struct {
	At           time.Time             `json:"at"`
	Unit         queue.UnitID          `json:"unit"`
	By           queue.PersonID        `json:"by"`
	Calibration  *queue.CalibrationRef `json:"calibration,omitempty"`
	ReadBack     string                `json:"read_back,omitempty" doc:"Calibration and revision, as read"`
	ProgrammedOn string                `json:"programmed_on,omitempty" doc:"The programming date, as read"`
	Flags        []queue.Flag          `json:"flags" nullable:"false" doc:"Readings that were recorded and are not believed"`
	BatteryV     *float64              `json:"battery_v,omitempty"`
	OdometerKM   *float64              `json:"odometer_km,omitempty"`
	EngineH      *float64              `json:"engine_h,omitempty"`
	IdleRPM      *float64              `json:"idle_rpm,omitempty"`
	Resets       []queue.Evidence      `json:"resets" nullable:"false"`
	Photos       []string              `json:"photos" nullable:"false"`
}

// MachineFault is what was found wrong.
type MachineFault struct {
	At   time.Time      `json:"at"`
	Unit queue.UnitID   `json:"unit"`
	Step queue.StepID   `json:"step"`
	By   queue.PersonID `json:"by"`
	What string         `json:"what"`
}

// MachineLetPass is what was left out or let pass, and by whose decision.
type MachineLetPass struct {
	At        time.Time      `json:"at"`
	Unit      queue.UnitID   `json:"unit"`
	Step      queue.StepID   `json:"step,omitempty"`
	Interlock string         `json:"interlock,omitempty" doc:"Left out: the step itself was left out"`
	By        queue.PersonID `json:"by"`
	Reason    string         `json:"reason"`
}

// MachineVisit is one visit of a machine.
type MachineVisit struct {
	Unit    queue.UnitID  `json:"unit"`
	Route   queue.RouteID `json:"route"`
	Status  string        `json:"status" enum:"in-shop,showroom,delivered"`
	Arrived time.Time     `json:"arrived"`
	Left    *time.Time    `json:"left,omitempty"`
}

// SetUpPart is a part of the set-up and how it stands.
type SetUpPart struct {
	Kind   string       `json:"kind" example:"relearn"`
	Status string       `json:"status" enum:"done,skipped,open,unknown" doc:"By the latest visit that had it; unknown: none had"`
	Unit   queue.UnitID `json:"unit,omitempty"`
	Step   queue.StepID `json:"step,omitempty"`
	At     *time.Time   `json:"at,omitempty" doc:"When it was done; of an open one, since when"`
	Why    string       `json:"why,omitempty" doc:"Why it was skipped"`
}

// TradeIn is what a trade-in check asks of a machine.
type TradeIn struct {
	Key        queue.MachineKey      `json:"machine"`
	Is         queue.Machine         `json:"is"`
	Visits     []MachineVisit        `json:"visits" nullable:"false" doc:"The oldest first"`
	OdometerKM *MachineReading       `json:"odometer_km,omitempty" doc:"The last reading"`
	EngineH    *MachineReading       `json:"engine_h,omitempty" doc:"The last reading"`
	HoursAYear float64               `json:"hours_a_year,omitempty" doc:"Since 1 January of the model year"`
	Backwards  int                   `json:"readings_backwards" doc:"Readings that are less than one before them"`
	Current    *queue.CalibrationRef `json:"current,omitempty" doc:"The calibration that it should have"`
	WhyNone    string                `json:"why_none,omitempty"`
	Flashed    *queue.CalibrationRef `json:"flashed,omitempty" doc:"What was flashed last here"`
	FlashedAt  *time.Time            `json:"flashed_at,omitempty" doc:"Or since when it is not known what the controller holds"`
	Unsure     string                `json:"unsure,omitempty" enum:"flash-failed,read-otherwise,controller-new" doc:"Why it is not known what the controller holds"`
	SetUp      []SetUpPart           `json:"set_up" nullable:"false"`
	Campaigns  []CampaignOf          `json:"campaigns" nullable:"false" doc:"Open ones"`
	Faults     []MachineFault        `json:"faults" nullable:"false"`
	LetPass    []MachineLetPass      `json:"let_pass" nullable:"false"`
}

// CampaignOf is a campaign that a machine is open in.
type CampaignOf struct {
	ID        queue.CampaignID `json:"id"`
	Title     string           `json:"title"`
	ForCaller string           `json:"for_caller,omitempty"`
	Opened    time.Time        `json:"opened"`
}

// MachineView is a machine's record.
type MachineView struct {
	TradeIn
	Readings []MachineReading `json:"readings" nullable:"false"`
	Flashes  []MachineFlash   `json:"flashes" nullable:"false" doc:"The oldest first"`
	Photos   []string         `json:"photos" nullable:"false"`
}

func (a *API) record(ctx context.Context, key queue.MachineKey) (*record.Machine, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return nil, err
	}
	of, ok := st.MachineByKey(key)
	if u := st.Units[queue.UnitID(key)]; !ok && u != nil {
		of, ok = st.Machine(u), true
	}
	if !ok {
		return nil, answer.Unknown("there is no machine %q", "Look it up by its ticket or frame number.", string(key))
	}
	return a.o.Record.Machine(ctx, a.moment(ctx), of, nil)
}

func (a *API) tradeIn(ctx context.Context, in *machinePath) (TradeIn, error) {
	x, err := a.record(ctx, in.Machine)
	if err != nil {
		return TradeIn{}, err
	}
	return tradeIn(x), nil
}

func (a *API) machine(ctx context.Context, in *machinePath) (MachineView, error) {
	x, err := a.record(ctx, in.Machine)
	if err != nil {
		return MachineView{}, err
	}
	v := MachineView{TradeIn: tradeIn(x), Readings: []MachineReading{}, Flashes: []MachineFlash{}, Photos: append([]string{}, x.Photos...)}
	for i := range x.Readings {
		v.Readings = append(v.Readings, *reading(&x.Readings[i]))
	}
	for _, f := range x.Flashes {
		v.Flashes = append(v.Flashes, MachineFlash{f.At, f.Unit, f.By, f.Begun, f.ReadBack, f.Programmed, append([]queue.Flag{}, f.Flags...),
			f.BatteryV, f.OdoKM, f.EngineH, f.IdleRPM, append([]queue.Evidence{}, f.Resets...), append([]string{}, f.Photos...)})
	}
	return v, nil
}

func reading(r *record.Reading) *MachineReading {
	if r == nil {
		return nil
	}
	return &MachineReading{r.At, r.Unit, r.Step, r.Of, r.Value, r.Back}
}

func tradeIn(x *record.Machine) TradeIn {
	v := TradeIn{
		Key: x.Key, Is: x.Latest().Machine, Visits: []MachineVisit{}, OdometerKM: reading(x.OdoKM), EngineH: reading(x.EngineH),
		HoursAYear: x.HoursAYear, Backwards: x.Backwards, Flashed: x.Flashed, FlashedAt: timeOrNil(x.FlashedAt), SetUp: []SetUpPart{},
		Campaigns: []CampaignOf{}, Faults: []MachineFault{}, LetPass: []MachineLetPass{},
	}
	v.Unsure = unsure(x.Unsure)
	if x.Current != nil {
		ref := x.Current.Ref()
		v.Current = &ref
	} else {
		v.WhyNone = x.WhyNone.What
	}
	for _, u := range x.Visits {
		v.Visits = append(v.Visits, MachineVisit{u.ID, u.Route, u.Status.String(), u.Arrived, timeOrNil(u.Left)})
	}
	for _, p := range x.SetUp {
		v.SetUp = append(v.SetUp, setUpPart(p))
	}
	for _, c := range x.Campaigns {
		v.Campaigns = append(v.Campaigns, CampaignOf{c.ID, c.Title, c.ForCaller, c.Opened})
	}
	for _, f := range x.Faults {
		v.Faults = append(v.Faults, MachineFault{f.At, f.Unit, f.Step, f.By, f.What})
	}
	for _, l := range x.LetPass {
		p := MachineLetPass{At: l.At, Unit: l.Unit, Step: l.Step, By: l.By, Reason: l.Reason}
		if l.Interlock != 0 {
			p.Interlock = l.Interlock.String()
		}
		v.LetPass = append(v.LetPass, p)
	}
	return v
}

func setUpPart(p record.Part) SetUpPart {
	out := SetUpPart{Kind: p.Kind.String(), Status: "unknown", Unit: p.Unit}
	if p.Step == nil {
		return out
	}
	out.Step = p.Step.ID
	switch p.Step.Status {
	case queue.Done:
		out.Status, out.At = "done", timeOrNil(p.Step.Ended)
	case queue.Skipped:
		out.Status, out.Why = "skipped", p.Step.Why
	default:
		out.Status, out.At = "open", timeOrNil(p.Since)
	}
	return out
}

// AuditLine is a machine in the house with what its set-up lacks.
type AuditLine struct {
	Unit      queue.UnitID     `json:"unit" doc:"Its last visit"`
	Key       queue.MachineKey `json:"machine"`
	Is        queue.Machine    `json:"is"`
	Status    string           `json:"status" enum:"in-shop,showroom"`
	Since     time.Time        `json:"since" doc:"When it came into the shop, or into the showroom"`
	Days      int              `json:"days"`
	Overstays bool             `json:"overstays" doc:"It stands longer than the shop file's limit"`
	Lacks     []LackView       `json:"lacks" nullable:"false" doc:"The worst first"`
}

// LackView is one thing that is missing.
type LackView struct {
	Kind     string                `json:"kind" enum:"campaign,calibration,flash,evidence,step"`
	Since    time.Time             `json:"since"`
	Step     queue.StepID          `json:"step,omitempty"`
	Field    queue.EvidenceKey     `json:"field,omitempty"`
	Campaign queue.CampaignID      `json:"campaign,omitempty"`
	Current  *queue.CalibrationRef `json:"current,omitempty" doc:"What it should have"`
}

// AuditList is every machine in the house.
type AuditList struct {
	LimitDays int         `json:"limit_days" doc:"How long a machine may stand"`
	Machines  []AuditLine `json:"machines" nullable:"false"`
}

type auditInput struct {
	LookBack
	Only string `query:"only" enum:"showroom,all" default:"all"`
}

var lackKinds = map[queue.LackKind]string{
	queue.LackCampaign: "campaign", queue.LackCalibration: "calibration", queue.LackFlash: "flash", queue.LackEvidence: "evidence", queue.LackStep: "step",
}

func (a *API) audit(ctx context.Context, in *auditInput) (AuditList, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return AuditList{}, err
	}
	const day = 24 * time.Hour
	out, now := AuditList{LimitDays: int(st.Shop.Limits.ShowroomMax / day), Machines: []AuditLine{}}, a.now(ctx)
	for _, h := range st.House(now) {
		if in.Only == "showroom" && h.Status != queue.InShowroom {
			continue
		}
		l := AuditLine{h.ID, h.Record.Key, h.Machine, h.Status.String(), h.Since, int(now.Sub(h.Since) / day), h.Overstays, []LackView{}}
		for _, x := range h.Lacks {
			v := LackView{Kind: lackKinds[x.Kind], Since: x.Since, Step: x.Step, Field: x.Field}
			if x.Campaign != nil {
				v.Campaign = x.Campaign.ID
			}
			if x.Current.ID != "" {
				v.Current = &x.Current
			}
			l.Lacks = append(l.Lacks, v)
		}
		out.Machines = append(out.Machines, l)
	}
	return out, nil
}

// LabourSum is work against its standard time.
type LabourSum struct {
	ID           string   `json:"id" doc:"Technician, operation or unit; of all together empty"`
	AvailableMin float64  `json:"available_min,omitempty" doc:"On shift, less breaks and absences; of technicians and all together"`
	WorkedMin    float64  `json:"worked_min" doc:"Hands-on"`
	ProducedMin  float64  `json:"produced_min" doc:"Standard time of the work that was done"`
	Pieces       int      `json:"pieces"`
	Doubted      int      `json:"doubted" doc:"Pieces that are not counted, because done was probably forgotten"`
	DoubtedMin   float64  `json:"doubted_min"`
	Productivity *float64 `json:"productivity,omitempty" doc:"worked / available"`
	Efficiency   *float64 `json:"efficiency,omitempty" doc:"produced / worked"`
	Proficiency  *float64 `json:"proficiency,omitempty" doc:"produced / available"`
}

// LabourReport is the work of a window.
type LabourReport struct {
	From        time.Time   `json:"from"`
	To          time.Time   `json:"to" doc:"Excluded; now, if the window is under way"`
	Span        string      `json:"span" enum:"day,week,month"`
	All         LabourSum   `json:"all"`
	Technicians []LabourSum `json:"technicians" nullable:"false"`
	Operations  []LabourSum `json:"operations" nullable:"false" doc:"The most time first"`
	Units       []LabourSum `json:"units" nullable:"false" doc:"The most time first"`
}

type LabourInput struct {
	LookBack
	Span string `query:"span" enum:"day,week,month" default:"week"`
	Day  string `query:"day" maxLength:"10" doc:"A day in it, as 2026-02-17; left out: today"`
}

type linesInput struct {
	LabourInput
	By string `query:"by" enum:"technician,operation,unit" doc:"Only the lines of one; with id"`
	ID string `query:"id" maxLength:"64"`
}

func (a *API) work(ctx context.Context, in *LabourInput) (*record.Labour, error) {
	if _, err := a.shop(ctx); err != nil {
		return nil, err
	}
	w, err := record.WindowOf(in.Span, in.Day, a.now(ctx))
	if err != nil {
		return nil, err
	}
	return a.o.Record.Labour(ctx, a.moment(ctx), w)
}

func (a *API) labour(ctx context.Context, in *LabourInput) (LabourReport, error) {
	work, err := a.work(ctx, in)
	if err != nil {
		return LabourReport{}, err
	}
	r := work.Report()
	return LabourReport{r.Start, r.End, work.Window.Span, labourSum(r.All), labourSums(r.Technicians), labourSums(r.Operations), labourSums(r.Units)}, nil
}

func labourSums(list []labour.Sum) []LabourSum {
	out := make([]LabourSum, len(list))
	for i, s := range list {
		out[i] = labourSum(s)
	}
	return out
}

func labourSum(s labour.Sum) LabourSum {
	return LabourSum{s.ID, s.Available.Minutes(), s.Worked.Minutes(), s.Produced.Minutes(), s.Pieces, s.Doubted, s.Doubtful.Minutes(),
		part(s.Productivity()), part(s.Efficiency()), part(s.Proficiency())}
}

func part(r labour.Ratio) *float64 {
	if !r.OK {
		return nil
	}
	return &r.Value
}

// LabourLine is one hands-on piece of work.
type LabourLine struct {
	Unit        queue.UnitID      `json:"unit"`
	Step        queue.StepID      `json:"step"`
	Operation   queue.OperationID `json:"operation"`
	Run         int               `json:"run"`
	Technician  queue.PersonID    `json:"technician"`
	From        time.Time         `json:"from"`
	To          time.Time         `json:"to"`
	HandsOnMin  float64           `json:"hands_on_min" doc:"In the window"`
	ProducedMin float64           `json:"produced_min" doc:"Standard time, of work that was done in the window"`
	Running     bool              `json:"running"`
	Counted     bool              `json:"counted"`
	Remark      string            `json:"remark,omitempty" doc:"Why it is not counted"`
}

// LabourLines are the lines of a window.
type LabourLines struct {
	Lines []LabourLine `json:"lines" nullable:"false"`
}

func (a *API) labourLines(ctx context.Context, in *linesInput) (LabourLines, error) {
	work, err := a.work(ctx, &in.LabourInput)
	if err != nil {
		return LabourLines{}, err
	}
	out := LabourLines{Lines: []LabourLine{}}
	for _, l := range work.Lines(in.By, in.ID) {
		out.Lines = append(out.Lines, LabourLine{queue.UnitID(l.Unit), queue.StepID(l.Step), queue.OperationID(l.Operation), l.Run, queue.PersonID(l.Technician),
			l.Start, l.End, l.Time.Minutes(), l.Earned.Minutes(), l.Running, !l.Doubts(), export.Doubt(english.Language, l.Doubt)})
	}
	return out, nil
}

func (a *API) labourCSV(ctx context.Context, in *linesInput) (http.Header, []byte, error) {
	work, err := a.work(ctx, &in.LabourInput)
	if err != nil {
		return nil, nil, err
	}
	return table(export.LabourName(work.Window), export.Labour(english.Language, a.moment(ctx).State.Shop, work.Lines(in.By, in.ID)))
}

type dayInput struct {
	LookBack
	Technician queue.PersonID `path:"technician" maxLength:"64"`
	Day        string         `query:"day" maxLength:"10" doc:"As 2026-02-17; left out: today"`
}

func (a *API) day(ctx context.Context, in *dayInput) (http.Header, []byte, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return nil, nil, err
	}
	t := st.Shop.Technician(in.Technician)
	if t == nil {
		return nil, nil, answer.Unknown("there is no technician %q", "Use the person's id from the shop file.", string(in.Technician))
	}
	m := a.moment(ctx)
	seen, whole, err := export.WindowOfDay(in.Day, m)
	if err != nil {
		return nil, nil, err
	}
	work, err := a.o.Record.Labour(ctx, m, record.Window{Window: seen})
	if err != nil {
		return nil, nil, err
	}
	promised := func(t time.Time) string { return t.In(st.Shop.Location()).Format("2 Jan 2006, 15:04") }
	d := &export.Day{Technician: t, Moment: m, Plan: a.plan(ctx), Date: whole.Start, Pieces: work.Pieces, Words: english.Language, Promised: promised}
	h, b := http.Header{}, &bytes.Buffer{}
	d.DayHeaders(h)
	err = d.Write(b)
	return h, b.Bytes(), err
}

// TimeView is a time at which a machine can come.
type TimeView struct {
	At    time.Time `json:"at" doc:"The shop opens"`
	Ready time.Time `json:"ready" doc:"By the plan"`
}

// TimesView is what was found.
type TimesView struct {
	Route  queue.RouteID `json:"route,omitempty" doc:"What the visit would be"`
	Times  []TimeView    `json:"times" nullable:"false"`
	Days   int           `json:"days" doc:"Opening days that were looked at"`
	Booked int           `json:"booked" doc:"Booked visits that were taken into account"`
	Why    string        `json:"why,omitempty" doc:"Why there is nothing to propose"`
}

type timesInput struct {
	Campaign queue.CampaignID `path:"campaign" maxLength:"64"`
	Machine  queue.MachineKey `query:"machine" required:"true" minLength:"1" maxLength:"128" doc:"As the campaign's list has it, or its frame number as typed"`
}

const timesTimeout = 20 * time.Second

func (a *API) times(ctx context.Context, in *timesInput) (TimesView, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return TimesView{}, err
	}
	c, err := campaignOf(st, in.Campaign)
	if err != nil {
		return TimesView{}, err
	}
	line := st.LineOf(c, in.Machine, a.now(ctx))
	if line == nil {
		return TimesView{}, answer.Unknown("the campaign does not concern this machine", "Look at the campaign's list.")
	}
	ctx, cancel := context.WithTimeout(ctx, timesTimeout)
	defer cancel()
	found, err := booking.Propose(ctx, booking.Input{State: st, Almanac: a.o.Ledger.Almanac(), Plan: a.plan(ctx), Now: a.now(ctx), Machine: line.MachineRecord,
		Options: dispatch.ComputeOptions{SnapshotOptions: dispatch.SnapshotOptions{Lengths: a.o.Lengths.Lengths()}}})
	out := TimesView{Times: []TimeView{}}
	var refused *queue.Refusal
	switch {
	case errors.Is(err, booking.ErrIsHere):
		out.Why = "The machine is in the shop: add the steps to its visit."
	case errors.Is(err, booking.ErrNoRoute):
		out.Why = "No route of the shop file has a flash, so there is nothing to plan."
	case errors.As(err, &refused):
		out.Why = answer.Sentence(refused.What) + " " + refused.Do
	case errors.Is(err, context.DeadlineExceeded):
		out.Why = "Planning took too long. Agree a time with the customer and enter it yourself."
	case err != nil:
		return out, err
	default:
		out.Route, out.Days, out.Booked = found.Route.ID, found.Days, found.Booked
		for _, s := range found.Slots {
			out.Times = append(out.Times, TimeView{s.At, s.Ready})
		}
	}
	return out, nil
}

// ClaimLine is one technician's part of one step.
type ClaimLine struct {
	Unit        queue.UnitID          `json:"unit"`
	Machine     queue.Machine         `json:"is"`
	Done        time.Time             `json:"done"`
	Calibration *queue.CalibrationRef `json:"calibration,omitempty" doc:"Left out: a bulletin without a flash"`
	Step        queue.StepID          `json:"step"`
	Operation   queue.OperationID     `json:"operation"`
	Technician  queue.PersonID        `json:"technician"`
	HandsOnMin  float64               `json:"hands_on_min"`
	DoubtedMin  float64               `json:"doubted_min" doc:"Not claimed, because done was probably forgotten"`
}

// ClaimSheet is what a campaign took.
type ClaimSheet struct {
	Campaign   queue.CampaignID `json:"campaign"`
	Title      string           `json:"title"`
	Lines      []ClaimLine      `json:"lines" nullable:"false"`
	HandsOnMin float64          `json:"hands_on_min" doc:"All together"`
}

func (a *API) claim(ctx context.Context, in *campaignPath) (ClaimSheet, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return ClaimSheet{}, err
	}
	c, err := campaignOf(st, in.Campaign)
	if err != nil {
		return ClaimSheet{}, err
	}
	lines, err := a.o.Record.Claim(ctx, a.moment(ctx), c)
	out := ClaimSheet{Campaign: c.ID, Title: c.Title, Lines: []ClaimLine{}}
	var sum time.Duration
	for _, l := range lines {
		sum += l.HandsOn
		out.Lines = append(out.Lines, ClaimLine{l.Unit, l.Machine, l.Done, l.Calibration, l.Step, l.Operation, l.Technician, l.HandsOn.Minutes(), l.Doubtful.Minutes()})
	}
	out.HandsOnMin = sum.Minutes()
	return out, err
}

func (a *API) claimCSV(ctx context.Context, in *campaignPath) (http.Header, []byte, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return nil, nil, err
	}
	c, err := campaignOf(st, in.Campaign)
	if err != nil {
		return nil, nil, err
	}
	lines, err := a.o.Record.Claim(ctx, a.moment(ctx), c)
	if err != nil {
		return nil, nil, err
	}
	return table("claim-"+strings.Map(fileName, string(c.ID)), export.Claim(english.Language, st.Shop, lines))
}

func fileName(r rune) rune {
	if slices.Contains([]rune(`/\":`), r) || r < ' ' {
		return '-'
	}
	return r
}
