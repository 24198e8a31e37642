package queue

import (
	"fmt"
	"maps"
	"slices"
	"time"
)

// Apply folds one entry into the state. An entry that was applied before, by
// its sequence or its command, changes nothing and returns false.
//
// It returns [ErrChain] when the entry or one of its events does not follow
// what was applied before; the state is then as it was. Entries must have been
// decoded or encoded, so that they carry their hashes. An entry with Seq 0 is
// taken to follow.
func (s *State) Apply(en *Entry) (bool, error) {
	if en.Seq != 0 && en.Seq <= s.Seq {
		return false, nil
	}
	if s.Seen(en.Command()) {
		s.advance(en)
		return false, nil
	}
	if err := s.checkChain(en); err != nil {
		return false, err
	}
	for i := range en.Events {
		s.applyEvent(&en.Events[i], en.Seq)
	}
	s.remember(en.Command())
	s.advance(en)
	return true, nil
}

func (s *State) advance(en *Entry) {
	if en.Seq != 0 {
		s.Seq = en.Seq
	}
	s.LastEntry = en.hash
}

// checkChain verifies the entry's links before anything is changed.
func (s *State) checkChain(en *Entry) error {
	if en.Prev != s.LastEntry {
		return fmt.Errorf("%w: entry %d (command %s) follows entry %.12s…, the state ends with %.12s…",
			ErrChain, en.Seq, en.Command(), en.Prev, s.LastEntry)
	}
	ends := map[Subject]link{}
	for i := range en.Events {
		e := &en.Events[i]
		end, ok := ends[e.Subject]
		if !ok {
			end = s.linkOf(e.Subject)
		}
		if e.N != end.N+1 || e.Prev != end.Hash {
			return fmt.Errorf("%w: event %s of %s in entry %d is number %d after %.12s…, expected number %d after %.12s…",
				ErrChain, e.ID, e.Subject, en.Seq, e.N, e.Prev, end.N+1, end.Hash)
		}
		if e.hash == "" {
			return fmt.Errorf("%w: event %s was never encoded", ErrChain, e.ID)
		}
		ends[e.Subject] = link{e.N, e.hash}
	}
	return nil
}

func (s *State) applyEvent(e *Event, seq uint64) {
	s.Events++
	if e.Data == nil {
		s.Unknown[e.Type]++
	}
	id, ok := e.Subject.Unit()
	if !ok {
		s.shop = link{e.N, e.hash}
		s.applyShop(e)
		return
	}
	if d, ok := e.Data.(*UnitArrived); ok {
		s.Units[id] = s.arrive(id, e, d)
		s.machines.add(s.Units[id])
	}
	u := s.own(id)
	if u == nil { // an unknown kind came first; keep its link
		u = &Unit{ID: id, epoch: s.epoch}
		s.Units[id] = u
	}
	u.Link = link{e.N, e.hash}
	if seq != 0 && (len(u.Entries) == 0 || u.Entries[len(u.Entries)-1] != seq) {
		u.Entries = append(u.Entries, seq)
	}
	if w := e.When(); w.After(u.Touched) {
		u.Touched = w
	}
	s.applyUnit(u, e)
}

func (s *State) applyShop(e *Event) {
	switch d := e.Data.(type) {
	case *ShopConfigured:
		shop := d.Shop
		shop.location = shop.Location()
		s.Shop, s.ShopFile = &shop, d.FileHash
		s.catalogued()
	case *CalibrationsListed:
		s.list(d)
	case *CalibrationWithdrawn:
		s.withdraw(d)
	case *CampaignOpened:
		s.Campaigns[d.ID] = &Campaign{ID: d.ID, Title: d.Title, Calibration: d.Calibration, Bulletin: d.Bulletin, ForCaller: d.ForCaller, Opened: e.When()}
	case *CampaignClosed:
		s.campaign(d.ID, func(c *Campaign) { c.Closed, c.Reason = e.When(), d.Reason })
	case *CampaignContacted:
		s.campaign(d.ID, func(c *Campaign) {
			c.Contacts = maps.Clone(c.Contacts)
			if c.Contacts == nil {
				c.Contacts = map[MachineKey]CampaignContact{}
			}
			c.Contacts[foldKey(d.Machine)] = CampaignContact{d.State, e.When(), e.Actor, d.Slot, d.Note}
		})
	case *ResourceClosed:
		c := Closure{d.From, d.Until, d.Reason}
		if d.Resource != "" {
			s.Closures[d.Resource] = append(slices.Clip(s.Closures[d.Resource]), c)
		} else {
			s.Absences[d.Technician] = append(slices.Clip(s.Absences[d.Technician]), c)
		}
	case *ResourceOpened:
		if d.Resource != "" {
			reopen(s.Closures, d.Resource, d.Only)
		} else {
			reopen(s.Absences, d.Technician, d.Only)
		}
	}
}

// reopen takes one closure back, or all.
func reopen[K comparable](closed map[K][]Closure, what K, only *Closure) {
	var rest []Closure
	if only != nil {
		rest = slices.DeleteFunc(slices.Clone(closed[what]), only.same)
	}
	if len(rest) == 0 {
		delete(closed, what)
		return
	}
	closed[what] = rest
}

