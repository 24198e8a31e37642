package pages

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/floor/answer"
	"tickover/services/floor/gate"
)

const doTimeout = 10 * time.Second

// Tried is a form that was refused: what it asked for and why not.
type Tried struct {
	Action  string
	Values  url.Values
	Problem *answer.Problem
}

// Is reports whether it was this form.
func (t *Tried) Is(action string, unit queue.UnitID, step queue.StepID) bool {
	return t != nil && t.Action == action && t.Values.Get("unit") == string(unit) && t.Values.Get("step") == string(step)
}

// Field is a value to send again with an override.
type Field struct{ Name, Value string }

// Fields are the values of the form but for those that the override form asks
// for itself.
func (t *Tried) Fields() []Field {
	var out []Field
	for _, name := range slices.Sorted(mapKeys(t.Values)) {
		if name == gate.FormField || name == "override_by" || name == "override_reason" || name == "override_of" {
			continue
		}
		for _, v := range t.Values[name] {
			out = append(out, Field{name, v})
		}
	}
	return out
}

func mapKeys(v url.Values) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range v {
			if !yield(k) {
				return
			}
		}
	}
}

// FieldError is what is wrong with one field.
func (t *Tried) FieldError(name string) string {
	if t == nil {
		return ""
	}
	for _, e := range t.Problem.Errors {
		if e.Location == name {
			return e.Message
		}
	}
	return ""
}

// do carries out what a form asks for and goes back to the page it came from.
func (p *Pages) do(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	b := p.ready(w, r)
	if b == nil {
		return
	}
	name := r.PathValue("action")
	back := backOf(r.PostFormValue("back"), "/")
	b.says(w, r)
	if who := queue.PersonID(r.PostFormValue("technician")); r.PostFormValue("bench") != "" && known(b.Shop, who) && (b.Open || b.Who.Is(access.Bench)) {
		b.Me = who // a bench's screen belongs to nobody: who does it says so
	}
	if pr := photoTrouble(r); pr != nil {
		p.refuse(w, r, name, back, pr)
		return
	}
	said, err := p.carryOut(r.Context(), b, name, r.PostForm)
	if movedOn(err, r.PostForm) {
		p.showPreview(w, r, b, name, true)
		return
	}
	if err != nil {
		p.refuse(w, r, name, formPage(r.PostForm, back), err)
		return
	}
	say(w, said)
	if name == "receive" {
		back = "/units/" + url.PathEscape(r.PostForm.Get("unit"))
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
}

// refuse shows the page that the form came from once more, with the refusal
// and what was typed.
func (p *Pages) refuse(w http.ResponseWriter, r *http.Request, action, back string, err error) {
	pr, known := answer.Of(err)
	if !known {
		pr.Instance = uuid.NewString()
		p.log.Error("form failed", zap.String("action", action), zap.String("instance", pr.Instance), zap.Error(err))
	}
	u, perr := url.Parse(back)
	if perr != nil {
		u = &url.URL{Path: "/"}
	}
	again := r.Clone(context.WithValue(r.Context(), triedKey{}, &Tried{action, r.PostForm, pr.In(localeOf(r))}))
	again.Method, again.URL, again.RequestURI, again.Form, again.PostForm, again.Body = http.MethodGet, u, back, nil, nil, http.NoBody
	p.mux.ServeHTTP(w, again)
}

func (p *Pages) carryOut(ctx context.Context, b *Base, name string, f url.Values) (string, error) {
	cmd, done, err := p.command(ctx, b, name, f)
	if err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(ctx, doTimeout)
	defer cancel()
	undo := func() {}
	unit, who := namedBy(cmd.Action)
	if who != nil {
		*who, undo, err = p.customer(ctx, b, f)
	}
	if err != nil {
		return "", err
	}
	rec, err := p.o.Ledger.Do(ctx, cmd)
	var refusal *queue.Refusal
	if errors.As(err, &refusal) || rec.Duplicate && !p.belongs(unit, who) {
		undo() // after any other error it may be recorded: who was named stays
	}
	if err != nil {
		return "", err
	}
	p.o.Gate.Vouched(ctx, f.Get("unit"), rec.Overridden)
	if rec.Duplicate {
		return b.T("That was recorded before; nothing was changed."), nil
	}
	return done, nil
}

// namedBy is where an action says whose its unit is; nil: it does not.
func namedBy(a queue.Action) (queue.UnitID, *queue.ContactID) {
	switch a := a.(type) {
	case *queue.ReceiveUnit:
		return a.Unit, &a.Arrival.Contact
	case *queue.HandOver:
		return a.Unit, &a.Contact
	case *queue.AmendUnit:
		return a.Unit, a.Change.Contact
	}
	return "", nil
}

// belongs reports that the unit is who's already.
func (p *Pages) belongs(id queue.UnitID, who *queue.ContactID) bool {
	u := p.o.Ledger.View().Units[id]
	return who != nil && u != nil && u.Contact == *who
}

// command is what a form asks for, and the sentence when it is done.
func (p *Pages) command(ctx context.Context, b *Base, name string, f url.Values) (queue.Command, string, error) {
	var none queue.Command
	form := actions[name]
	if form == nil {
		return none, "", answer.Unknown(b.T("there is no action %q", name), "Load the page again.")
	}
	if b.Me == "" {
		return none, "", answer.New(http.StatusForbidden, queue.CodeWrongPerson, "nobody is chosen on this device", "Say who you are, then send it again.")
	}
	in := &input{Values: f, b: b, ctx: ctx, p: p}
	act, done := form(in)
	if in.err != nil {
		return none, "", in.err
	}
	cmd := queue.Command{ID: queue.CommandID(f.Get("command_id")), Actor: b.Me, Expect: in.revision(), ExpectSeq: in.previewed(), Action: act}
	if cmd.ID == "" || !plainID(string(cmd.ID)) {
		return none, "", answer.New(http.StatusUnprocessableEntity, queue.CodeMalformed, "the form has lost its number", "Load the page again.")
	}
	if err := in.overrides(&cmd); err != nil {
		return none, "", err
	}
	return cmd, done, gate.Vet(ctx, b.State, &cmd)
}

func plainID(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r > '~' })
}

