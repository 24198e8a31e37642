package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"tickover/queue"
	"tickover/services/floor/api"
)

// query is one parameter of an address.
func query(kv ...string) string {
	v := url.Values{}
	for i := 0; i+1 < len(kv); i += 2 {
		if kv[i+1] != "" {
			v.Set(kv[i], kv[i+1])
		}
	}
	return v.Encode()
}

// columns lines rows up; the cells of a row are separated by tabs.
func columns(w io.Writer, rows ...string) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, r)
	}
	_ = t.Flush() // of a buffer
}

// row makes a row of values.
func row(cells ...any) string {
	out := make([]string, len(cells))
	for i, c := range cells {
		switch c := c.(type) {
		case time.Time:
			out[i] = moment(c)
		case *time.Time:
			if c != nil {
				out[i] = moment(*c)
			}
		case float64:
			out[i] = strconv.FormatFloat(c, 'f', 1, 64)
		case *float64:
			out[i] = "–"
			if c != nil {
				out[i] = strconv.FormatFloat(100**c, 'f', 1, 64) + " %"
			}
		case *queue.CalibrationRef:
			out[i] = "–"
			if c != nil {
				out[i] = fmt.Sprintf("%s r%d", c.ID, c.Revision)
			}
		default:
			out[i] = fmt.Sprint(c)
		}
	}
	return strings.Join(out, "\t")
}

// moment is a time as the shop answered it, in its own zone's offset.
func moment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format("2006-01-02 15:04 Z07:00")
}

func machineName(m queue.Machine) string {
	return strings.TrimSpace(fmt.Sprintf("%s %s %d", m.Make, m.Model, m.Year))
}

type machinesCmd struct {
	Show  machineShowCmd  `cmd:"" help:"A machine's record: visits, readings, calibrations, set-up."`
	Check machineCheckCmd `cmd:"" help:"The trade-in check: hours, distance, set-up, open campaigns."`
}

type machineShowCmd struct {
	askFlags
	Machine string `arg:"" help:"Its frame number as it is typed, or the ticket of one of its visits."`
}

func (c *machineShowCmd) Run(ctx context.Context, out streams) error {
	var v api.MachineView
	return c.get(ctx, out, "/machines/"+url.PathEscape(c.Machine), &v, func(w io.Writer) {
		tradeIn(w, &v.TradeIn)
		rows := []string{}
		for _, r := range v.Readings {
			back := ""
			if r.Backwards {
				back = "less than before"
			}
			rows = append(rows, row(r.At, r.Unit, r.Step, r.Of, r.Value, back))
		}
		part(w, "Readings", rows)
		rows = nil
		for _, f := range v.Flashes {
			rows = append(rows, row(f.At, f.Unit, f.By, f.Calibration, "read back: "+f.ReadBack, "programmed on: "+f.ProgrammedOn, flags(f.Flags)))
		}
		part(w, "Calibrations flashed here", rows)
	})
}

func flags(fs []queue.Flag) string {
	var out []string
	for _, f := range fs {
		out = append(out, fmt.Sprintf("%s: %s", f.Key, f.Why))
	}
	return strings.Join(out, "; ")
}

func part(w io.Writer, head string, rows []string) {
	if len(rows) == 0 {
		return
	}
	fmt.Fprintf(w, "\n%s\n", head)
	for i := range rows {
		rows[i] = "  " + rows[i]
	}
	columns(w, rows...)
}

