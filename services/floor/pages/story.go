package pages

import (
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
		t.What = b.T("Arrived: %s %s %d", d.Machine.Make, d.Machine.Model, d.Machine.Year)
		t.Details = append(t.Details, b.T("promised %s", b.When(d.Promise)))
		if d.Note != "" {
			t.Details = append(t.Details, d.Note)
		}
	case *queue.UnitAmended:
		t.What, t.Details = b.T("Changed"), amended(b, d)
	case *queue.UnitLeft:
		t.What = b.T("Handed over")
		if d.Showroom {
			t.What = b.T("To the showroom")
		}
		t.overridden(b, d.Overrides)
	case *queue.UnitSold:
		t.What = b.T("Sold and handed over")
		t.overridden(b, d.Overrides)
	case *queue.AssignmentAccepted:
		t.What = b.T("%s accepted by %s", step(d.Step), b.Name(d.Technician))
		t.at(b, d.Resources)
	case *queue.AssignmentReturned:
		t.What, t.Details = b.T("%s given back", step(d.Step)), []string{d.Reason}
	case *queue.StepStarted:
		t.What = b.T("%s started by %s", step(d.Step), b.Name(d.Technician))
		t.at(b, d.Resources)
		if d.Calibration != nil {
			t.Details = append(t.Details, b.T("calibration %s revision %d", d.Calibration.ID, d.Calibration.Revision))
		}
		t.evidence(b, u, d.Step, d.Evidence)
		t.overridden(b, d.Overrides)
	case *queue.StepAdvanced:
		t.What = b.T("%s: %s", step(d.Step), stretchWords(b, u, d))
	case *queue.StepDone:
		t.What = stepDone(b, verb, step(d.Step))
		t.evidence(b, u, d.Step, d.Evidence)
		for _, f := range d.Flags {
			t.Details = append(t.Details, b.T("%s: %s", b.evidenceLabel(u, d.Step, f.Key), b.Word(f.Why)))
		}
		t.overridden(b, d.Overrides)
	case *queue.StepFailed:
		t.What, t.Details = b.T("%s failed", step(d.Step)), []string{d.Reason}
		t.evidence(b, u, d.Step, d.Evidence)
	case *queue.StepVoided:
		t.What, t.Details = b.T("%s no longer counts", step(d.Step)), []string{d.Why}
	case *queue.StepReopened:
		t.What, t.Details = b.T("%s is to be done again", step(d.Step)), []string{b.Word(d.Reason)}
	case *queue.StepSkipped:
		t.What, t.Details = b.T("%s left out", step(d.Step)), []string{d.Reason}
	case *queue.ReworkOpened:
		t.What, t.Details = b.T("Rework before the next: %s", step(d.Before)), []string{d.Reason}
	case *queue.StepsAdded:
		t.What, t.Details = b.T("Called back: %s", d.Reason), nil
		if d.Campaign == "" {
			t.What = b.T("Steps added: %s", b.Word(d.Reason))
		}
		for _, id := range d.Counts {
			t.Details = append(t.Details, step(id))
		}
	case *queue.StepPinned:
		t.What = b.T("%s pinned", step(d.Step))
		t.at(b, d.Pin.Resources)
		if d.Pin.Technician != "" {
			t.Details = append(t.Details, b.Name(d.Pin.Technician))
		}
		if d.Pin.Start != nil {
			t.Details = append(t.Details, b.When(*d.Pin.Start))
		}
	case *queue.StepUnpinned:
		t.What = b.T("%s is free to move", step(d.Step))
	case *queue.ProblemReported:
		t.What, t.Details = b.T("Problem with: %s", step(d.Step)), []string{d.Reason}
		t.evidence(b, u, d.Step, d.Evidence)
	default:
		t.What, t.Details = string(e.Type), []string{b.T("this version of Tickover does not know what it means")}
	}
	return t
}

func stepDone(b *Base, verb, step string) string {
	if verb == "passed" {
		return b.C("event", "%s passed", step)
	}
	return b.C("event", "%s done", step)
}

func stretchWords(b *Base, u *queue.Unit, d *queue.StepAdvanced) string {
	if st := u.Step(d.Step); st != nil {
		if op := b.Shop.Operation(st.Operation); op != nil && d.Stretch < len(op.Stretches) && !op.Stretches[d.Stretch].HandsOn {
			return b.T("hands-off time began")
		}
	}
	if d.Technician == "" {
		return b.T("hands-on again")
	}
	return b.T("%s is back at it", b.Name(d.Technician))
}

func amended(b *Base, d *queue.UnitAmended) []string {
	var out []string
	if d.Promise != nil {
		out = append(out, b.T("promise %s", b.When(*d.Promise)))
	}
	if d.Weight != nil {
		out = append(out, b.T("weight %d", *d.Weight))
	}
	if d.Fitment != nil {
		out = append(out, b.T("fitment %s", *d.Fitment))
	}
	if d.Variant != nil {
		out = append(out, b.T("calibration variant: %s", b.Word(d.Variant.Text())))
	}
	if d.Family != nil {
		out = append(out, b.T("controller family %s", *d.Family))
	}
	if d.Contact != nil {
		out = append(out, b.T("whose it is")) // no name: the past of people is not kept
	}
	if d.NewController {
		out = append(out, b.T("the controller was replaced"))
	}
	if d.Note != nil {
		out = append(out, b.T("note: %s", *d.Note))
	}
	if d.Held != nil && *d.Held {
		out = append(out, b.T("held back"))
	}
	if d.Held != nil && !*d.Held {
		out = append(out, b.T("goes on"))
	}
	for s, at := range d.Parts {
		out = append(out, b.T("part for %s expected %s", s, b.When(at)))
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

func (t *Told) evidence(b *Base, u *queue.Unit, step queue.StepID, ev queue.Evidence) {
	var out []string
	for k, v := range ev {
		if v == "" { // asked for and left open
			continue
		}
		if list, ok := queue.Photos(v); ok {
			t.Photos = append(t.Photos, list...)
			continue
		}
		out = append(out, b.T("%s: %s", b.evidenceLabel(u, step, k), b.Word(v)))
	}
	slices.Sort(out)
	t.Details = append(t.Details, out...)
}

func (t *Told) overridden(b *Base, os []queue.Override) {
	for _, o := range os {
		t.Override = true
		t.Details = append(t.Details, b.T("%s let pass by %s: %s", o.Interlock, b.Name(o.By), o.Reason))
	}
}

// evidenceLabel is what the shop file calls a piece of evidence, with its unit.
func (b *Base) evidenceLabel(u *queue.Unit, step queue.StepID, key queue.EvidenceKey) string {
	named := func(op *queue.Operation) string {
		for _, f := range op.Evidence {
			switch {
			case f.Key != key:
			case f.Unit != "":
				return f.Label + " (" + f.Unit + ")"
			default:
				return f.Label
			}
		}
		return ""
	}
	if st := u.Step(step); st != nil {
		if op := b.Shop.Operation(st.Operation); op != nil && named(op) != "" {
			return named(op)
		}
	}
	for i := range b.Shop.Operations { // the route has changed since
		if name := named(&b.Shop.Operations[i]); name != "" {
			return name
		}
	}
	return b.Word(words(string(key)))
}