// input reads a form's fields; the first mistake stays in err.
type input struct {
	url.Values
	b   *Base
	p   *Pages
	ctx context.Context
	err error
}

func (in *input) wrong(field, what, do string) {
	if in.err == nil {
		in.err = answer.Malformed(field, in.Get(field), what, do)
		return
	}
	if p, ok := in.err.(*answer.Problem); ok {
		p.Errors = append(p.Errors, answer.Field{Message: what, Location: field, Value: in.Get(field)})
	}
}

func (in *input) unit() queue.UnitID { return queue.UnitID(in.Get("unit")) }
func (in *input) step() queue.StepID { return queue.StepID(in.Get("step")) }

// work is the name of the step for a sentence.
func (in *input) work() string { return in.b.StepName(in.unit(), in.step()) }

// technician is who does it: named in the form, else the chosen person.
func (in *input) technician() queue.PersonID {
	if t := in.Get("technician"); t != "" {
		return queue.PersonID(t)
	}
	return in.b.Me
}

func (in *input) resources() []queue.ResourceID {
	var out []queue.ResourceID
	for _, r := range in.Values["resource"] {
		if r != "" {
			out = append(out, queue.ResourceID(r))
		}
	}
	return out
}

// evidence reads the fields ev.<key>. A number may be written with a decimal
// comma.
func (in *input) evidence() queue.Evidence {
	out := queue.Evidence{}
	op := in.operation()
	for name := range in.Values {
		key, ok := strings.CutPrefix(name, "ev.")
		v := strings.TrimSpace(in.Get(name))
		if !ok || v == "" {
			continue
		}
		f := fieldOf(op, queue.EvidenceKey(key))
		if queue.EvidenceKey(key) == queue.EvidencePhotos || f != nil && f.Type == queue.Photo {
			v = strings.Join(hashes(in.Values[name]), " ")
		}
		if f != nil && f.Type == queue.Number && strings.Count(v, ",") == 1 && !strings.Contains(v, ".") {
			v = strings.Replace(v, ",", ".", 1)
		}
		if mi, err := strconv.ParseFloat(v, 64); err == nil && in.Get("in."+key) == "mi" {
			v = strconv.FormatFloat(in.b.Kilometres(mi), 'f', 1, 64)
		}
		out[queue.EvidenceKey(key)] = v
	}
	if len(out) == 0 {
		return nil
	}
	return out
}

func (in *input) operation() *queue.Operation {
	if s := in.b.Book.Of(in.unit(), in.step()); s != nil {
		return s.Op
	}
	return nil
}

