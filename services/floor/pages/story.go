package pages

import (
	"fmt"
	"slices"
	"strings"

	"tickover/queue"
)

// tell puts an event in words.
func tell(b *Base, u *queue.Unit, e *queue.Event) Told {
	t := Told{At: e.When(), Received: e.Received, Suspect: e.ClockSuspect, Who: b.Name(e.Actor), Hash: e.Hash(), N: e.N}
	step := func(id queue.StepID) string {
		if st := u.Step(id); st != nil {
			return b.Operation(st.Operation)
		}
		return words(string(id))
	}
	_, verb, _ := strings.Cut(string(e.Type), ".")
	switch d := e.Data.(type) {
	case *queue.UnitArrived:
		t.What = fmt.Sprintf("Arrived: %s %s %d", d.Machine.Make, d.Machine.Model, d.Machine.Year)
		t.Details = append(t.Details, "promised "+b.When(d.Promise))
		if d.Note != "" {
			t.Details = append(t.Details, d.Note)
		}
	case *queue.UnitAmended:
		t.What, t.Details = "Changed", amended(b, d)
	case *queue.UnitLeft:
		t.What = "Handed over"
		if d.Showroom {
			t.What = "To the showroom"
		}
		t.overridden(b, d.Overrides)
	case *queue.AssignmentAccepted:
		t.What = fmt.Sprintf("%s accepted by %s", step(d.Step), b.Name(d.Technician))
		t.at(b, d.Resources)
	case *queue.AssignmentReturned:
		t.What, t.Details = step(d.Step)+" given back", []string{d.Reason}
	case *queue.StepStarted:
		t.What = fmt.Sprintf("%s started by %s", step(d.Step), b.Name(d.Technician))
		t.at(b, d.Resources)
		if d.Calibration != nil {
			t.Details = append(t.Details, fmt.Sprintf("calibration %s revision %d", d.Calibration.ID, d.Calibration.Revision))
		}
		t.evidence(d.Evidence)
		t.overridden(b, d.Overrides)
	case *queue.StepAdvanced:
		t.What = step(d.Step) + ": " + stretchWords(b, u, d)
	case *queue.StepDone:
		t.What = step(d.Step) + " " + verb
		t.evidence(d.Evidence)
		for _, f := range d.Flags {
			t.Details = append(t.Details, fmt.Sprintf("%s: %s", words(string(f.Key)), f.Why))
		}
		t.overridden(b, d.Overrides)
	case *queue.StepFailed:
		t.What, t.Details = step(d.Step)+" failed", []string{d.Reason}
		t.evidence(d.Evidence)
	case *queue.StepVoided:
		t.What, t.Details = step(d.Step)+" no longer counts", []string{d.Why}
	case *queue.StepReopened:
		t.What, t.Details = step(d.Step)+" is to be done again", []string{d.Reason}
	case *queue.StepSkipped:
		t.What, t.Details = step(d.Step)+" left out", []string{d.Reason}
	case *queue.ReworkOpened:
		t.What, t.Details = "Rework before the next "+strings.ToLower(step(d.Before)), []string{d.Reason}
	case *queue.StepPinned:
		t.What = step(d.Step) + " pinned"
		t.at(b, d.Pin.Resources)
		if d.Pin.Technician != "" {
			t.Details = append(t.Details, b.Name(d.Pin.Technician))
		}
		if d.Pin.Start != nil {
			t.Details = append(t.Details, b.When(*d.Pin.Start))
		}
	case *queue.StepUnpinned:
		t.What = step(d.Step) + " is free to move"
	case *queue.ProblemReported:
		t.What, t.Details = "Problem with "+strings.ToLower(step(d.Step)), []string{d.Reason}
	default:
		t.What, t.Details = string(e.Type), []string{"this version of Tickover does not know what it means"}
	}
	return t
}

func stretchWords(b *Base, u *queue.Unit, d *queue.StepAdvanced) string {
	if st := u.Step(d.Step); st != nil {
		if op := b.Shop.Operation(st.Operation); op != nil && d.Stretch < len(op.Stretches) && !op.Stretches[d.Stretch].HandsOn {
			return "hands-off time began"
		}
	}
	if d.Technician == "" {
		return "hands-on again"
	}
	return b.Name(d.Technician) + " is back at it"
}

func amended(b *Base, d *queue.UnitAmended) []string {
	var out []string
	if d.Promise != nil {
		out = append(out, "promise "+b.When(*d.Promise))
	}
	if d.Weight != nil {
		out = append(out, fmt.Sprintf("weight %d", *d.Weight))
	}
	if d.Fitment != nil {
		out = append(out, "fitment "+string(*d.Fitment))
	}
	if d.Note != nil {
		out = append(out, "note: "+*d.Note)
	}
	if d.Held != nil && *d.Held {
		out = append(out, "held back")
	}
	if d.Held != nil && !*d.Held {
		out = append(out, "goes on")
	}
	for s, at := range d.Parts {
		out = append(out, fmt.Sprintf("part for %s expected %s", s, b.When(at)))
	}
	slices.Sort(out)
	if d.Reason != "" {
		out = append(out, d.Reason)
	}
	return out
}

func (t *Told) at(b *Base, rs []queue.ResourceID) {
	var names []string
	for _, r := range rs {
		names = append(names, b.Thing(r))
	}
	if len(names) > 0 {
		t.Details = append(t.Details, strings.Join(names, ", "))
	}
}

func (t *Told) evidence(ev queue.Evidence) {
	var out []string
	for k, v := range ev {
		out = append(out, words(string(k))+" "+v)
	}
	slices.Sort(out)
	t.Details = append(t.Details, out...)
}

func (t *Told) overridden(b *Base, os []queue.Override) {
	for _, o := range os {
		t.Override = true
		t.Details = append(t.Details, fmt.Sprintf("%s let pass by %s: %s", o.Interlock, b.Name(o.By), o.Reason))
	}
}
