package dispatch

import (
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/scheduler/calendar"
	"tickover/scheduler/model"
	"tickover/services/almanac"
)

// Ahead says that a planned step may begin before its time, because its
// technician has nothing to do till then.
type Ahead struct {
	// Until is the last moment at which a start delays nothing else.
	Until time.Time `json:"until"`
	Why   string    `json:"why"`
	Say   said.Text `json:"say,omitzero"`
}

// Reason is why it may begin now, to be said in the reader's language.
func (a *Ahead) Reason() said.Text { return or(a.Say, a.Why) }

// aheadTries bounds how many of a technician's steps are looked at.
const aheadTries = 50

// markAhead tells whoever has nothing to do now by p, which is made or rolled
// for st and nobody else's yet, of his first step that he may begin before its
// time: one that the interlocks let begin, all of whose resources are free, and
// that delays nothing that is planned earlier, or that moving has a price for.
// The plan itself stays as it is: it is the person who goes ahead.
//
// A plan keeps breaks and the ends of shifts to the minute, though lengths are
// not known to the minute: what would end just after closing comes the next
// morning. So what is all that is left of a unit that is late by the plan may
// run over by [overrunMax], if its technician wants to.
func markAhead(st *queue.State, p *Plan, a *almanac.Almanac, now time.Time) {
	m := marker{st: st, p: p, a: a, now: now, busy: handsOn(st)}
	for _, u := range st.OpenUnits() {
		for i := range u.Steps {
			if s := &u.Steps[i]; s.Status == queue.Todo && s.Accepted != nil {
				m.busy[s.Accepted.Technician] = true
			}
		}
	}
	for i := range p.Steps {
		p.Steps[i].Ahead = nil
	}
	for i := range st.Shop.Technicians {
		if t := st.Shop.Technicians[i].ID; !m.busy[t] {
			m.mark(t)
		}
	}
}

type marker struct {
	st   *queue.State
	p    *Plan
	a    *almanac.Almanac
	now  time.Time
	busy map[queue.PersonID]bool
	cond *queue.Conditions

	// While a step is looked at:
	until time.Time
	over  bool // into a break, or over the end of the shift, if it begins by until
}

// mark looks for the technician's step.
func (m *marker) mark(t queue.PersonID) {
	shift := m.a.Shifts(t, m.st.Absences[t], m.now, m.now.Add(24*time.Hour))
	work := shift.Subtract(m.a.Breaks(t, m.now, m.now.Add(24*time.Hour)))
	if !work.Contains(m.now) {
		return
	}
	tries := 0
	for i := range m.p.Steps {
		ps := &m.p.Steps[i]
		if ps.Running || ps.Technician != t {
			continue
		}
		if !ps.Start.After(m.now.Add(slack)) {
			return // it is time for it
		}
		if tries++; tries > aheadTries {
			return
		}
		if m.may(ps, shift, work) {
			ps.Ahead = &Ahead{Until: m.until.UTC(), Say: m.reason()}
			ps.Ahead.Why = ps.Ahead.Say.String()
			return
		}
	}
}

func (m *marker) reason() said.Text {
	until := said.When(m.until, m.now.In(m.a.Location()))
	if m.over {
		return said.Say("may begin now, before its time, if you let it run some minutes into your break or over the end of your shift: it is late, and then it is ready. Nothing that is planned is delayed if it begins by %s", until)
	}
	return said.Say("may begin now, before its time: hands and all it needs are free, and nothing that is planned is delayed if it begins by %s", until)
}

