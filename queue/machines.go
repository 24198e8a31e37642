package queue

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"tickover/queue/ident"
)

// KeyOf names a machine over its visits: by the frame number, in whatever way
// it was typed ([ident.Key]), or, without one, by the visit.
func KeyOf(u *Unit) MachineKey {
	if u.key != "" {
		return u.key
	}
	if key := ident.Key(u.Machine.Frame); key != "" {
		return MachineKey(key)
	}
	return MachineKey(visitKey + u.ID)
}

// visitKey begins the key of a machine without a frame number.
const visitKey = "unit/"

// MachineRecord is a machine with all its visits.
type MachineRecord struct {
	Key    MachineKey
	Visits []*Unit // the oldest first, at least one
	// Flashed is the calibration that was flashed last here; nil: none was, or
	// what the controller holds is not known, since FlashedAt and for the reason
	// Unsure.
	Flashed   *CalibrationRef
	FlashedAt time.Time
	FlashedIn UnitID
	Unsure    Unsure
}

// Written is what a visit wrote to the machine's controller, or what made that
// unknown.
type Written struct {
	At     time.Time       `json:"at"`
	Ref    *CalibrationRef `json:"calibration,omitempty"` // nil: not known, see Unsure
	Unsure Unsure          `json:"unsure,omitempty"`
}

// Unsure is why it is not known what a controller holds; 0: it is known.
type Unsure int

// The reasons.
const (
	FlashFailed   Unsure = iota + 1 // a flash ended without success
	ReadOtherwise                   // another calibration was read back than was begun
	ControllerNew                   // the controller was replaced
)

var unsures = names[Unsure]{"reason", []string{"", "flash-failed", "read-otherwise", "controller-new"}}

func (u Unsure) String() string { return unsures.text(u) }

// Latest is the last visit.
func (m *MachineRecord) Latest() *Unit { return m.Visits[len(m.Visits)-1] }

// machines are the visits of each machine that has a frame number, by its key.
// What many states share is in base, which nobody changes; what came since is
// in fresh, which each state has for itself and which hides what base has under
// the same key. So a View costs what is fresh, not all machines.
type machines struct {
	base, fresh map[MachineKey][]UnitID
}

// freshMax is how large fresh may grow beside base before the two become one:
// each machine is then moved some eight times in all.
func (m *machines) freshMax() int { return 64 + len(m.base)/8 }

func (m *machines) clone() machines { return machines{m.base, maps.Clone(m.fresh)} }

func (m *machines) visits(key MachineKey) []UnitID {
	if ids, ok := m.fresh[key]; ok {
		return ids
	}
	return m.base[key]
}

func (m *machines) add(u *Unit) {
	key := KeyOf(u)
	u.key = key // a frame number does not change
	if strings.HasPrefix(string(key), visitKey) {
		return
	}
	ids := m.visits(key)
	if slices.Contains(ids, u.ID) {
		return
	}
	if m.fresh == nil {
		m.fresh = map[MachineKey][]UnitID{}
	}
	m.fresh[key] = append(slices.Clip(ids), u.ID)
	if len(m.fresh) > m.freshMax() {
		base := make(map[MachineKey][]UnitID, len(m.base)+len(m.fresh))
		maps.Copy(base, m.base)
		maps.Copy(base, m.fresh)
		m.base, m.fresh = base, nil
	}
}

// Machines are all that were ever here, by key.
func (s *State) Machines() []MachineRecord {
	place := make(map[MachineKey]int, len(s.Units))
	out := make([]MachineRecord, 0, len(s.machines.base)+len(s.machines.fresh))
	for _, u := range s.Units {
		key := KeyOf(u)
		i, ok := place[key]
		if !ok {
			i = len(out)
			place[key] = i
			out = append(out, MachineRecord{Key: key})
		}
		out[i].Visits = append(out[i].Visits, u)
	}
	for i := range out {
		out[i].settle()
	}
	slices.SortFunc(out, func(a, b MachineRecord) int { return cmp.Compare(a.Key, b.Key) })
	return out
}

// Machine is the record of one unit's machine; the unit need not have arrived.
func (s *State) Machine(u *Unit) MachineRecord {
	m := s.visitsOf(KeyOf(u))
	if !slices.ContainsFunc(m.Visits, func(v *Unit) bool { return v.ID == u.ID }) {
		if own := s.Units[u.ID]; own != nil {
			u = own
		}
		m.Visits = append(m.Visits, u)
	}
	m.settle()
	return m
}

// MachineByKey is the record of a machine by its key, or by its frame number
// as it is typed: case, blanks and hyphens don't matter, nor O for 0 or I for 1.
func (s *State) MachineByKey(key MachineKey) (MachineRecord, bool) {
	m := s.visitsOf(key)
	if len(m.Visits) == 0 && !strings.HasPrefix(string(key), visitKey) {
		m = s.visitsOf(foldKey(key))
	}
	if len(m.Visits) == 0 {
		return m, false
	}
	m.settle()
	return m, true
}

// HereByFrame is the visit of a machine that is in the shop, by its frame number
// as it is typed; nil if there is none. Of several it is the newest.
func (s *State) HereByFrame(frame string) *Unit {
	m, _ := s.MachineByKey(MachineKey(frame))
	for _, u := range slices.Backward(m.Visits) {
		if u.Status == InShop {
			return u
		}
	}
	return nil
}

func (s *State) visitsOf(key MachineKey) MachineRecord {
	m := MachineRecord{Key: key}
	if id, ok := strings.CutPrefix(string(key), visitKey); ok {
		if u := s.Units[UnitID(id)]; u != nil && KeyOf(u) == key {
			m.Visits = append(m.Visits, u)
		}
		return m
	}
	for _, id := range s.machines.visits(key) {
		if u := s.Units[id]; u != nil {
			m.Visits = append(m.Visits, u)
		}
	}
	return m
}

func (m *MachineRecord) settle() {
	slices.SortFunc(m.Visits, func(a, b *Unit) int { return cmp.Or(a.Arrived.Compare(b.Arrived), cmp.Compare(a.ID, b.ID)) })
	for _, u := range m.Visits {
		for _, w := range u.Written {
			if !w.At.Before(m.FlashedAt) {
				m.Flashed, m.FlashedAt, m.FlashedIn, m.Unsure = w.Ref, w.At, u.ID, w.Unsure
			}
		}
	}
}

// foldKey is a key as [KeyOf] makes it of what somebody typed, or of what an
// older program wrote.
func foldKey(key MachineKey) MachineKey {
	if strings.HasPrefix(string(key), visitKey) {
		return key
	}
	return MachineKey(ident.Key(string(key)))
}

// House reports whether the machine belongs to the shop: a new one or a
// trade-in that nobody has bought yet.
func (u *Unit) House() bool { return u.Ownership != CustomerUnit && u.Status != Delivered }

// changedHands reports whether the machine got another owner after a moment:
// it was traded in or sold, came back with somebody else, or is said to be
// somebody else's.
func (m *MachineRecord) changedHands(since time.Time) bool {
	var owner ContactID
	for _, u := range m.Visits {
		switch {
		case u.Arrived.After(since) && (u.Ownership == TradeIn || owner != "" && u.Contact != "" && u.Contact != owner):
			return true
		case u.NewOwner.After(since):
			return true
		case u.Left.After(since) && u.Status == Delivered && u.Ownership != CustomerUnit:
			return true
		}
		owner = cmp.Or(u.Contact, owner)
	}
	return false
}