func (s *State) arrive(id UnitID, e *Event, d *UnitArrived) *Unit {
	u := &Unit{
		ID: id, Machine: d.Machine, Ownership: d.Ownership, Contact: d.Contact,
		Route: d.Route, Promise: d.Promise, Weight: d.Weight, Parts: d.Parts,
		Note: d.Note, Arrival: d.Hash(), Status: InShop, Arrived: e.When(),
	}
	if s.Shop == nil {
		return u
	}
	if r := s.Shop.Route(d.Route); r != nil {
		u.Steps = s.Shop.stepsOf(r, d.Options)
	}
	return u
}

// stepsOf builds a visit's steps. A step that waits for an optional step which
// was not asked for waits for that step's own predecessors instead.
func (s *Shop) stepsOf(r *Route, options []StepID) []Step {
	taken := func(rs *RouteStep) bool { return !rs.Optional || slices.Contains(options, rs.ID) }
	var afterOf func(rs *RouteStep, depth int) []After
	afterOf = func(rs *RouteStep, depth int) []After {
		var out []After
		for _, a := range rs.After {
			before := find(r.Steps, func(x *RouteStep) bool { return x.ID == a.Step })
			switch {
			case before == nil || depth > len(r.Steps):
			case taken(before):
				if !slices.ContainsFunc(out, func(x After) bool { return x.Step == a.Step }) {
					out = append(out, a)
				}
			default:
				out = append(out, afterOf(before, depth+1)...)
			}
		}
		return out
	}
	var steps []Step
	for i := range r.Steps {
		rs := &r.Steps[i]
		op := s.Operation(rs.Operation)
		if !taken(rs) || op == nil {
			continue
		}
		steps = append(steps, Step{
			ID: rs.ID, Operation: rs.Operation, Kind: op.Kind, Status: Todo,
			After: afterOf(rs, 0), Parallel: rs.Parallel,
		})
	}
	return steps
}

// applyUnit changes u, which the state owns with its steps; maps and slices of
// the steps are still shared and are copied before they change.
func (s *State) applyUnit(u *Unit, e *Event) {
	switch d := e.Data.(type) {
	case *UnitAmended:
		if d.Contact != nil {
			u.belongs(*d.Contact, e.When())
		}
		u.amend(d)
		if d.NewController {
			u.wrote(Written{At: e.When(), Unsure: ControllerNew})
		}
	case *UnitLeft:
		u.Status, u.Left, u.LeftOver = Delivered, e.When(), len(d.Overrides) > 0
		if d.Contact != "" {
			u.belongs(d.Contact, e.When())
		}
		if d.Showroom {
			u.Status = InShowroom
		}
	case *UnitSold:
		u.Status, u.Left, u.Sold, u.LeftOver = Delivered, e.When(), e.When(), u.LeftOver || len(d.Overrides) > 0
		u.Contact = d.Contact
	case *ReworkOpened:
		u.openRework(d, s.Shop)
	case *StepsAdded:
		u.addSteps(d, s.Shop)
	default:
		s.applyStep(u, e)
	}
}

// belongs takes down whose the unit is.
func (u *Unit) belongs(who ContactID, at time.Time) {
	if u.Contact != "" && u.Contact != who {
		u.NewOwner = at
	}
	u.Contact = who
}

func (u *Unit) amend(d *UnitAmended) {
	if d.Promise != nil {
		u.Promise = *d.Promise
	}
	if d.Weight != nil {
		u.Weight = *d.Weight
	}
	if d.Fitment != nil {
		u.Machine.Fitment = *d.Fitment
	}
	if d.Variant != nil {
		u.Machine.Variant = *d.Variant
	}
	if d.Family != nil {
		u.Machine.Family = *d.Family
	}
	if d.Note != nil {
		u.Note = *d.Note
	}
	if d.Held != nil {
		u.Held = *d.Held
	}
	if len(d.Parts) > 0 {
		parts := maps.Clone(u.Parts)
		if parts == nil {
			parts = map[StepID]time.Time{}
		}
		maps.Copy(parts, d.Parts)
		u.Parts = parts
	}
}

func (u *Unit) openRework(d *ReworkOpened, shop *Shop) {
	u.Rework = d.Reason
	at := slices.IndexFunc(u.Steps, func(st Step) bool { return st.ID == d.Before })
	if at < 0 || shop == nil {
		return
	}
	op := shop.Operation(d.Operation)
	if op == nil {
		return
	}
	before := &u.Steps[at]
	before.After = append(slices.Clip(before.After), After{Step: d.Step, Max: -1})
	u.Steps = slices.Insert(u.Steps, at, Step{
		ID: d.Step, Operation: d.Operation, Kind: op.Kind, Status: Todo, Why: d.Reason,
	})
}

