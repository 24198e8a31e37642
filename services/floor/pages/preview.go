package pages

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/promise"
	"tickover/services/whatif"
)

// How much of a comparison is shown at once.
const (
	promisesShown = 12
	movesShown    = 12
)

// previewPage shows what a decision would do, and asks.
type previewPage struct {
	*Base
	Action  string
	What    string // the decision in a sentence
	Fields  []Field
	Back    string
	MovedOn bool // since an earlier preview
	Result  *whatif.Result
	Worse   []whatif.Promise
	Better  []whatif.Promise
	Other   []whatif.Promise // new units, changed promises
	Moves   []whatif.Move
	More    int      // moves that are not shown
	Effects []string // on what is decided about
	Own     []whatif.Pin
	Others  []whatif.Pin
	Promise *promise.Promise // of a unit that is checked in
}

// preview shows what a form would do, without doing it.
func (p *Pages) preview(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	b := p.ready(w, r)
	if b == nil {
		return
	}
	b.says(w, r)
	p.showPreview(w, r, b, r.PostForm.Get("action"), false)
}

func (p *Pages) showPreview(w http.ResponseWriter, r *http.Request, b *Base, name string, again bool) {
	f := r.PostForm
	back := backOf(f.Get("back"), "/board")
	if f.Get("command_id") == "" {
		f.Set("command_id", uuid.NewString())
	}
	if again {
		f.Del("expect") // he decides on what he is shown now
	}
	f.Del("expect_seq")
	page, err := p.previewOf(r.Context(), b, name, f)
	if err != nil {
		p.refuse(w, r, name, formPage(f, back), err)
		return
	}
	page.MovedOn, page.Back, b.Here = again, back, back
	b.Title, b.Section = b.T("What would it do?"), "board"
	status := http.StatusOK
	if again {
		status = http.StatusPreconditionFailed
	}
	p.render(w, status, "preview", page)
}

// formPage is the page that a form stands on, if it says so.
func formPage(f url.Values, back string) string { return backOf(f.Get("form_page"), back) }

// movedOn reports that a previewed decision was not carried out because
// something was recorded in between.
func movedOn(err error, f url.Values) bool {
	var r *queue.Refusal
	return errors.As(err, &r) && r.Code == queue.CodeStale && f.Get("expect_seq") != ""
}

func (in *input) previewed() uint64 {
	n, _ := strconv.ParseUint(in.Get("expect_seq"), 10, 64)
	return n
}

// planned plans as the dispatcher does, with the lengths that were learnt.
func (p *Pages) planned() dispatch.ComputeOptions {
	return dispatch.ComputeOptions{SnapshotOptions: dispatch.SnapshotOptions{Lengths: p.o.Lengths.Lengths()}}
}

func (p *Pages) previewOf(ctx context.Context, b *Base, name string, f url.Values) (*previewPage, error) {
	cmd, _, err := p.command(ctx, b, name, f)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, doTimeout)
	defer cancel()
	res, err := whatif.Preview(ctx, whatif.Input{State: b.State, Almanac: p.o.Ledger.Almanac(), Plan: b.Plan, Now: b.Now, Commands: []queue.Command{cmd}, Options: p.planned()})
	if err != nil {
		return nil, err
	}
	if res.Refused != nil {
		return nil, res.Refused
	}
	page := &previewPage{Base: b, Action: name, What: b.decided(cmd.Action), Result: res}
	page.fields(f, cmd.Action)
	page.sort(cmd.Action)
	if a, ok := cmd.Action.(*queue.ReceiveUnit); ok {
		all, err := promise.All(ctx, promise.Input{
			State: res.Next, Almanac: p.o.Ledger.Almanac(), Plan: res.After, Now: b.Now, Threads: promiseThreads, Lengths: p.o.Lengths.Lengths(), Past: p.o.Learner.Correction(),
		})
		if err != nil {
			return nil, err
		}
		if x, ok := all[a.Unit]; ok {
			page.Promise = &x
		}
	}
	return page, nil
}