func fieldOf(op *queue.Operation, key queue.EvidenceKey) *queue.EvidenceField {
	if op == nil {
		return nil
	}
	i := slices.IndexFunc(op.Evidence, func(f queue.EvidenceField) bool { return f.Key == key })
	if i < 0 {
		return nil
	}
	return &op.Evidence[i]
}

func (in *input) text(field string) string { return strings.TrimSpace(in.Get(field)) }

func (in *input) number(field, what string) int {
	n, err := strconv.Atoi(in.text(field))
	if err != nil {
		in.wrong(field, in.b.T("%s is no whole number", what), "Write it with digits only.")
	}
	return n
}

// localTime reads a date-and-time field in the shop's zone.
func (in *input) localTime(field, what string) time.Time {
	v := in.text(field)
	if v == "" {
		in.wrong(field, in.b.T("%s is missing", what), "Give a date and a time.")
		return time.Time{}
	}
	for _, layout := range []string{"2006-01-02T15:04", time.RFC3339, "2006-01-02T15:04:05", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(layout, v, in.b.Loc); err == nil {
			return t
		}
	}
	in.wrong(field, in.b.T("%s can't be read as a date and time", what), "Write it as 2026-02-17 16:30.")
	return time.Time{}
}

func (in *input) revision() uint64 {
	n, _ := strconv.ParseUint(in.Get("expect"), 10, 64)
	return n
}

// overrides reads the interlocks that a foreman lets pass: those of earlier
// tries ("I8|ruth|reason") and the one that was just filled in.
func (in *input) overrides(cmd *queue.Command) error {
	list := in.Values["passed"]
	if of := in.Get("override_of"); of != "" {
		reason := in.text("override_reason")
		if reason == "" {
			return answer.Malformed("override_reason", "", "the reason for the override is missing", "Write why it may pass; it is kept as evidence.")
		}
		list = append(list, of+"|"+in.Get("override_by")+"|"+reason)
		in.Values["passed"] = list
	}
	for _, l := range list {
		of, rest, _ := strings.Cut(l, "|")
		by, reason, _ := strings.Cut(rest, "|")
		n, err := strconv.Atoi(strings.TrimPrefix(of, "I"))
		if err != nil || len(cmd.Overrides) >= queue.InterlockCount {
			return answer.Malformed("override_of", of, "that is no interlock", "Load the page again.")
		}
		cmd.Overrides = append(cmd.Overrides, queue.Override{Interlock: queue.Interlock(n), By: queue.PersonID(by), Reason: reason})
		cmd.Actor = queue.PersonID(by) // an override is the foreman's own act
	}
	return nil
}

// Actions are the names of all forms' actions, for the table of who may use
// which.
func Actions() []string { return slices.Sorted(maps.Keys(actions)) }

// action reads one form: what it asks for, and the sentence when it is done.
type action func(*input) (queue.Action, string)

