package queuetest

import (
	"fmt"
	"time"

	"tickover/queue"
	"tickover/queue/said"
)

// Site decides commands and folds their events in memory.
type Site struct {
	State *queue.State
	Now   time.Time
	// ClosesAt and Outdoor are the conditions that commands are judged under.
	ClosesAt time.Time
	Outdoor  map[queue.ResourceID]queue.Window
	Entries  []queue.Entry

	commands int
}

// NewSite returns a site with the shop in effect on Monday at 10:00, open
// until 18:00, with daylight until 17:00.
func NewSite() *Site {
	s := &Site{State: queue.NewState("test"), Now: Monday, ClosesAt: Monday.Add(8 * time.Hour)}
	until := queue.Window{Until: Monday.Add(7 * time.Hour), Why: said.Text{Format: "dusk"}}
	s.Outdoor = map[queue.ResourceID]queue.Window{"p1": until, "l1": until}
	if _, err := s.Do("", &queue.ConfigureShop{Shop: Shop(), FileHash: "f"}); err != nil {
		panic(err)
	}
	return s
}

// Do decides an action of the actor now, and folds it.
func (s *Site) Do(actor queue.PersonID, a queue.Action) (queue.Outcome, error) {
	s.commands++
	return s.Send(queue.Command{ID: queue.CommandID(fmt.Sprintf("c%d", s.commands)), At: s.Now, Actor: actor, Action: a})
}

// Send decides a command and folds it.
func (s *Site) Send(cmd queue.Command) (queue.Outcome, error) {
	o, err := queue.Decide(s.State, queue.Conditions{Now: s.Now, ClosesAt: s.ClosesAt, Outdoor: s.Outdoor}, cmd)
	if err != nil || o.Duplicate {
		return o, err
	}
	en := o.Entry(s.State)
	if _, err := en.Encode(); err != nil {
		return o, err
	}
	en.Seq = s.State.Seq + 1
	if _, err := s.State.Apply(en); err != nil {
		return o, err
	}
	s.Entries = append(s.Entries, *en)
	return o, nil
}

// Arrive checks a unit in.
func (s *Site) Arrive(id queue.UnitID, route queue.RouteID) error {
	_, err := s.Do("", &queue.ReceiveUnit{Unit: id, Arrival: Arrival(route, s.Now.Add(6*time.Hour))})
	return err
}

// ResourcesFor names resources of the shop that the step's operation needs;
// n picks among them.
func ResourcesFor(op *queue.Operation, shop *queue.Shop, n int) []queue.ResourceID {
	var out []queue.ResourceID
	for _, need := range op.Needs {
		var fits []queue.ResourceID
		for i := range shop.Resources {
			r := &shop.Resources[i]
			if r.Kind != need.Kind || (need.Tag != "" && !has(r.Tags, need.Tag)) {
				continue
			}
			fits = append(fits, r.ID)
		}
		if len(fits) > 0 {
			out = append(out, fits[n%len(fits)])
		}
	}
	return out
}

// EvidenceFor fills in the operation's evidence with plausible values.
func EvidenceFor(op *queue.Operation, st *queue.Step, atStart bool) queue.Evidence {
	ev := queue.Evidence{}
	for _, f := range op.Evidence {
		if f.AtStart != atStart {
			continue
		}
		switch {
		case f.Key == queue.EvidenceCalibration && st.Calibration != nil:
			ev[f.Key] = string(st.Calibration.ID)
		case f.Key == queue.EvidenceRevision && st.Calibration != nil:
			ev[f.Key] = fmt.Sprint(st.Calibration.Revision)
		case f.Type == queue.YesNo:
			ev[f.Key] = "yes"
		case f.Key == "idle_rpm":
			ev[f.Key] = "1750"
		case f.Key == queue.EvidenceBattery:
			ev[f.Key] = "12.7"
		}
	}
	return ev
}

// Run starts and finishes a step with everything in order.
func (s *Site) Run(unit queue.UnitID, step queue.StepID) error {
	if err := s.Start(unit, step); err != nil {
		return err
	}
	return s.Finish(unit, step)
}

// Start starts a step as ada, with the first resources that fit.
func (s *Site) Start(unit queue.UnitID, step queue.StepID) error {
	st := s.State.Units[unit].Step(step)
	op := s.State.Shop.Operation(st.Operation)
	_, err := s.Do("ada", &queue.StartStep{Unit: unit, Step: step, Technician: "ada",
		Resources: ResourcesFor(op, s.State.Shop, 0), Evidence: EvidenceFor(op, st, true)})
	return err
}

// Finish finishes a running step as ada, after its expected time.
func (s *Site) Finish(unit queue.UnitID, step queue.StepID) error {
	st := s.State.Units[unit].Step(step)
	op := s.State.Shop.Operation(st.Operation)
	s.Now = s.Now.Add(op.Duration())
	_, err := s.Do("ada", &queue.FinishStep{Unit: unit, Step: step, Technician: "ada", Evidence: EvidenceFor(op, st, false)})
	return err
}

func has(list []string, want string) bool {
	for _, x := range list {
		if x == want {
			return true
		}
	}
	return false
}
