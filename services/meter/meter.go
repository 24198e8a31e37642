// Package meter feeds package metrics from the log, the state and the plans:
//
//	reg := metrics.NewRegistry()
//	m := meter.New(metrics.New(reg, meter.Words()))
//	m.Attach(ledger)                                   // counts from now on
//	http.Handle("/metrics", metrics.Handler(reg, func() { m.Sample(ledger.View(), now()) }))
//	ledger.ObserveRefusals(func(r *queue.Refusal) { m.Refused(r) })
//
// It keeps the little that it needs of each open unit itself, so that an entry
// costs a few map look-ups and never asks the ledger, on whose goroutine it
// runs. Time on the floor is the events' own.
//
// What it does not do: restore counters. They count what this process folded;
// history is in the log.
package meter

import (
	"errors"
	"sync"
	"time"

	"tickover/metrics"
	"tickover/queue"
	"tickover/services/ledger"
)

// Meter turns entries into metrics. All methods may be called concurrently.
type Meter struct {
	m *metrics.Metrics

	mu      sync.Mutex
	begun   bool
	pending []*queue.Entry // that came before begin knew where to start
	seq     uint64
	shop    *queue.Shop
	units   map[queue.UnitID]*visit
	runs    map[queue.Hold]*run
}

// visit is what is kept of a unit in the shop.
type visit struct {
	arrived, promise time.Time
	ready            time.Time // when its last step ended so far
	operations       map[queue.StepID]queue.OperationID
}

// run is a step that runs; its held time is accounted up to upTo.
type run struct {
	operation      *queue.Operation
	resources      []metrics.Resource
	started        time.Time
	stretch        int
	stretchStarted time.Time
	upTo           time.Time
}

// New returns a meter that feeds m.
func New(m *metrics.Metrics) *Meter {
	return &Meter{m: m, units: map[queue.UnitID]*visit{}, runs: map[queue.Hold]*run{}}
}

// Attach counts what the ledger applies from now on. The units that are in the
// shop already are known, not counted.
func (t *Meter) Attach(l *ledger.Ledger) {
	l.Observe(t.Entry)
	t.Begin(l.View())
}

// Begin takes the state at which counting starts. Entries that it contains are
// not counted; those that came meanwhile are.
func (t *Meter) Begin(st *queue.State) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.seq, t.begun = st.Seq, true
	t.setShop(st.Shop)
	for _, u := range st.OpenUnits() {
		t.adopt(u)
	}
	for _, en := range t.pending {
		t.entry(en)
	}
	t.pending = nil
}

func (t *Meter) adopt(u *queue.Unit) {
	v := &visit{arrived: u.Arrived, promise: u.Promise, operations: map[queue.StepID]queue.OperationID{}}
	t.units[u.ID] = v
	for i := range u.Steps {
		st := &u.Steps[i]
		v.operations[st.ID] = st.Operation
		if st.Ended.After(v.ready) {
			v.ready = st.Ended
		}
		if st.Status == queue.Running {
			r := t.newRun(st.Operation, st.Resources, st.Started)
			r.stretch, r.stretchStarted, r.upTo = st.Stretch, st.StretchStarted, u.Touched
			t.runs[queue.Hold{Unit: u.ID, Step: st.ID}] = r
		}
	}
}

// Entry counts one entry; made for [ledger.Ledger.Observe].
func (t *Meter) Entry(en *queue.Entry) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.begun {
		t.pending = append(t.pending, en)
		return
	}
	t.entry(en)
}

func (t *Meter) entry(en *queue.Entry) {
	if en.Seq <= t.seq {
		return
	}
	t.seq = en.Seq
	for i := range en.Events {
		e := &en.Events[i]
		t.m.Event(string(e.Type), e.Data != nil, e.ClockSuspect)
		if id, ok := e.Subject.Unit(); ok {
			t.unitEvent(id, e)
		} else if d, ok := e.Data.(*queue.ShopConfigured); ok {
			shop := d.Shop
			t.setShop(&shop)
		}
	}
	t.m.LogLast(t.seq)
}

func (t *Meter) setShop(shop *queue.Shop) {
	if shop == nil {
		return
	}
	t.shop = shop
	var rs []metrics.Resource
	for i := range shop.Resources {
		rs = append(rs, label(&shop.Resources[i]))
	}
	var ops []string
	for i := range shop.Operations {
		ops = append(ops, string(shop.Operations[i].ID))
	}
	t.m.SetShop(rs, ops)
}

func label(r *queue.Resource) metrics.Resource {
	return metrics.Resource{ID: string(r.ID), Kind: r.Kind.String()}
}

