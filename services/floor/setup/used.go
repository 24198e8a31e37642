package setup

import "tickover/queue"

// Used is what units in the shop need, with one unit that does.
type Used struct {
	Resources map[queue.ResourceID]queue.UnitID
	People    map[queue.PersonID]queue.UnitID
}

// UsedBy tells what open steps hold, were pinned to or were taken on by.
func UsedBy(st *queue.State) Used {
	u := Used{map[queue.ResourceID]queue.UnitID{}, map[queue.PersonID]queue.UnitID{}}
	for r, holds := range st.Holds {
		if len(holds) > 0 {
			u.Resources[r] = holds[0].Unit
		}
	}
	for _, unit := range st.OpenUnits() {
		for i := range unit.Steps {
			s := &unit.Steps[i]
			if s.Settled() {
				continue
			}
			if s.Accepted != nil {
				u.step(unit.ID, s.Accepted.Technician, s.Accepted.Resources)
			}
			if s.Pin != nil {
				u.step(unit.ID, s.Pin.Technician, s.Pin.Resources)
			}
			if s.Status == queue.Running {
				u.step(unit.ID, s.Technician, s.Resources)
			}
		}
	}
	return u
}

func (u Used) step(unit queue.UnitID, who queue.PersonID, what []queue.ResourceID) {
	if who != "" {
		u.People[who] = unit
	}
	for _, r := range what {
		u.Resources[r] = unit
	}
}