// fields are the form again, with only what it changes: what stays out of it
// can't undo what somebody else changes meanwhile.
func (page *previewPage) fields(f url.Values, a queue.Action) {
	drop := []string{"action", "actor", "expect", "override_by", "override_reason", "override_of"}
	if x, ok := a.(*queue.AmendUnit); ok && page.Action == "amend" {
		for name, unchanged := range map[string]bool{"promise": x.Change.Promise == nil, "weight": x.Change.Weight == nil, "fitment": x.Change.Fitment == nil, "variant": x.Change.Variant == nil, "note": x.Change.Note == nil} {
			if unchanged {
				drop = append(drop, name)
			}
		}
	}
	for _, name := range slices.Sorted(mapKeys(f)) {
		if slices.Contains(drop, name) {
			continue
		}
		for _, v := range f[name] {
			page.Fields = append(page.Fields, Field{name, v})
		}
	}
}

func (page *previewPage) sort(a queue.Action) {
	for _, c := range page.Result.Promises {
		switch {
		case c.Verdict.Bad():
			page.Worse = append(page.Worse, c)
		case c.Verdict.Good():
			page.Better = append(page.Better, c)
		default:
			page.Other = append(page.Other, c)
		}
	}
	page.Moves = page.Result.Moves
	if n := len(page.Moves) - movesShown; n > 0 {
		page.Moves, page.More = page.Moves[:movesShown], n
	}
	own, step := targetOf(a)
	page.effects(own, step)
	for _, x := range page.Result.Pins {
		if x.Unit == own && (step == "" || x.Step == step) {
			page.Own = append(page.Own, x)
		} else if x.New {
			page.Others = append(page.Others, x)
		}
	}
}

// effects say what becomes of the unit and the step that is decided about,
// even if that is nothing.
func (page *previewPage) effects(u queue.UnitID, s queue.StepID) {
	if s != "" {
		was, is := stepIn(page.Result.Before, u, s), stepIn(page.Result.After, u, s)
		if page.Place(was) == page.Place(is) {
			page.Effects = append(page.Effects, page.T("“%s” stays at %s.", page.StepName(u, s), page.Place(is)))
		} else {
			page.Effects = append(page.Effects, page.T("“%s” goes to %s; now it is at %s.", page.StepName(u, s), page.Place(is), page.Place(was)))
		}
	}
	was, is := forecastIn(page.Result.Before, u), forecastIn(page.Result.After, u)
	switch {
	case was == nil || is == nil: // a new unit stands among the promises
	case was.Ready.IsZero() || is.Ready.IsZero():
	case was.Ready.Equal(is.Ready):
		page.Effects = append(page.Effects, page.T("%s is ready %s, as now; promised %s.", u, page.When(is.Ready), page.When(is.Promise)))
	default:
		page.Effects = append(page.Effects, page.T("%s is ready %s instead of %s; promised %s.", u, page.When(is.Ready), page.When(was.Ready), page.When(is.Promise)))
	}
}

func stepIn(p *dispatch.Plan, u queue.UnitID, s queue.StepID) *dispatch.PlannedStep {
	for i := range p.Steps {
		if ps := &p.Steps[i]; ps.Unit == u && ps.Step == s {
			return ps
		}
	}
	return nil
}

func forecastIn(p *dispatch.Plan, u queue.UnitID) *dispatch.UnitForecast {
	for i := range p.Units {
		if p.Units[i].Unit == u {
			return &p.Units[i]
		}
	}
	return nil
}

// targetOf is the unit and the step that an action speaks of.
func targetOf(a queue.Action) (queue.UnitID, queue.StepID) {
	switch a := a.(type) {
	case *queue.PinStep:
		return a.Unit, a.Step
	case *queue.UnpinStep:
		return a.Unit, a.Step
	case *queue.AmendUnit:
		return a.Unit, ""
	case *queue.ReceiveUnit:
		return a.Unit, ""
	}
	return "", ""
}