func (t *Meter) unitEvent(id queue.UnitID, e *queue.Event) {
	if d, ok := e.Data.(*queue.UnitArrived); ok {
		t.arrive(id, e.When(), d)
		return
	}
	v := t.units[id]
	if v == nil {
		return // left before this process knew it
	}
	at, key := e.When(), queue.Hold{Unit: id, Step: e.StepOf()}
	switch d := e.Data.(type) {
	case *queue.UnitAmended:
		if d.Promise != nil {
			v.promise = *d.Promise
		}
	case *queue.UnitLeft:
		t.leave(id, v, at, d)
	case *queue.ReworkOpened:
		v.operations[d.Step] = d.Operation
	case *queue.StepStarted:
		t.overrides(d.Overrides)
		t.runs[key] = t.newRun(v.operations[key.Step], d.Resources, at)
	case *queue.StepAdvanced:
		if r := t.runs[key]; r != nil {
			t.account(r, at)
			r.stretch, r.stretchStarted = d.Stretch, at
		}
	case *queue.StepDone:
		t.overrides(d.Overrides)
		v.ready = at
		t.end(v, key, metrics.OutcomeDone, at)
	case *queue.StepFailed:
		t.end(v, key, metrics.OutcomeFailed, at)
	case *queue.StepSkipped:
		v.ready = at
		t.m.StepEnded(string(v.operations[key.Step]), metrics.OutcomeSkipped, -1)
	case *queue.StepVoided:
		t.m.StepEnded(string(v.operations[key.Step]), metrics.OutcomeVoided, -1)
	}
}

func (t *Meter) arrive(id queue.UnitID, at time.Time, d *queue.UnitArrived) {
	v := &visit{arrived: at, promise: d.Promise, operations: map[queue.StepID]queue.OperationID{}}
	if t.shop != nil {
		if r := t.shop.Route(d.Route); r != nil {
			for i := range r.Steps {
				v.operations[r.Steps[i].ID] = r.Steps[i].Operation
			}
		}
	}
	t.units[id] = v
	t.m.UnitArrived(d.Ownership.String())
}

func (t *Meter) leave(id queue.UnitID, v *visit, at time.Time, d *queue.UnitLeft) {
	t.overrides(d.Overrides)
	outcome := metrics.LeftDelivered
	if d.Showroom {
		outcome = metrics.LeftShowroom
	}
	ready := v.ready
	if ready.IsZero() {
		ready = at
	}
	t.m.UnitLeft(outcome, at.Sub(v.arrived), !ready.After(v.promise))
	delete(t.units, id)
}

func (t *Meter) overrides(os []queue.Override) {
	for _, o := range os {
		t.m.Overridden(o.Interlock.String())
	}
}

func (t *Meter) newRun(op queue.OperationID, ids []queue.ResourceID, at time.Time) *run {
	r := &run{operation: &queue.Operation{ID: op}, started: at, stretchStarted: at, upTo: at}
	if t.shop == nil {
		return r
	}
	if o := t.shop.Operation(op); o != nil {
		r.operation = o
	}
	for _, id := range ids {
		if res := t.shop.Resource(id); res != nil {
			r.resources = append(r.resources, label(res))
		}
	}
	return r
}

func (t *Meter) end(v *visit, key queue.Hold, outcome string, at time.Time) {
	took := time.Duration(-1)
	if r := t.runs[key]; r != nil {
		t.account(r, at)
		took = max(0, at.Sub(r.started))
		delete(t.runs, key)
	}
	t.m.StepEnded(string(v.operations[key.Step]), outcome, took)
}

// account adds the time from r.upTo to at to what the step holds. A clock that
// went back adds nothing.
func (t *Meter) account(r *run, at time.Time) {
	if !at.After(r.upTo) {
		return
	}
	for _, part := range split(r, at) {
		for _, res := range r.resources {
			t.m.Held(res, part.state, part.d)
		}
	}
	r.upTo = at
}

type part struct {
	state metrics.HeldState
	d     time.Duration
}

// split cuts r.upTo…at into hands-off time and the waiting after it; hands-on
// time is all of one kind, pauses included.
func split(r *run, at time.Time) []part {
	if r.stretch >= len(r.operation.Stretches) || r.operation.Stretches[r.stretch].HandsOn {
		return []part{{metrics.HandsOn, at.Sub(r.upTo)}}
	}
	over := r.stretchStarted.Add(r.operation.Stretches[r.stretch].Duration)
	if over.Before(r.upTo) {
		over = r.upTo
	}
	if over.After(at) {
		over = at
	}
	return []part{{metrics.HandsOff, over.Sub(r.upTo)}, {metrics.Waiting, at.Sub(over)}}
}

// Refused counts err if it is a refusal.
func (t *Meter) Refused(err error) {
	var r *queue.Refusal
	if !errors.As(err, &r) {
		return
	}
	interlock := ""
	if r.Interlock > 0 {
		interlock = r.Interlock.String()
	}
	t.m.Refused(string(r.Code), interlock)
}