var actions = map[string]action{
	"receive": receive,
	"amend":   amend,
	"owner":   owner,
	"hold": func(in *input) (queue.Action, string) {
		held := in.Get("held") == "yes"
		said := in.b.T("%s goes on.", in.unit())
		if held {
			said = in.b.T("%s is held back.", in.unit())
		}
		return &queue.AmendUnit{Unit: in.unit(), Change: queue.UnitAmended{Held: &held, Reason: in.text("reason")}}, said
	},
	"hand-over": func(in *input) (queue.Action, string) {
		showroom := in.Get("showroom") == "yes"
		said := in.b.T("%s is handed over.", in.unit())
		if u := in.b.State.Units[in.unit()]; u != nil && u.Status == queue.InShowroom && !showroom {
			said = in.b.T("%s is sold and handed over.", in.unit())
		}
		if showroom {
			said = in.b.T("%s is in the showroom.", in.unit())
		}
		return &queue.HandOver{Unit: in.unit(), Showroom: showroom}, said
	},
	"accept": func(in *input) (queue.Action, string) {
		return &queue.AcceptStep{Unit: in.unit(), Step: in.step(), Technician: in.technician(), Resources: in.resources()},
			in.b.T("“%s” of %s is yours.", in.work(), in.unit())
	},
	"return": func(in *input) (queue.Action, string) {
		return &queue.ReturnStep{Unit: in.unit(), Step: in.step(), Reason: in.text("reason")},
			in.b.T("“%s” of %s is given back.", in.work(), in.unit())
	},
	"start": func(in *input) (queue.Action, string) {
		return &queue.StartStep{Unit: in.unit(), Step: in.step(), Technician: in.technician(), Resources: in.resources(),
			Evidence: in.evidence(), Bench: queue.ResourceID(in.Get("bench"))}, in.b.T("“%s” of %s runs.", in.work(), in.unit())
	},
	"advance": func(in *input) (queue.Action, string) {
		return &queue.AdvanceStep{Unit: in.unit(), Step: in.step(), Stretch: in.number("stretch", in.b.T("the stretch")), Technician: in.technician()},
			in.b.T("“%s” of %s goes on.", in.work(), in.unit())
	},
	"done": func(in *input) (queue.Action, string) {
		return &queue.FinishStep{Unit: in.unit(), Step: in.step(), Technician: in.technician(), Evidence: in.evidence(), Bench: queue.ResourceID(in.Get("bench"))},
			in.b.T("“%s” of %s is done.", in.work(), in.unit())
	},
	"failed": func(in *input) (queue.Action, string) {
		return &queue.FinishStep{Unit: in.unit(), Step: in.step(), Technician: in.technician(), Failed: true, Reason: in.text("reason"), Evidence: in.evidence(), Bench: queue.ResourceID(in.Get("bench"))},
			in.b.T("“%s” of %s is recorded as failed.", in.work(), in.unit())
	},
	"problem": func(in *input) (queue.Action, string) {
		return &queue.ReportProblem{Unit: in.unit(), Step: in.step(), Reason: in.text("reason"), Evidence: in.evidence()},
			in.b.T("The foreman sees the problem with “%s” of %s.", in.work(), in.unit())
	},
	"pin": pin,
	"unpin": func(in *input) (queue.Action, string) {
		return &queue.UnpinStep{Unit: in.unit(), Step: in.step()}, in.b.T("“%s” of %s is free to move.", in.work(), in.unit())
	},
	"skip": func(in *input) (queue.Action, string) {
		return &queue.SkipStep{Unit: in.unit(), Step: in.step(), Reason: in.text("reason")}, in.b.T("“%s” of %s is left out.", in.work(), in.unit())
	},
	"reopen": func(in *input) (queue.Action, string) {
		return &queue.ReopenStep{Unit: in.unit(), Step: in.step(), Reason: in.text("reason")}, in.b.T("“%s” of %s is to be done again.", in.work(), in.unit())
	},
	"list-calibration": listCalibration, "withdraw-calibration": withdrawCalibration,
	"contact": contactOwner, "open-campaign": openCampaign, "close-campaign": closeCampaign, "sweep": sweepUnit,
	"move":  move,
	"first": first,
	"undo":  undo,
	"close": closeThing,
	"open": func(in *input) (queue.Action, string) {
		r, t := what(in.Get("what"))
		return &queue.Reopen{Resource: r, Technician: t}, in.b.T("%s is back.", in.b.thingOrPerson(r, t))
	},
}

// what reads "resource:p1" or "technician:ruth".
func what(s string) (queue.ResourceID, queue.PersonID) {
	kind, id, _ := strings.Cut(s, ":")
	if kind == "technician" {
		return "", queue.PersonID(id)
	}
	return queue.ResourceID(id), ""
}

func closeThing(in *input) (queue.Action, string) {
	r, t := what(in.Get("what"))
	from := in.b.Now
	if in.text("from") != "" {
		from = in.localTime("from", in.b.T("the beginning"))
	}
	until := in.localTime("until", in.b.T("the end"))
	return &queue.Close{Resource: r, Technician: t, From: from, Until: until, Reason: in.text("reason")},
		in.b.T("%s is out until %s.", in.b.thingOrPerson(r, t), in.b.When(until))
}

func pin(in *input) (queue.Action, string) {
	p := queue.Pin{Resources: in.resources(), Technician: queue.PersonID(in.Get("technician"))}
	if in.text("start") != "" {
		t := in.localTime("start", in.b.T("the start"))
		p.Start = &t
	}
	if len(p.Resources) == 0 && p.Technician == "" && p.Start == nil {
		in.wrong("start", "nothing is chosen to pin", "Choose a place, somebody, or a time.")
	}
	return &queue.PinStep{Unit: in.unit(), Step: in.step(), Pin: p}, in.b.T("“%s” of %s is pinned.", in.work(), in.unit())
}