func tradeIn(w io.Writer, v *api.TradeIn) {
	fmt.Fprintf(w, "%s, frame %s\n", machineName(v.Is), v.Is.Frame)
	value := func(r *api.MachineReading, unit string) string {
		if r == nil {
			return "not read here"
		}
		return fmt.Sprintf("%.1f %s on %s", r.Value, unit, moment(r.At))
	}
	rows := []string{row("engine hours", value(v.EngineH, "h")), row("distance", value(v.OdometerKM, "km"))}
	if v.HoursAYear > 0 {
		rows = append(rows, row("hours a year", v.HoursAYear))
	}
	if v.Backwards > 0 {
		rows = append(rows, row("caution", fmt.Sprintf("%d readings are less than one before them", v.Backwards)))
	}
	current := row("current calibration", v.Current)
	if v.Current == nil {
		current = row("current calibration", v.WhyNone)
	}
	rows = append(rows, current, row("flashed last here", v.Flashed, v.FlashedAt))
	columns(w, rows...)
	rows = nil
	for _, x := range v.Visits {
		rows = append(rows, row(x.Unit, x.Route, x.Status, x.Arrived, x.Left))
	}
	part(w, "Visits", rows)
	rows = nil
	for _, x := range v.SetUp {
		rows = append(rows, row(x.Kind, x.Status, x.Unit, x.At, x.Why))
	}
	part(w, "Set-up", rows)
	rows = nil
	for _, x := range v.Campaigns {
		rows = append(rows, row(x.ID, x.Title, x.ForCaller))
	}
	part(w, "Called back", rows)
	rows = nil
	for _, x := range v.Faults {
		rows = append(rows, row(x.At, x.Unit, x.Step, x.By, x.What))
	}
	part(w, "Faults", rows)
	rows = nil
	for _, x := range v.LetPass {
		rows = append(rows, row(x.At, x.Unit, x.Step, x.Interlock, x.By, x.Reason))
	}
	part(w, "Left out or let pass", rows)
}

type machineCheckCmd struct {
	askFlags
	Machine string `arg:"" help:"Its frame number as it is typed, or the ticket of one of its visits."`
}

func (c *machineCheckCmd) Run(ctx context.Context, out streams) error {
	var v api.TradeIn
	return c.get(ctx, out, "/machines/"+url.PathEscape(c.Machine)+"/trade-in", &v, func(w io.Writer) { tradeIn(w, &v) })
}

type showroomCmd struct {
	Audit auditCmd `cmd:"" help:"Every machine in the house with what its set-up lacks."`
}

type auditCmd struct {
	askFlags
	Only string `help:"Which machines." enum:"all,showroom" default:"all"`
}

func (c *auditCmd) Run(ctx context.Context, out streams) error {
	var v api.AuditList
	return c.get(ctx, out, "/showroom/audit?"+query("only", c.Only), &v, func(w io.Writer) {
		rows := []string{"ticket\tmachine\twhere\tdays\tlacks"}
		for _, m := range v.Machines {
			var lacks []string
			if m.Overstays {
				lacks = append(lacks, fmt.Sprintf("stands longer than %d days", v.LimitDays))
			}
			for _, l := range m.Lacks {
				lacks = append(lacks, strings.TrimSpace(fmt.Sprintf("%s %s%s%s", l.Kind, l.Campaign, l.Step, dotted(l.Field))))
			}
			rows = append(rows, row(m.Unit, machineName(m.Is), m.Status, m.Days, strings.Join(lacks, ", ")))
		}
		columns(w, rows...)
	})
}

func dotted(k queue.EvidenceKey) string {
	if k == "" {
		return ""
	}
	return "." + string(k)
}

type labourCmd struct {
	Show  labourShowCmd  `cmd:"" help:"Hands-on work against the standard time, with the three ratios."`
	Lines labourLinesCmd `cmd:"" help:"The labour lines as CSV, for the shop's invoicing."`
}

type windowFlags struct {
	Span string `help:"How much." enum:"day,week,month" default:"week"`
	Day  string `help:"A day in it, as 2026-02-17; today if left out."`
}

type labourShowCmd struct {
	askFlags
	windowFlags
}

func (c *labourShowCmd) Run(ctx context.Context, out streams) error {
	var v api.LabourReport
	return c.get(ctx, out, "/labour?"+query("span", c.Span, "day", c.Day), &v, func(w io.Writer) {
		fmt.Fprintf(w, "%s to %s\nproductivity = worked / available, efficiency = standard time produced / worked, proficiency = produced / available\n", moment(v.From), moment(v.To))
		head := "\tavailable (min)\tworked (min)\tproduced (min)\tproductivity\tefficiency\tproficiency\tnot counted (min)"
		sum := func(name string, s api.LabourSum) string {
			return row(name, s.AvailableMin, s.WorkedMin, s.ProducedMin, s.Productivity, s.Efficiency, s.Proficiency, s.DoubtedMin)
		}
		rows := []string{head, sum("all", v.All)}
		for _, list := range [][]api.LabourSum{v.Technicians, v.Operations, v.Units} {
			for _, s := range list {
				rows = append(rows, sum(s.ID, s))
			}
		}
		columns(w, rows...)
	})
}

