package queue

import (
	"cmp"
	"slices"
	"time"
)

// LackKind is a kind of thing that a machine's set-up can lack.
type LackKind int

// The kinds, the worst first.
const (
	LackCampaign    LackKind = iota + 1 // it is called back
	LackCalibration                     // it has another calibration than the current one
	LackFlash                           // it was never flashed here, and there is a calibration for it
	LackEvidence                        // a step was done without what has to be read
	LackStep                            // a step is to be done
)

// Lack is one thing that is missing.
type Lack struct {
	Kind     LackKind
	Since    time.Time
	Step     StepID         // of LackStep and LackEvidence
	Field    EvidenceKey    // of LackEvidence
	Campaign *Campaign      // of LackCampaign
	Current  CalibrationRef // of LackCalibration and LackFlash: what it should have
}

// HouseUnit is a machine in the house, by its last visit, with what it lacks.
type HouseUnit struct {
	*Unit
	Record MachineRecord
	// Since is when it came into the shop, or into the showroom.
	Since time.Time
	// Overstays: it stands longer than the shop file's limit.
	Overstays bool
	Lacks     []Lack
}

// House are all machines in the shop and the showroom: those that stand too
// long first, then those that lack something, each by how long they stand.
func (s *State) House(at time.Time) []HouseUnit {
	machines := slices.DeleteFunc(s.Machines(), func(m MachineRecord) bool {
		u := m.Latest()
		return u.Status != InShop && u.Status != InShowroom
	})
	open := map[MachineKey][]*Campaign{}
	for _, id := range sortedKeys(s.Campaigns) {
		c := s.Campaigns[id]
		if !c.Closed.IsZero() {
			continue
		}
		for _, l := range s.LinesOf(machines, c, at) {
			if l.Open {
				open[l.Key] = append(open[l.Key], c)
			}
		}
	}
	var out []HouseUnit
	for _, m := range machines {
		u := m.Latest()
		h := HouseUnit{Unit: u, Record: m, Since: u.standsSince(), Overstays: s.overstays(u, at)}
		h.Lacks = s.lacks(&h, open[m.Key], at)
		out = append(out, h)
	}
	rank := func(h *HouseUnit) int {
		switch {
		case h.Overstays:
			return 0
		case len(h.Lacks) > 0:
			return 1
		}
		return 2
	}
	slices.SortFunc(out, func(a, b HouseUnit) int {
		return cmp.Or(cmp.Compare(rank(&a), rank(&b)), a.Since.Compare(b.Since), cmp.Compare(a.ID, b.ID))
	})
	return out
}

func (u *Unit) standsSince() time.Time {
	if u.Status == InShowroom {
		return u.Left
	}
	return u.Arrived
}

func (s *State) overstays(u *Unit, at time.Time) bool {
	if s.Shop == nil || s.Shop.Limits.ShowroomMax <= 0 || u.Status != InShop && u.Status != InShowroom {
		return false
	}
	return at.Sub(u.standsSince()) > s.Shop.Limits.ShowroomMax
}

// Overstayed are the machines in the house that stand longer than the shop
// file's limit, the longest first.
func (s *State) Overstayed(at time.Time) []*Unit {
	last := map[MachineKey]*Unit{} // of machines that seem to
	for _, u := range s.Units {
		if s.overstays(u, at) {
			last[KeyOf(u)] = u
		}
	}
	if len(last) == 0 {
		return nil
	}
	for _, u := range s.Units {
		key := KeyOf(u)
		if o := last[key]; o != nil && (u.Arrived.After(o.Arrived) || u.Arrived.Equal(o.Arrived) && u.ID > o.ID) {
			last[key] = u
		}
	}
	var out []*Unit
	for _, u := range last {
		if s.overstays(u, at) {
			out = append(out, u)
		}
	}
	slices.SortFunc(out, func(a, b *Unit) int {
		return cmp.Or(a.standsSince().Compare(b.standsSince()), cmp.Compare(a.ID, b.ID))
	})
	return out
}

// lacks are what a machine's set-up is without, the worst first.
func (s *State) lacks(h *HouseUnit, campaigns []*Campaign, at time.Time) []Lack {
	var out []Lack
	for _, c := range campaigns {
		since := c.Opened
		if h.Since.After(since) {
			since = h.Since
		}
		out = append(out, Lack{Kind: LackCampaign, Since: since, Campaign: c})
	}
	if cur, none := s.CalibrationFor(&h.Machine, at); none == nil {
		switch flashed := h.Record.Flashed; {
		case flashed == nil:
			out = append(out, Lack{Kind: LackFlash, Since: h.Since, Current: cur.Ref()})
		case *flashed != cur.Ref():
			out = append(out, Lack{Kind: LackCalibration, Since: released(cur, h.Since), Current: cur.Ref()})
		}
	}
	for i := range h.Steps {
		st := &h.Steps[i]
		switch {
		case !st.Settled():
			out = append(out, Lack{Kind: LackStep, Since: h.Since, Step: st.ID})
		case st.Status == Done && s.Shop != nil:
			for _, key := range s.Shop.missing(st) {
				out = append(out, Lack{Kind: LackEvidence, Since: st.Ended, Step: st.ID, Field: key})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Lack) int { return cmp.Compare(a.Kind, b.Kind) })
	return out
}

// released is when a calibration came out, but not before a moment.
func released(c *Calibration, since time.Time) time.Time {
	if t, err := time.Parse(time.DateOnly, c.Released); err == nil && t.After(since) {
		return t
	}
	return since
}

// missing is the evidence that a step should have and has not.
func (s *Shop) missing(st *Step) []EvidenceKey {
	op := s.Operation(st.Operation)
	if op == nil {
		return nil
	}
	var out []EvidenceKey
	for _, f := range op.Evidence {
		if f.Required && st.Evidence[f.Key] == "" {
			out = append(out, f.Key)
		}
	}
	return out
}