// amend sends what was changed in the form, nothing else.
func amend(in *input) (queue.Action, string) {
	var c queue.UnitAmended
	u := in.b.State.Units[in.unit()]
	if u == nil {
		return &queue.AmendUnit{Unit: in.unit()}, ""
	}
	if in.Has("promise") && in.text("promise") != in.b.Local(u.Promise) {
		t := in.localTime("promise", in.b.T("the promise"))
		c.Promise = &t
	}
	if in.Has("weight") {
		if w := in.number("weight", in.b.T("the weight")); w != u.Weight {
			c.Weight = &w
		}
	}
	if f := queue.Fitment(in.text("fitment")); f != u.Machine.Fitment && f != "" {
		c.Fitment = &f
	}
	if n := in.text("note"); in.Has("note") && n != u.Note {
		c.Note = &n
	}
	if v := queue.Variant(in.text("variant")); in.Has("variant") && v != u.Machine.Variant {
		c.Variant = &v
	}
	if f := queue.Family(in.text("family")); in.Has("family") && f != u.Machine.Family {
		c.Family = &f
	}
	c.NewController = in.Get("new_controller") == "yes"
	c.Reason = in.text("reason")
	return &queue.AmendUnit{Unit: u.ID, Change: c}, in.b.T("%s is changed.", u.ID)
}

// owner says whose a unit is; carryOut keeps who was named.
func owner(in *input) (queue.Action, string) {
	if in.text("name") == "" {
		in.wrong("name", "nobody is named", "Write the name.")
	}
	return &queue.AmendUnit{Unit: in.unit(), Change: queue.UnitAmended{Contact: new(queue.ContactID)}}, in.b.T("It is written down whose %s is.", in.unit())
}

func receive(in *input) (queue.Action, string) {
	a := queue.UnitArrived{
		Machine: queue.Machine{
			Frame: in.text("frame"), Make: in.text("make"), Model: in.text("model"), Year: in.number("year", in.b.T("the model year")),
			Family: queue.Family(in.text("family")), Fitment: queue.Fitment(in.text("fitment")), Plate: in.text("plate"),
			Variant: queue.Variant(in.text("variant")),
		},
		Route: queue.RouteID(in.Get("route")), Promise: in.localTime("promise", in.b.T("the promise")),
		Weight: in.number("weight", in.b.T("the weight")), Note: in.text("note"),
	}
	if a.Machine.Fitment == "" {
		a.Machine.Fitment = "standard"
	}
	guessed := false
	if a.Machine.Family == "" { // else no calibration would be found
		a.Machine.Family = in.b.onlyFamily(&a.Machine)
		guessed = a.Machine.Family != ""
	}
	if err := a.Ownership.UnmarshalText([]byte(in.Get("ownership"))); err != nil {
		in.wrong("ownership", "it is not said whose machine it is", "Choose new, customer's or trade-in.")
	}
	for _, required := range []struct{ field, what string }{{"unit", in.b.T("the ticket's number")}, {"make", in.b.T("the make")}, {"model", in.b.T("the model")}, {"route", in.b.T("the kind of visit")}} {
		if in.text(required.field) == "" {
			in.wrong(required.field, in.b.T("%s is missing", required.what), "Fill it in.")
		}
	}
	for _, o := range in.Values["option"] {
		route, step, ok := strings.Cut(o, "/")
		if ok && route == string(a.Route) {
			a.Options = append(a.Options, queue.StepID(step))
		}
	}
	// The queue asks for this too; here it can be said beside the field. Its own
	// visit means that the form is sent twice: that is for the queue alone.
	beside := queue.UnitID(in.text("beside"))
	if u := in.b.State.HereByFrame(a.Machine.Frame); u != nil && u.ID != in.unit() && beside != u.ID {
		in.wrong("frame", in.b.T("a machine with this frame number is in the shop already, as %s", u.ID), "Open that ticket, or read the number again. If it is another machine, tick so beside the number.")
	}
	said := in.b.T("%s is checked in.", in.unit())
	if in.err == nil {
		if called := in.b.calledBack(a.Machine); len(called) > 0 {
			said = in.b.T("%s is checked in. It is called back: %s.", in.unit(), called[0].Title)
		}
		if guessed {
			said += " " + in.b.T("The controller family is %s, the only one listed for it.", a.Machine.Family)
		}
	}
	return &queue.ReceiveUnit{Unit: in.unit(), Arrival: a, Once: true, Beside: beside}, said
}