type labourLinesCmd struct {
	askFlags
	windowFlags
	By string `help:"Only the lines of one technician, operation or unit." enum:",technician,operation,unit" default:""`
	ID string `help:"Which one, with --by."`
}

func (c *labourLinesCmd) Run(ctx context.Context, out streams) error {
	if (c.By == "") != (c.ID == "") {
		return errors.New("--by and --id go together")
	}
	q := query("span", c.Span, "day", c.Day, "by", c.By, "id", c.ID)
	if c.JSON {
		return c.file(ctx, out, "/labour/lines?"+q)
	}
	return c.file(ctx, out, "/labour/lines.csv?"+q)
}

type techniciansCmd struct {
	Day technicianDayCmd `cmd:"" help:"A technician's day as iCalendar."`
}

type technicianDayCmd struct {
	askFlags
	Technician string `arg:"" help:"A technician of the shop file."`
	Day        string `help:"As 2026-02-17; today if left out."`
}

func (c *technicianDayCmd) Run(ctx context.Context, out streams) error {
	if c.JSON {
		return errors.New("a calendar is iCalendar, not JSON: leave --json out")
	}
	return c.file(ctx, out, "/technicians/"+url.PathEscape(c.Technician)+"/day.ics?"+query("day", c.Day))
}

type findCalibrationCmd struct {
	askFlags
	Make    string `required:"" help:"The make."`
	Model   string `required:"" help:"The model."`
	Year    int    `required:"" help:"The model year."`
	Family  string `required:"" help:"The controller family."`
	Fitment string `default:"standard" help:"Exhaust and intake as fitted."`
	Variant string `help:"idle+100 or idle+200; standard if left out."`
	Frame   string `help:"The frame number, to be told what was flashed last here."`
}

func (c *findCalibrationCmd) Run(ctx context.Context, out streams) error {
	var v api.CalibrationAnswer
	q := query("make", c.Make, "model", c.Model, "year", strconv.Itoa(c.Year), "family", c.Family, "fitment", c.Fitment, "variant", c.Variant, "frame", c.Frame)
	return c.get(ctx, out, "/calibration?"+q, &v, func(w io.Writer) {
		if v.Found {
			fmt.Fprintf(w, "%s revision %d, released %s\n", v.ID, v.Revision, v.Released)
		} else {
			fmt.Fprintf(w, "none: %s\n", v.WhyNot)
		}
		if v.LastAt != nil {
			fmt.Fprintf(w, "last flashed here on %s: %s revision %d\n", moment(*v.LastAt), v.LastID, v.LastRev)
		}
		if v.ForCaller != "" {
			fmt.Fprintf(w, "tell the caller: %s\n", v.ForCaller)
		}
	})
}

type withdrawCalibrationCmd struct {
	tellFlags
	ID       string `arg:"" help:"The calibration."`
	Revision int    `arg:"" help:"Its revision."`
	Reason   string `required:"" help:"Why."`
}

func (c *withdrawCalibrationCmd) Run(ctx context.Context, out streams) error {
	return c.post(ctx, out, fmt.Sprintf("/calibrations/%s/%d/withdraw", url.PathEscape(c.ID), c.Revision), map[string]any{"reason": c.Reason},
		fmt.Sprintf("%s revision %d is withdrawn", c.ID, c.Revision))
}

type unitsCmd struct {
	List    unitsListCmd   `cmd:"" help:"Units, by promise."`
	Show    unitShowCmd    `cmd:"" help:"A unit with its steps."`
	History unitHistoryCmd `cmd:"" help:"A unit's events, oldest first."`

	Amend    unitAmendCmd    `cmd:"" help:"Change a unit's promise, weight, fitment, variant, controller or whose it is."`
	HandOver unitHandOverCmd `cmd:"" help:"Let a unit leave, to its owner or the showroom, or from there to who has bought it."`
}