// may says that the step may begin now, and sets until when.
func (m *marker) may(ps *PlannedStep, shift, work calendar.Set) bool {
	u := m.st.Units[ps.Unit]
	if u == nil || u.Held || m.now.Before(u.Parts[ps.Step]) {
		return false
	}
	s := u.Step(ps.Step)
	op := m.st.Shop.Operation(ps.Operation)
	if s == nil || op == nil || s.Status != queue.Todo || s.Problem != "" && s.Pin == nil || s.Pin != nil && s.Pin.Start != nil || m.followed(u, s) {
		return false
	}
	length, hands := m.lengths(ps, op)
	m.until = ps.Start
	end, _ := work.OpenUntil(m.now)
	if m.over = m.now.Add(hands).After(end) && m.lastOfLate(u, s); m.over {
		end = end.Add(overrunMax)
	}
	m.before(end, hands)
	if op.Kind == queue.Flash || op.Engine { // somebody is there throughout
		end, _ = shift.OpenUntil(m.now)
		m.before(end, length)
	}
	soon := later(ps.Start, m.now.Add(time.Duration(model.ShopWeights().MoveWindow)*time.Minute))
	for i := range m.p.Steps {
		if o := &m.p.Steps[i]; o != ps {
			m.yield(ps, o, soon, length, hands)
		}
	}
	return m.until.After(m.now) && m.allowed(ps)
}

// overrunMax is how long the last step of a late unit may run into a break, or
// over the end of a shift (common practice, no source).
const overrunMax = 10 * time.Minute

// lastOfLate says that the unit misses its promise by the plan, and that nothing
// is left of it but the step.
func (m *marker) lastOfLate(u *queue.Unit, s *queue.Step) bool {
	for i := range u.Steps {
		if x := &u.Steps[i]; x.ID != s.ID && !x.Settled() {
			return false
		}
	}
	return slices.ContainsFunc(m.p.Units, func(f UnitForecast) bool { return f.Unit == u.ID && f.LateMin > 0 })
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// before notes that something of a length has to be over by a moment.
func (m *marker) before(end time.Time, length time.Duration) {
	if end = end.Add(-length); end.Before(m.until) {
		m.until = end
	}
}

// yield notes what another step needs of what this one would take.
func (m *marker) yield(ps, o *PlannedStep, soon time.Time, length, hands time.Duration) {
	if !o.Running && o.Start.Before(soon) && m.share(ps, o) {
		m.before(o.Start, length)
	}
	for i := range o.Stretches {
		x := &o.Stretches[i]
		if x.End.After(m.now) && x.Start.Before(soon) && slices.Contains(x.Technicians, ps.Technician) {
			m.before(x.Start, hands)
		}
	}
}

// share says that both need a resource that only one can have.
func (m *marker) share(a, b *PlannedStep) bool {
	return slices.ContainsFunc(a.Resources, func(id queue.ResourceID) bool {
		r := m.st.Shop.Resource(id)
		return r != nil && r.Capacity <= 1 && slices.Contains(b.Resources, id)
	})
}

// lengths are how long the step takes without waiting, and how long it needs
// its technician at first: throughout, if he has to be there when the machine is
// done.
func (m *marker) lengths(ps *PlannedStep, op *queue.Operation) (length, hands time.Duration) {
	whole := false
	for i := range ps.Stretches {
		x := &ps.Stretches[i]
		d := x.End.Sub(x.Start)
		for k, part := range x.Parts { // without the break that it has as planned
			if k == 0 {
				d = 0
			}
			d += part.End.Sub(part.Start)
		}
		length += d
		if i == 0 && x.HandsOn {
			hands = d
		}
		whole = whole || i < len(op.Stretches) && !op.Stretches[i].HandsOn && op.Stretches[i].MaxWait >= 0
	}
	if whole {
		hands = length
	}
	return length, hands
}

// followed says that something has to come soon after the step, and so may be
// missed if it is early.
func (m *marker) followed(u *queue.Unit, s *queue.Step) bool {
	for i := range u.Steps {
		for _, after := range u.Steps[i].After {
			if after.Step == s.ID && after.Max >= 0 && !u.Steps[i].Settled() {
				return true
			}
		}
	}
	return false
}

// allowed asks the interlocks.
func (m *marker) allowed(ps *PlannedStep) bool {
	if m.cond == nil {
		c := m.a.Conditions(m.st, m.now, m.now)
		m.cond = &c
	}
	_, err := queue.Decide(m.st, *m.cond, queue.Command{ID: "ahead", At: m.now, Action: &queue.StartStep{
		Unit: ps.Unit, Step: ps.Step, Technician: ps.Technician, Resources: ps.Resources,
	}})
	return err == nil
}