func (s *State) applyStep(u *Unit, e *Event) {
	id := stepOf(e.Data)
	i := slices.IndexFunc(u.Steps, func(st Step) bool { return st.ID == id })
	if id == "" || i < 0 {
		return
	}
	st := &u.Steps[i]
	switch d := e.Data.(type) {
	case *AssignmentAccepted:
		st.Accepted = &Acceptance{d.Technician, d.Resources, e.When()}
	case *AssignmentReturned:
		st.Accepted = nil
	case *StepStarted:
		s.start(u, st, d, e.When())
	case *StepAdvanced:
		if st.Status == Running {
			st.Stretch, st.StretchStarted = d.Stretch, e.When()
			if d.Technician != "" {
				st.Technician = d.Technician
			}
		}
	case *StepDone:
		s.finish(u, st, d, e.When())
	case *StepFailed:
		s.release(u.ID, st)
		st.Status, st.Ended, st.Why = Todo, e.When(), d.Reason
		st.Evidence = merge(st.Evidence, d.Evidence)
		u.believe(d.Evidence, nil)
		if st.Kind == Flash {
			u.wrote(Written{At: e.When(), Unsure: FlashFailed})
		}
	case *StepVoided:
		st.Status, st.Why = Todo, d.Why
	case *StepReopened:
		st.Status, st.Why = Todo, d.Reason
	case *StepSkipped:
		st.Status, st.Why, st.Accepted = Skipped, d.Reason, nil
	case *StepPinned:
		pin := d.Pin
		st.Pin = &pin
	case *StepUnpinned:
		st.Pin = nil
	case *ProblemReported:
		st.Problem = d.Reason
	}
}

func (s *State) start(u *Unit, st *Step, d *StepStarted, at time.Time) {
	*st = Step{
		ID: st.ID, Operation: st.Operation, Kind: st.Kind, After: st.After,
		Parallel: st.Parallel, Status: Running, Runs: st.Runs + 1,
		Started: at, StretchStarted: at,
		Expected:   time.Duration(d.ExpectedS) * time.Second,
		Technician: d.Technician, Resources: d.Resources, Evidence: d.Evidence,
		Calibration: d.Calibration, Overrides: d.Overrides,
	}
	for _, r := range d.Resources {
		s.Holds[r] = append(slices.Clip(s.Holds[r]), Hold{u.ID, st.ID})
	}
	u.believe(d.Evidence, nil)
}

func (s *State) finish(u *Unit, st *Step, d *StepDone, at time.Time) {
	s.release(u.ID, st)
	st.Status, st.Ended, st.Problem, st.Why = Done, at, "", ""
	st.Technician = d.Technician
	st.Evidence = merge(st.Evidence, d.Evidence)
	st.Flags = append(slices.Clip(st.Flags), d.Flags...)
	st.Overrides = append(slices.Clip(st.Overrides), d.Overrides...)
	u.believe(d.Evidence, d.Flags)
	switch {
	case st.Kind == TestRide:
		u.Rework = ""
	case st.Kind == Flash && st.Unlike():
		u.wrote(Written{At: at, Unsure: ReadOtherwise})
	case st.Kind == Flash && st.Calibration != nil:
		u.wrote(Written{At: at, Ref: st.Calibration})
	}
}

func (u *Unit) wrote(w Written) { u.Written = append(slices.Clip(u.Written), w) }

// release frees what the step holds; the step keeps the names for its history.
func (s *State) release(u UnitID, st *Step) {
	for _, r := range st.Resources {
		rest := slices.DeleteFunc(slices.Clone(s.Holds[r]), func(h Hold) bool { return h == Hold{u, st.ID} })
		if len(rest) == 0 {
			delete(s.Holds, r)
		} else {
			s.Holds[r] = rest
		}
	}
}

// believe takes readings over as the unit's last ones, but for flagged ones.
func (u *Unit) believe(ev Evidence, flags []Flag) {
	take := func(key EvidenceKey, to **float64) {
		if slices.ContainsFunc(flags, func(f Flag) bool { return f.Key == key }) {
			return
		}
		if text := ev[key]; text != "" {
			if v, ok := number(text); ok {
				*to = &v
			}
		}
	}
	take(EvidenceOdometer, &u.OdometerKM)
	take(EvidenceEngineHours, &u.EngineH)
}

func merge(a, b Evidence) Evidence {
	if len(b) == 0 {
		return a
	}
	out := maps.Clone(a)
	if out == nil {
		out = Evidence{}
	}
	maps.Copy(out, b)
	return out
}

// stepOf returns the step that an event speaks of, empty if none.
func stepOf(d Data) StepID {
	switch d := d.(type) {
	case *AssignmentAccepted:
		return d.Step
	case *AssignmentReturned:
		return d.Step
	case *StepStarted:
		return d.Step
	case *StepAdvanced:
		return d.Step
	case *StepDone:
		return d.Step
	case *StepFailed:
		return d.Step
	case *StepVoided:
		return d.Step
	case *StepReopened:
		return d.Step
	case *StepSkipped:
		return d.Step
	case *StepPinned:
		return d.Step
	case *StepUnpinned:
		return d.Step
	case *ProblemReported:
		return d.Step
	}
	return ""
}

// StepOf returns the step that the event speaks of, empty if none.
func (e *Event) StepOf() StepID { return stepOf(e.Data) }