type unitAmendCmd struct {
	tellFlags
	Unit          string `arg:"" help:"The ticket."`
	Promise       string `help:"Until when it is promised, with its zone: 2026-02-17T16:30:00Z." placeholder:"TIME"`
	Weight        int    `help:"How much its promise counts, 1 to 10."`
	Fitment       string `help:"Exhaust and intake as fitted."`
	Variant       string `help:"The variant of calibration that the owner wants: standard, idle+100 or idle+200."`
	Family        string `help:"Controller family."`
	Contact       string `help:"Whose it is, also of a unit that has left: an id, as tickover people find shows it." placeholder:"ID"`
	NewController bool   `help:"The controller was replaced: nothing that was flashed before is on it. Needs a reason."`
	Reason        string `help:"Why."`
}

func (c *unitAmendCmd) Run(ctx context.Context, out streams) error {
	f := map[string]any{}
	for key, v := range map[string]string{"fitment": c.Fitment, "variant": c.Variant, "family": c.Family, "reason": c.Reason} {
		if v != "" {
			f[key] = v
		}
	}
	if c.Variant == "standard" {
		f["variant"] = ""
	}
	if c.Promise != "" {
		t, err := time.Parse(time.RFC3339, c.Promise)
		if err != nil {
			return fmt.Errorf("%q is no time; write it with its zone, as 2026-02-17T16:30:00Z", c.Promise)
		}
		f["promise"] = t
	}
	if c.Weight != 0 {
		f["weight"] = c.Weight
	}
	if c.NewController {
		f["new_controller"] = true
	}
	if err := c.contact(ctx, out, c.Contact, f); err != nil {
		return err
	}
	return c.post(ctx, out, "/units/"+url.PathEscape(c.Unit)+"/amend", f, c.Unit+" is changed")
}

type unitHandOverCmd struct {
	tellFlags
	Unit     string `arg:"" help:"The ticket."`
	Showroom bool   `help:"To the showroom."`
	Contact  string `help:"Who has bought it: an id, as tickover people find shows it." placeholder:"ID"`
}

func (c *unitHandOverCmd) Run(ctx context.Context, out streams) error {
	f := map[string]any{"showroom": c.Showroom}
	if err := c.contact(ctx, out, c.Contact, f); err != nil {
		return err
	}
	return c.post(ctx, out, "/units/"+url.PathEscape(c.Unit)+"/hand-over", f, c.Unit+" has left")
}

// contact puts somebody into what is sent, if he is known: a slip of the pen
// would give the machine to nobody.
func (c *tellFlags) contact(ctx context.Context, out streams, id string, into map[string]any) error {
	if id == "" {
		return nil
	}
	if _, err := c.raw(ctx, out, request{method: "GET", path: "/people/" + url.PathEscape(id)}); err != nil {
		return fmt.Errorf("contact %s: %w", id, err)
	}
	into["contact"] = id
	return nil
}

type unitsListCmd struct {
	askFlags
	Status string `help:"Which." enum:"in-shop,showroom,delivered,any" default:"in-shop"`
	Text   string `help:"A part of the ticket, frame number, plate, make or model."`
}

func (c *unitsListCmd) Run(ctx context.Context, out streams) error {
	var v api.UnitList
	return c.get(ctx, out, "/units?"+query("status", c.Status, "q", c.Text, "limit", "1000"), &v, func(w io.Writer) {
		rows := []string{"ticket\tmachine\tframe\troute\tstatus\tsteps\tpromise"}
		for _, u := range v.Units {
			rows = append(rows, row(u.Unit, machineName(u.Machine), u.Machine.Frame, u.Route, u.Status, fmt.Sprintf("%d of %d", u.Done, u.Steps), u.Promise))
		}
		columns(w, rows...)
	})
}

type unitShowCmd struct {
	askFlags
	Unit string `arg:"" help:"The ticket."`
}

