// Package job works out what somebody on the floor is to do: a technician's
// running and next steps, a bench's, and what a step needs before it can start.
// It is pure: the state, the plan and the time come in.
//
// The order comes from the plan. Steps that the plan gives to nobody, or all
// steps when there is no plan, come in the order of their promises, so that
// the shop goes on without a scheduler; the queue's rules are the same.
package job

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/queue/ident"
	"tickover/queue/said"
	"tickover/services/almanac"
	"tickover/services/dispatch"
	"tickover/services/floor/live"
	"tickover/services/floor/locale"
)

// Sheet is one step as somebody is shown it.
type Sheet struct {
	Unit    *queue.Unit
	Step    *queue.Step
	Op      *queue.Operation
	Planned *dispatch.PlannedStep // nil: not in the plan

	ends time.Time // of the running stretch, breaks and nights included
	shop *queue.Shop
}

// Start is when the plan lets it begin; zero: not planned.
func (s Sheet) Start() time.Time {
	if s.Planned == nil {
		return time.Time{}
	}
	return s.Planned.Start
}

// Resources are what the step holds, was accepted for, or is planned on.
func (s Sheet) Resources() []queue.ResourceID {
	switch {
	case s.Step.Status == queue.Running:
		return s.Step.Resources
	case s.Step.Accepted != nil && len(s.Step.Accepted.Resources) > 0:
		return s.Step.Accepted.Resources
	case s.Planned != nil:
		return s.Planned.Resources
	case s.Step.Pin != nil:
		return s.Step.Pin.Resources
	}
	return nil
}

// Technician is who does it, accepted it or is planned for it.
func (s Sheet) Technician() queue.PersonID {
	switch {
	case s.Step.Status == queue.Running:
		return s.Step.Technician
	case s.Step.Accepted != nil:
		return s.Step.Accepted.Technician
	case s.Planned != nil && s.Planned.Technician != "":
		return s.Planned.Technician
	case s.Step.Pin != nil:
		return s.Step.Pin.Technician
	}
	return ""
}

// Stretch is the running step's stretch.
func (s Sheet) Stretch() queue.Stretch {
	if i := s.Step.Stretch; i >= 0 && i < len(s.Op.Stretches) {
		return s.Op.Stretches[i]
	}
	return queue.Stretch{}
}

// NextStretch is the index of the stretch that comes next; ok is false in the
// last one.
func (s Sheet) NextStretch() (i int, ok bool) {
	i = s.Step.Stretch + 1
	return i, i < len(s.Op.Stretches)
}

// StretchEnds is when the running stretch is expected to be over. Work that may
// pause for a break or overnight is not over its time because of that.
func (s Sheet) StretchEnds() time.Time { return s.ends }

// Ends is when the running step is expected to be over: what is left of its
// stretches, from the start of the one that runs.
func (s Sheet) Ends() time.Time {
	end := s.StretchEnds()
	for i, ok := s.NextStretch(); ok && i < len(s.Op.Stretches); i++ {
		end = end.Add(s.Op.Stretches[i].Duration)
	}
	return end
}

// Desk is what lies in front of somebody, or of a bench.
type Desk struct {
	Running []Sheet
	Next    *Sheet
	Later   []Sheet // after Next, at most laterMax
	// Ready are steps that could start and that the plan gives to nobody else.
	Ready []Sheet
}

const (
	laterMax = 4
	readyMax = 6
)

// Book is a state and its plan, to look steps up in. It is not safe for
// concurrent use.
type Book struct {
	st      *queue.State
	plan    *dispatch.Plan
	planned map[queue.Hold]*dispatch.PlannedStep
	almanac *almanac.Almanac // once a step asks for the shop's hours
}

// NewBook opens a state that has a shop, with the plan in force; nil: none.
func NewBook(st *queue.State, p *dispatch.Plan) *Book {
	b := &Book{st: st, plan: p, planned: map[queue.Hold]*dispatch.PlannedStep{}}
	if p != nil {
		for i := range p.Steps {
			s := &p.Steps[i]
			b.planned[queue.Hold{Unit: s.Unit, Step: s.Step}] = s
		}
	}
	return b
}

// ForTechnician is what one person does now and next.
func (b *Book) ForTechnician(who queue.PersonID) Desk {
	var d Desk
	t := b.st.Shop.Technician(who)
	if t == nil {
		return d
	}
	for _, s := range b.Running() {
		if s.Step.Technician == who {
			d.Running = append(d.Running, s)
		}
	}
	d.take(b.todo(func(s Sheet) bool { return s.Technician() == who }))
	for _, s := range b.todo(func(s Sheet) bool { return s.Technician() == "" || b.plan == nil }) {
		if len(d.Ready) < readyMax && !d.has(s) && s.Step.Accepted == nil && can(t, s.Op) && Blocked(s).IsZero() {
			d.Ready = append(d.Ready, s)
		}
	}
	if d.Next == nil && b.plan == nil && len(d.Ready) > 0 {
		d.Next, d.Ready = &d.Ready[0], d.Ready[1:]
	}
	return d
}