// Shown are the first promises of a list.
func (page *previewPage) Shown(list []whatif.Promise) []whatif.Promise {
	return list[:min(len(list), promisesShown)]
}

// Rest is how many promises of a list are not shown.
func (page *previewPage) Rest(list []whatif.Promise) int { return max(0, len(list)-promisesShown) }

// Change says what becomes of one promise.
func (page *previewPage) Change(c whatif.Promise) string {
	late := func(min int64) string { return page.Minutes(time.Duration(min) * time.Minute) }
	switch c.Verdict {
	case whatif.Lost:
		return page.T("would no longer fit into the plan")
	case whatif.Found:
		return page.T("would fit into the plan, ready %s", page.When(c.ReadyNext))
	case whatif.Broken:
		return page.T("would be ready %s and miss its promise by %s; now it is kept", page.When(c.ReadyNext), late(c.LateNext))
	case whatif.Worse:
		return page.T("%s later: misses its promise by %s instead of %s", late(c.DeltaMin()), late(c.LateNext), late(c.LateBefore))
	case whatif.Kept:
		return page.T("would be ready %s and keep its promise; now it is missed by %s", page.When(c.ReadyNext), late(c.LateBefore))
	case whatif.Better:
		return page.T("%s sooner: misses its promise by %s instead of %s", late(-c.DeltaMin()), late(c.LateNext), late(c.LateBefore))
	case whatif.New:
		if c.ReadyNext.IsZero() {
			return page.T("does not fit into the plan")
		}
		if c.LateNext > 0 {
			return page.T("ready %s, %s after its promise", page.When(c.ReadyNext), late(c.LateNext))
		}
		return page.T("ready %s, its promise is kept", page.When(c.ReadyNext))
	}
	if !c.PromiseBefore.Equal(c.PromiseNext) {
		return page.T("promise %s instead of %s, ready %s", page.When(c.PromiseNext), page.When(c.PromiseBefore), page.When(c.ReadyNext))
	}
	return page.T("ready %s", page.When(c.ReadyNext))
}

// Place is where a step is planned.
func (page *previewPage) Place(s *dispatch.PlannedStep) string {
	if s == nil {
		return page.T("not in the plan")
	}
	out := page.When(s.Start)
	for _, r := range s.Resources {
		out += ", " + page.Thing(r)
	}
	if s.Technician != "" {
		out += ", " + page.First(s.Technician)
	}
	return out
}

// StepName is the name of a step's operation.
func (b *Base) StepName(u queue.UnitID, s queue.StepID) string {
	if x := b.Book.Of(u, s); x != nil {
		return x.Op.Name
	}
	return words(string(s))
}

// move is a pin that keeps what else is pinned: what is dragged changes one
// thing.
func move(in *input) (queue.Action, string) {
	u, s := in.unit(), in.step()
	sheet := in.b.Book.Of(u, s)
	p := queue.Pin{}
	if sheet != nil && sheet.Step.Pin != nil {
		p = *sheet.Step.Pin
	}
	if t := queue.PersonID(in.Get("technician")); t != "" {
		p.Technician = t
	}
	if in.text("start") != "" {
		t := in.localTime("start", in.b.T("the start"))
		p.Start = &t
	}
	for _, r := range in.resources() {
		p.Resources = replaceKind(in.b.Shop, p.Resources, r)
	}
	if len(p.Resources) == 0 && p.Technician == "" && p.Start == nil {
		in.wrong("start", "nothing is chosen to pin", "Choose a place, somebody, or a time.")
	}
	return &queue.PinStep{Unit: u, Step: s, Pin: p, Reason: in.text("reason")}, in.b.T("%s of %s is pinned.", in.b.StepName(u, s), u)
}