func (c *unitShowCmd) Run(ctx context.Context, out streams) error {
	var v api.UnitView
	return c.get(ctx, out, "/units/"+url.PathEscape(c.Unit), &v, func(w io.Writer) {
		u := v.Unit
		fmt.Fprintf(w, "%s: %s, frame %s, %s, promised %s\n", u.ID, machineName(u.Machine), u.Machine.Frame, u.Status, moment(u.Promise))
		rows := []string{"step\tstatus\tby\tcalibration\tended\tevidence"}
		for i := range u.Steps {
			s := &u.Steps[i]
			rows = append(rows, row(s.ID, s.Status, s.Technician, s.Calibration, s.Ended, evidence(s.Evidence)))
		}
		columns(w, rows...)
	})
}

func evidence(ev queue.Evidence) string {
	var out []string
	for _, k := range sortedKeys(ev) {
		out = append(out, fmt.Sprintf("%s=%s", k, ev[k]))
	}
	return strings.Join(out, " ")
}

type unitHistoryCmd struct {
	askFlags
	Unit string `arg:"" help:"The ticket."`
}

func (c *unitHistoryCmd) Run(ctx context.Context, out streams) error {
	var v api.EventList
	return c.get(ctx, out, "/units/"+url.PathEscape(c.Unit)+"/history", &v, func(w io.Writer) {
		var rows []string
		for _, e := range v.Events {
			rows = append(rows, row(e.N, e.Time, e.Type, e.Actor))
		}
		columns(w, rows...)
	})
}

type stepsCmd struct {
	Start   stepStartCmd   `cmd:"" help:"Start a step."`
	Advance stepAdvanceCmd `cmd:"" help:"Begin a step's next stretch."`
	Finish  stepFinishCmd  `cmd:"" help:"End a running step, with what was read."`
	Skip    stepSkipCmd    `cmd:"" help:"Leave a step out, with a reason that is kept."`
}

type stepFlags struct {
	tellFlags
	Unit string `arg:"" help:"The ticket."`
	Step string `arg:"" help:"The step."`
}

func (c *stepFlags) path(verb string) string {
	return "/units/" + url.PathEscape(c.Unit) + "/steps/" + url.PathEscape(c.Step) + "/" + verb
}

func (c *stepFlags) technician(t string) string {
	if t == "" {
		return c.Actor
	}
	return t
}

type stepStartCmd struct {
	stepFlags
	Technician string            `help:"Who does it; the actor if left out."`
	At         []string          `help:"What it holds: a bench, an interface, a charger …"`
	Evidence   map[string]string `help:"What was read before, as battery_v=12.7;odometer_km=12."`
}

func (c *stepStartCmd) Run(ctx context.Context, out streams) error {
	f := map[string]any{"technician": c.technician(c.Technician)}
	if len(c.At) > 0 {
		f["resources"] = c.At
	}
	if len(c.Evidence) > 0 {
		f["evidence"] = c.Evidence
	}
	return c.post(ctx, out, c.path("start"), f, fmt.Sprintf("%s of %s is running", c.Step, c.Unit))
}

type stepAdvanceCmd struct {
	stepFlags
	Stretch    int    `required:"" help:"The stretch that begins, counted from 0."`
	Technician string `help:"Who begins it; the actor if left out."`
}

func (c *stepAdvanceCmd) Run(ctx context.Context, out streams) error {
	return c.post(ctx, out, c.path("advance"), map[string]any{"stretch": c.Stretch, "technician": c.technician(c.Technician)}, fmt.Sprintf("%s of %s goes on", c.Step, c.Unit))
}

type stepFinishCmd struct {
	stepFlags
	Technician string            `help:"Who signs; the actor if left out."`
	Evidence   map[string]string `help:"What was read, as calibration=kb250-std;revision=4."`
	Failed     bool              `help:"It ended without success; give a reason."`
	Reason     string            `help:"Why it failed."`
}

func (c *stepFinishCmd) Run(ctx context.Context, out streams) error {
	f := map[string]any{"technician": c.technician(c.Technician), "failed": c.Failed}
	if len(c.Evidence) > 0 {
		f["evidence"] = c.Evidence
	}
	if c.Reason != "" {
		f["reason"] = c.Reason
	}
	return c.post(ctx, out, c.path("finish"), f, fmt.Sprintf("%s of %s is recorded", c.Step, c.Unit))
}