// ForResource is what happens at a bench, interface, charger, pad or loop.
func (b *Book) ForResource(id queue.ResourceID) Desk {
	var d Desk
	for _, s := range b.Running() {
		if slices.Contains(s.Step.Resources, id) {
			d.Running = append(d.Running, s)
		}
	}
	d.take(b.todo(func(s Sheet) bool { return slices.Contains(s.Resources(), id) }))
	return d
}

func (d *Desk) take(sheets []Sheet) {
	if len(sheets) == 0 {
		return
	}
	d.Next, d.Later = &sheets[0], sheets[1:min(len(sheets), 1+laterMax)]
}

func (d *Desk) has(s Sheet) bool {
	same := func(o Sheet) bool { return o.Unit.ID == s.Unit.ID && o.Step.ID == s.Step.ID }
	return slices.ContainsFunc(d.Later, same) || d.Next != nil && same(*d.Next)
}

// Running lists all running steps, the one that ends first at the top.
func (b *Book) Running() []Sheet {
	out := b.all(func(s Sheet) bool { return s.Step.Status == queue.Running })
	slices.SortStableFunc(out, func(a, b Sheet) int { return a.StretchEnds().Compare(b.StretchEnds()) })
	return out
}

// todo lists steps still to be done: accepted ones, then by planned start, then
// by promise.
func (b *Book) todo(match func(Sheet) bool) []Sheet {
	out := b.all(func(s Sheet) bool { return s.Step.Status == queue.Todo && !s.Unit.Held && match(s) })
	slices.SortStableFunc(out, func(a, b Sheet) int {
		return cmp.Or(
			-compareBool(a.Step.Accepted != nil, b.Step.Accepted != nil),
			-compareBool(a.Planned != nil, b.Planned != nil),
			a.Start().Compare(b.Start()),
			a.Unit.Promise.Compare(b.Unit.Promise),
		)
	})
	return out
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// all lists the open units' steps that match, by unit and route order.
func (b *Book) all(match func(Sheet) bool) []Sheet {
	var out []Sheet
	for _, u := range b.st.OpenUnits() {
		for i := range u.Steps {
			if s := b.sheet(u, &u.Steps[i]); s != nil && match(*s) {
				out = append(out, *s)
			}
		}
	}
	return out
}

// sheet is nil for a step whose operation the shop file has no more.
func (b *Book) sheet(u *queue.Unit, step *queue.Step) *Sheet {
	op := b.st.Shop.Operation(step.Operation)
	if op == nil {
		return nil
	}
	s := &Sheet{Unit: u, Step: step, Op: op, Planned: b.planned[queue.Hold{Unit: u.ID, Step: step.ID}], shop: b.st.Shop}
	s.ends = step.StretchStarted.Add(s.Stretch().Duration)
	if step.Status == queue.Running && s.Stretch().Splittable {
		s.ends = dispatch.StretchEnd(b.st, b.hours(), step)
	}
	return s
}

// hours is nil for a shop file whose hours make no sense, which the ledger
// does not take.
func (b *Book) hours() *almanac.Almanac {
	if b.almanac == nil {
		b.almanac, _ = almanac.New(b.st.Shop)
	}
	return b.almanac
}

// Of is the sheet of one step; nil if the unit or the step does not exist.
func (b *Book) Of(unit queue.UnitID, step queue.StepID) *Sheet {
	u := b.st.Units[unit]
	if u == nil || u.Step(step) == nil {
		return nil
	}
	return b.sheet(u, u.Step(step))
}

// Blocked says what a step to be done still waits for, nothing if nothing in
// its own unit stands in the way.
func Blocked(s Sheet) locale.Said {
	if s.Unit.Held {
		return locale.Say("until the foreman lets the unit go on")
	}
	for _, a := range s.Step.After {
		if b := s.Unit.Step(a.Step); b != nil && !b.Settled() {
			if b.Status == queue.Running {
				return locale.Say("for “%s”, which is running", s.nameOf(b))
			}
			return locale.Say("for “%s”, which is not done yet", s.nameOf(b))
		}
	}
	for i := range s.Unit.Steps {
		o := &s.Unit.Steps[i]
		if o.Status == queue.Running && !s.Step.ParallelWith(o) {
			return locale.Say("for “%s” of the same unit, which is running", s.nameOf(o))
		}
	}
	return locale.Said{}
}

// nameOf is what the shop file calls another step of the unit.
func (s Sheet) nameOf(step *queue.Step) string {
	if s.shop != nil {
		if op := s.shop.Operation(step.Operation); op != nil {
			return op.Name
		}
	}
	return string(step.ID)
}

// StatusText is a step's status in a person's words.
func StatusText(s queue.StepStatus) string {
	switch s {
	case queue.Todo:
		return locale.Mark("to do")
	case queue.Skipped:
		return locale.Mark("left out")
	}
	return s.String()
}

func can(t *queue.Technician, op *queue.Operation) bool {
	for _, s := range op.Stretches {
		if s.HandsOn && !t.Skilled(s.Skill) {
			return false
		}
	}
	return true
}

// Choice is one need of an operation and what could meet it.
type Choice struct {
	Need    queue.Need
	Options []Option
	Chosen  queue.ResourceID // empty: none is free
	// MayBeNone: the step can do without (a flash without a charger).
	MayBeNone bool
}

// Option is a resource that meets a need.
type Option struct {
	Resource *queue.Resource
	TakenBy  locale.Said // who holds it, or why it is down; nothing: free
}

// Choices lists, for each need of the step, what meets it, with the preferred
// resource chosen, else the first free one.
func Choices(st *queue.State, s Sheet, now time.Time) []Choice {
	preferred := slices.Clone(s.Resources())
	var used []queue.ResourceID
	out := make([]Choice, 0, len(s.Op.Needs))
	for _, n := range s.Op.Needs {
		c := Choice{Need: n, MayBeNone: n.Kind == queue.Charger && s.Op.Kind == queue.Flash}
		for i := range st.Shop.Resources {
			r := &st.Shop.Resources[i]
			if r.Kind == n.Kind && (n.Tag == "" || slices.Contains(r.Tags, n.Tag)) && (r.Kind != queue.Interface || r.Speaks(s.Unit.Machine.Family)) {
				c.Options = append(c.Options, Option{r, taken(st, r, now)})
			}
		}
		c.Chosen = choose(c.Options, preferred, used)
		used = append(used, c.Chosen)
		out = append(out, c)
	}
	return out
}

func choose(options []Option, preferred, used []queue.ResourceID) queue.ResourceID {
	for _, o := range options {
		if slices.Contains(preferred, o.Resource.ID) && !slices.Contains(used, o.Resource.ID) {
			return o.Resource.ID
		}
	}
	for _, o := range options {
		if o.TakenBy.IsZero() && !slices.Contains(used, o.Resource.ID) {
			return o.Resource.ID
		}
	}
	return ""
}

func taken(st *queue.State, r *queue.Resource, now time.Time) locale.Said {
	if c := queue.Covering(st.Closures[r.ID], now); c != nil {
		return locale.Say("closed: %s", c.Reason)
	}
	if h := st.Holds[r.ID]; len(h) >= max(1, r.Capacity) {
		return locale.Say("taken by %s", h[0].Unit)
	}
	return locale.Said{}
}

// Fields are the evidence fields that are asked for at the step's start, or at
// its end.
func Fields(op *queue.Operation, atStart bool) []queue.EvidenceField {
	var out []queue.EvidenceField
	for _, f := range op.Evidence {
		if f.AtStart == atStart {
			out = append(out, f)
		}
	}
	return out
}

// Alerts are the calls and alarms that follow from the state alone: steps past
// their end, hands-off time that is about to end, problems that were reported,
// machines that stand too long.
func Alerts(st *queue.State, now time.Time) []live.Alert {
	if st.Shop == nil {
		return nil
	}
	lim := st.Shop.Limits
	book := NewBook(st, nil)
	var out []live.Alert
	for _, s := range book.Running() {
		a := live.Alert{Unit: s.Unit.ID, Step: s.Step.ID, Person: s.Step.Technician, Resource: place(s)}
		ends := s.StretchEnds()
		_, more := s.NextStretch()
		switch {
		case !now.Before(ends.Add(lim.OverdueAfter)):
			a.Kind, a.Since = live.Overdue, ends
			a.Say(overdue(st.Shop, s, now.Sub(ends)))
		case more && !s.Stretch().HandsOn && !now.Before(ends.Add(-lim.CallBefore)):
			a.Kind, a.Since = live.CallBack, ends.Add(-lim.CallBefore)
			a.Say(locale.Say("%s of %s needs hands at %s.", s.Op.Name, s.Unit.ID, said.When(ends, now.In(st.Shop.Location()))))
		default:
			continue
		}
		out = append(out, a)
	}
	for _, s := range book.all(func(s Sheet) bool { return s.Step.Problem != "" && !s.Step.Settled() }) {
		a := live.Alert{Kind: live.Problem, Unit: s.Unit.ID, Step: s.Step.ID, Since: s.Unit.Touched}
		a.Say(locale.Say("Problem with %s of %s: %s", s.Op.Name, s.Unit.ID, s.Step.Problem))
		out = append(out, a)
	}
	if long := st.Overstayed(now); len(long) > 0 {
		out = append(out, live.Alert{Kind: live.Overstay, Since: long[0].Touched,
			Text: fmt.Sprintf("%d machines stand longer than %d days: %s first.", len(long), int(lim.ShowroomMax/(24*time.Hour)), long[0].ID)})
	}
	rank := map[live.AlertKind]int{live.Overdue: 0, live.Problem: 1, live.CallBack: 2, live.Overstay: 3}
	slices.SortStableFunc(out, func(a, b live.Alert) int {
		return cmp.Or(cmp.Compare(rank[a.Kind], rank[b.Kind]), a.Since.Compare(b.Since))
	})
	return out
}

func place(s Sheet) queue.ResourceID {
	if len(s.Step.Resources) == 0 {
		return ""
	}
	return s.Step.Resources[0]
}

func overdue(shop *queue.Shop, s Sheet, by time.Duration) locale.Said {
	if len(s.Step.Resources) == 0 {
		return locale.Say("%s of %s is %s over its time.", s.Op.Name, s.Unit.ID, by)
	}
	held := make([]string, len(s.Step.Resources))
	for i, r := range s.Step.Resources {
		held[i] = shop.ResourceName(r)
	}
	return locale.Say("%s of %s is %s over its time. It keeps %s locked until somebody signs it off.", s.Op.Name, s.Unit.ID, by, strings.Join(held, ", "))
}

// Minutes writes a duration as people say it: "4 min", "1 h 10 min", "2 days".
func Minutes(d time.Duration) string {
	sign := ""
	if d < 0 {
		sign, d = "−", -d
	}
	m := int(d.Round(time.Minute) / time.Minute)
	switch {
	case m < 60:
		return fmt.Sprintf("%s%d min", sign, m)
	case m < 24*60 && m%60 == 0:
		return fmt.Sprintf("%s%d h", sign, m/60)
	case m < 24*60:
		return fmt.Sprintf("%s%d h %d min", sign, m/60, m%60)
	case m < 48*60:
		return sign + "1 day"
	}
	return fmt.Sprintf("%s%d days", sign, m/(24*60))
}

// Standing are all alerts: those of the bench workers, if there are any, and
// those that follow from the state.
func Standing(st *queue.State, from live.Alerts, now time.Time) []live.Alert {
	out := Alerts(st, now)
	if from == nil {
		return out
	}
	for _, a := range from.Alerts() {
		same := func(o live.Alert) bool { return o.Unit == a.Unit && o.Step == a.Step && o.Kind == a.Kind }
		if !slices.ContainsFunc(out, same) {
			out = append(out, a)
		}
	}
	return out
}

// Calibration is what a flash writes or wrote; nil for other steps, and when
// none is listed on that day.
func Calibration(st *queue.State, s Sheet, now time.Time) *queue.CalibrationRef {
	if s.Op.Kind != queue.Flash {
		return nil
	}
	if s.Step.Calibration != nil {
		return s.Step.Calibration
	}
	if c, r := st.CalibrationFor(&s.Unit.Machine, now); r == nil {
		return &queue.CalibrationRef{ID: c.ID, Revision: c.Revision}
	}
	return nil
}

// Matches reports whether a unit is meant by a text; see [Means].
func Matches(u *queue.Unit, text string) bool { return Means(text, u.ID, queue.KeyOf(u), &u.Machine) }

// Means reports whether a text means a visit of a machine: a part of its ticket,
// frame number in whatever way it is typed, plate, make or model. The empty text
// means every one.
func Means(text string, id queue.UnitID, key queue.MachineKey, m *queue.Machine) bool {
	text = strings.ToLower(strings.TrimSpace(text))
	if text == "" {
		return true
	}
	if frame := ident.Key(text); len(frame) >= 4 && strings.Contains(string(key), frame) {
		return true
	}
	for _, s := range []string{string(id), m.Plate, m.Make + " " + m.Model} {
		if strings.Contains(strings.ToLower(s), text) {
			return true
		}
	}
	return false
}