// replaceKind puts a resource in the place of those of its kind.
func replaceKind(shop *queue.Shop, list []queue.ResourceID, id queue.ResourceID) []queue.ResourceID {
	res := shop.Resource(id)
	var out []queue.ResourceID
	for _, x := range list {
		if r := shop.Resource(x); res == nil || r == nil || r.Kind != res.Kind {
			out = append(out, x)
		}
	}
	return append(out, id)
}

// weightFirst is the weight of a unit that goes before others.
const weightFirst = 10

// first puts a unit before others by its weight. The plan then pays more for
// each minute that it waits, but still keeps daylight, skills and what runs;
// a rank of its own would have to be kept apart from all of these.
func first(in *input) (queue.Action, string) {
	w := weightFirst
	reason := in.text("reason")
	if reason == "" {
		reason = in.b.T("first of all")
	}
	return &queue.AmendUnit{Unit: in.unit(), Change: queue.UnitAmended{Weight: &w, Reason: reason}}, in.b.T("%s goes first.", in.unit())
}

// undo takes a recent decision back.
func undo(in *input) (queue.Action, string) {
	of := queue.CommandID(in.Get("of"))
	reason := in.text("reason")
	if reason == "" {
		reason = in.b.T("undone")
	}
	if in.p.recent.Has(queue.CommandID(in.Get("command_id"))) {
		return &queue.UnpinStep{}, "" // sent twice: the queue answers by the id alone
	}
	a, err := in.p.recent.Undo(in.ctx, in.p.o.History, in.b.State, of, in.b.Now, reason)
	if err != nil {
		in.err = err
		return nil, ""
	}
	return a, in.b.T("Undone. %s", in.b.decided(a))
}

// decided says a decision in a sentence.
func (b *Base) decided(a queue.Action) string {
	switch a := a.(type) {
	case *queue.PinStep:
		return b.T("Pin “%s” of %s: %s.", b.StepName(a.Unit, a.Step), a.Unit, b.pinText(a.Pin))
	case *queue.UnpinStep:
		return b.T("Let “%s” of %s move again.", b.StepName(a.Unit, a.Step), a.Unit)
	case *queue.AmendUnit:
		return b.T("Change %s: %s.", a.Unit, joinText(b.amended(a.Change)))
	case *queue.Close:
		return b.T("%s is out from %s to %s: %s.", b.thingOrPerson(a.Resource, a.Technician), b.When(a.From), b.When(a.Until), a.Reason)
	case *queue.Reopen:
		return b.T("%s is back.", b.thingOrPerson(a.Resource, a.Technician))
	case *queue.SkipStep:
		return b.T("Leave “%s” of %s out.", b.StepName(a.Unit, a.Step), a.Unit)
	case *queue.ReopenStep:
		return b.T("Do “%s” of %s again.", b.StepName(a.Unit, a.Step), a.Unit)
	case *queue.ReceiveUnit:
		return b.T("Check in %s: %s %s, promised %s, weight %d.", a.Unit, a.Arrival.Machine.Make, a.Arrival.Machine.Model, b.When(a.Arrival.Promise), a.Arrival.Weight)
	}
	return ""
}

func (b *Base) thingOrPerson(r queue.ResourceID, t queue.PersonID) string {
	if t != "" {
		return b.Name(t)
	}
	return b.Thing(r)
}

func (b *Base) pinText(p queue.Pin) string {
	var out []string
	if p.Start != nil {
		out = append(out, b.T("starts %s", b.When(*p.Start)))
	}
	for _, r := range p.Resources {
		out = append(out, b.Thing(r))
	}
	if p.Technician != "" {
		out = append(out, b.Name(p.Technician))
	}
	return joinText(out)
}

func (b *Base) amended(c queue.UnitAmended) []string {
	c.Reason = ""
	out := amended(b, &c)
	if len(out) == 0 {
		out = append(out, b.T("nothing"))
	}
	return out
}

func joinText(list []string) string {
	out := ""
	for i, s := range list {
		if i > 0 {
			out += ", "
		}
		out += s
	}
	return out
}