type stepSkipCmd struct {
	stepFlags
	Reason string `required:"" help:"Why; it is kept."`
}

func (c *stepSkipCmd) Run(ctx context.Context, out streams) error {
	return c.post(ctx, out, c.path("skip"), map[string]any{"reason": c.Reason}, fmt.Sprintf("%s of %s is left out", c.Step, c.Unit))
}

type peopleCmd struct {
	Find   peopleFindCmd   `cmd:"" help:"Find people by name, e-mail or telephone number."`
	Show   personShowCmd   `cmd:"" help:"One person."`
	Save   personSaveCmd   `cmd:"" help:"Keep a person, or change one."`
	Export personExportCmd `cmd:"" help:"Write all that is kept of one person to a file."`
	Erase  personEraseCmd  `cmd:"" help:"Erase a person for good; machines keep their technical history."`
}

type peopleFindCmd struct {
	shopFlags
	Query string `arg:"" help:"The begin of a name or e-mail address, or four digits of a telephone number."`
	JSON  bool   `name:"json" help:"Print the API's answer."`
}

func (c *peopleFindCmd) Run(ctx context.Context, out streams) error {
	var v api.PersonList
	a := askFlags{shopFlags: c.shopFlags, JSON: c.JSON}
	return a.get(ctx, out, "/people?"+query("q", c.Query), &v, func(w io.Writer) {
		rows := []string{"id\tname\ttelephone\te-mail"}
		for _, p := range v.People {
			rows = append(rows, row(p.ID, p.Name, p.Phone, p.Email))
		}
		columns(w, rows...)
	})
}

type personShowCmd struct {
	shopFlags
	ID   string `arg:"" help:"The person's id."`
	JSON bool   `name:"json" help:"Print the API's answer."`
}

func (c *personShowCmd) Run(ctx context.Context, out streams) error {
	var p api.PersonView
	a := askFlags{shopFlags: c.shopFlags, JSON: c.JSON}
	return a.get(ctx, out, "/people/"+url.PathEscape(c.ID), &p, func(w io.Writer) {
		columns(w, row("id", p.ID), row("name", p.Name), row("telephone", p.Phone), row("e-mail", p.Email), row("revision", p.Revision))
	})
}

type personSaveCmd struct {
	shopFlags
	ID       string `help:"Whose data changes; a new person if left out."`
	Name     string `required:"" help:"The name."`
	Phone    string `help:"The telephone number."`
	Email    string `help:"The e-mail address."`
	Revision uint64 `help:"Of a change: the revision that show printed."`
}

func (c *personSaveCmd) Run(ctx context.Context, out streams) error {
	f := map[string]any{"name": c.Name, "phone": c.Phone, "email": c.Email}
	if c.ID != "" {
		f["id"], f["revision"] = c.ID, c.Revision
	}
	text, err := c.send(ctx, out, "/people", f)
	if err == nil {
		_, err = out.out.Write(text)
	}
	return err
}

type personExportCmd struct {
	shopFlags
	ID   string `arg:"" help:"The person's id."`
	File string `arg:"" help:"The file to write; - for standard output." default:"-"`
}

func (c *personExportCmd) Run(ctx context.Context, out streams) error {
	text, err := c.raw(ctx, out, request{method: "GET", path: "/people/" + url.PathEscape(c.ID) + "/export"})
	if err != nil {
		return err
	}
	text = append(text, '\n')
	if c.File == "-" {
		_, err = out.out.Write(text)
		return err
	}
	if err := os.WriteFile(c.File, text, 0o600); err != nil {
		return fmt.Errorf("person: %w", err)
	}
	_, err = fmt.Fprintf(out.out, "%s: written; it holds personal data\n", c.File)
	return err
}

type personEraseCmd struct {
	shopFlags
	ID   string `arg:"" help:"The person's id."`
	Sure bool   `help:"Erase for good; it can't be undone." required:""`
}

func (c *personEraseCmd) Run(ctx context.Context, out streams) error {
	text, err := c.send(ctx, out, "/people/"+url.PathEscape(c.ID)+"/erase", map[string]any{"sure": c.Sure})
	if err == nil {
		_, err = out.out.Write(text)
	}
	return err
}
