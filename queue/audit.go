package queue

import (
	"fmt"
	"slices"
)

// Audit looks for what must never be, whatever commands came in: the
// interlocks that nobody can override, and a state that contradicts itself. It
// shares no code with Decide. It returns one sentence for each finding, in
// order; none is as it should be.
func (s *State) Audit() []string {
	if s.Shop == nil {
		return nil
	}
	var found []string
	say := func(format string, args ...any) { found = append(found, fmt.Sprintf(format, args...)) }
	users := map[ResourceID][]Hold{}
	for _, id := range sortedKeys(s.Units) {
		u := s.Units[id]
		s.auditUnit(u, users, say)
	}
	s.auditHolds(users, say)
	return found
}

func (s *State) auditUnit(u *Unit, users map[ResourceID][]Hold, say func(string, ...any)) {
	var running []*Step
	for i := range u.Steps {
		st := &u.Steps[i]
		if st.Status != Running {
			continue
		}
		running = append(running, st)
		for _, r := range st.Resources {
			users[r] = append(users[r], Hold{u.ID, st.ID})
		}
		op := s.Shop.Operation(st.Operation)
		if op != nil && op.Engine {
			for _, id := range st.Resources {
				if r := s.Shop.Resource(id); r != nil && r.Kind == Bench {
					say("I7: the engine of unit %s runs at bench %s (step %s)", u.ID, id, st.ID)
				}
			}
			if !slices.ContainsFunc(st.Resources, func(id ResourceID) bool {
				r := s.Shop.Resource(id)
				return r != nil && (r.Kind == Pad || r.Kind == Loop)
			}) {
				say("I7: the engine of unit %s runs at no outdoor place (step %s)", u.ID, st.ID)
			}
		}
	}
	if len(running) > 0 && u.Status != InShop {
		say("unit %s has left while step %s runs", u.ID, running[0].ID)
	}
	for i, a := range running {
		for _, b := range running[i+1:] {
			if a.Kind == Flash || b.Kind == Flash {
				say("I2: steps %s and %s of unit %s run while one of them is a flash", a.ID, b.ID, u.ID)
			} else if !slices.Contains(a.Parallel, b.ID) && !slices.Contains(b.Parallel, a.ID) {
				say("steps %s and %s of unit %s run at once and are not parallel", a.ID, b.ID, u.ID)
			}
		}
	}
	if u.Status != InShop {
		s.auditLeft(u, say)
	}
}

// auditLeft looks at a unit that left: every step settled and its evidence
// there, unless a foreman's override says otherwise.
func (s *State) auditLeft(u *Unit, say func(string, ...any)) {
	if u.LeftOver {
		return
	}
	if u.Rework != "" {
		say("I13: unit %s left with rework open", u.ID)
	}
	for i := range u.Steps {
		st := &u.Steps[i]
		switch {
		case st.Status == Todo || st.Status == Running:
			say("I11: unit %s left with step %s %s", u.ID, st.ID, st.Status)
		case st.Status == Done && len(st.Overrides) == 0:
			op := s.Shop.Operation(st.Operation)
			if op == nil {
				continue
			}
			for _, f := range op.Evidence {
				if f.Required && st.Evidence[f.Key] == "" {
					say("I11: unit %s left without %s of step %s", u.ID, f.Key, st.ID)
				}
			}
		}
	}
}

func (s *State) auditHolds(users map[ResourceID][]Hold, say func(string, ...any)) {
	for i := range s.Shop.Resources {
		r := &s.Shop.Resources[i]
		if n := len(users[r.ID]); n > max(1, r.Capacity) {
			say("I1: %d steps hold %s, which takes %d: %v", n, r.ID, max(1, r.Capacity), users[r.ID])
		}
	}
	for _, id := range sortedKeys(s.Holds) {
		for _, h := range s.Holds[id] {
			if !slices.Contains(users[id], h) {
				say("%s is held by step %s of unit %s, which does not run on it", id, h.Step, h.Unit)
			}
		}
	}
	for _, id := range sortedKeys(users) {
		for _, h := range users[id] {
			if !slices.Contains(s.Holds[id], h) {
				say("step %s of unit %s runs on %s, which counts as free", h.Step, h.Unit, id)
			}
		}
	}
}
