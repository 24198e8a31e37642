package api

import (
	"cmp"
	"context"
	"net/http"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/floor/answer"
	"tickover/services/floor/gate"
)

// Meta is what every command carries.
type Meta struct {
	CommandID queue.CommandID `json:"command_id,omitempty" maxLength:"64" doc:"Made by the sender, the same on every repeat; the header Idempotency-Key does as well" example:"6f1c1d0e-6a55-4f0a-9a4e-6f0f5e1f7b11"`
	At        time.Time       `json:"at,omitzero" doc:"When it happened on the floor; left out: now"`
	Actor     queue.PersonID  `json:"actor" minLength:"1" maxLength:"64" doc:"Who says so: a technician or a foreman of the shop file" example:"ruth"`
	Expect    uint64          `json:"expect,omitempty" doc:"The unit's revision that the sender saw; the command is refused as stale if it has changed"`
	Overrides []Waiver        `json:"overrides,omitempty" maxItems:"13" nullable:"false" doc:"Interlocks that a foreman lets pass"`
}

// Waiver lets one interlock pass; it is kept as evidence.
type Waiver struct {
	Interlock string         `json:"interlock" pattern:"^I([1-9]|1[0-3])$" example:"I8"`
	Reason    string         `json:"reason" minLength:"1" maxLength:"2000"`
	By        queue.PersonID `json:"by,omitempty" maxLength:"64" doc:"The foreman; left out: the actor"`
}

func (m *Meta) meta() *Meta { return m }

type metaOf interface{ meta() *Meta }

// Receipt says what a command came to.
type Receipt struct {
	Seq        uint64   `json:"seq" doc:"The shop's state is at least as new as this position of its log"`
	Duplicate  bool     `json:"duplicate" doc:"It was carried out before; nothing was changed"`
	Events     []string `json:"events" nullable:"false" doc:"The types of the events it caused" example:"flash.started"`
	Overridden []Waiver `json:"overridden,omitempty" nullable:"false" doc:"Interlocks that were let pass"`
	Revision   uint64   `json:"revision,omitempty" doc:"The unit's revision now"`
}

type receipt struct{ Body Receipt }

// Inputs of the three sorts of commands: on the shop, a unit, a step.
type (
	shopInput[B any] struct {
		Key  string `header:"Idempotency-Key" maxLength:"64" doc:"Instead of command_id"`
		Body B
	}
	unitInput[B any] struct {
		Key  string       `header:"Idempotency-Key" maxLength:"64" doc:"Instead of command_id"`
		Unit queue.UnitID `path:"unit" maxLength:"64"`
		Body B
	}
	stepInput[B any] struct {
		Key  string       `header:"Idempotency-Key" maxLength:"64" doc:"Instead of command_id"`
		Unit queue.UnitID `path:"unit" maxLength:"64"`
		Step queue.StepID `path:"step" maxLength:"64"`
		Body B
	}
	resourceInput[B any] struct {
		Key      string           `header:"Idempotency-Key" maxLength:"64" doc:"Instead of command_id"`
		Resource queue.ResourceID `path:"resource" maxLength:"64"`
		Body     B
	}
	technicianInput[B any] struct {
		Key        string         `header:"Idempotency-Key" maxLength:"64" doc:"Instead of command_id"`
		Technician queue.PersonID `path:"technician" maxLength:"64"`
		Body       B
	}
)

// Bodies of the commands.
type (
	plainBody struct{ Meta }
	// Arrival is what is said when a unit is checked in.
	Arrival struct {
		Ticket    queue.UnitID               `json:"ticket" minLength:"1" maxLength:"40" doc:"The ticket's number" example:"LM-1042"`
		Machine   machineBody                `json:"machine"`
		Ownership queue.Ownership            `json:"ownership" enum:"new,customer,trade-in"`
		Route     queue.RouteID              `json:"route" example:"set-up"`
		Options   []queue.StepID             `json:"options,omitempty" nullable:"false" maxItems:"50" doc:"Optional steps of the route"`
		Promise   time.Time                  `json:"promise" doc:"Until when it is promised"`
		Weight    int                        `json:"weight,omitempty" minimum:"1" maximum:"10" default:"5" doc:"How much its promise counts"`
		Parts     map[queue.StepID]time.Time `json:"parts,omitempty" nullable:"false" doc:"Steps that wait for a part, and when it is expected"`
		Contact   queue.ContactID            `json:"contact,omitempty" maxLength:"64" doc:"An opaque id; never a name or number"`
		Note      string                     `json:"note,omitempty" maxLength:"2000"`
		Beside    queue.UnitID               `json:"beside,omitempty" maxLength:"40" doc:"The ticket of a machine in the shop that has the same frame number and is known to be another one; without it such a unit is refused"`
	}
	machineBody struct {
		Frame   string        `json:"frame" maxLength:"128" doc:"Frame number as stamped; any is taken, a wrong check digit may be refused where it is a duty"`
		Make    string        `json:"make" minLength:"1" maxLength:"80"`
		Model   string        `json:"model" minLength:"1" maxLength:"80"`
		Year    int           `json:"year" minimum:"1900" maximum:"2100"`
		Family  queue.Family  `json:"family,omitempty" maxLength:"60" doc:"Controller family"`
		Fitment queue.Fitment `json:"fitment,omitempty" maxLength:"60" default:"standard" doc:"Exhaust and intake as fitted"`
		Plate   string        `json:"plate,omitempty" maxLength:"20"`
		Variant queue.Variant `json:"variant,omitempty" maxLength:"20" doc:"The variant of calibration that the owner wants: empty, idle+100 or idle+200"`
	}
	receiveBody struct {
		Meta
		Arrival
	}
	receiveAllBody struct {
		Meta
		Units []Arrival `json:"units" minItems:"1" maxItems:"256" nullable:"false"`
	}
	amendBody struct {
		Meta
		Promise *time.Time                 `json:"promise,omitempty"`
		Weight  *int                       `json:"weight,omitempty" minimum:"1" maximum:"10"`
		Fitment *queue.Fitment             `json:"fitment,omitempty" maxLength:"60"`
		Variant *queue.Variant             `json:"variant,omitempty" maxLength:"20"`
		Parts   map[queue.StepID]time.Time `json:"parts,omitempty" nullable:"false"`
		Note    *string                    `json:"note,omitempty" maxLength:"2000"`
		Held    *bool                      `json:"held,omitempty" doc:"A foreman holds the unit back, or lets it go on"`
		Family  *queue.Family              `json:"family,omitempty" maxLength:"60" doc:"Controller family"`
		Contact *queue.ContactID           `json:"contact,omitempty" maxLength:"64" doc:"Whose it is, also of a unit that has left; an opaque id, never a name or number"`

		NewController bool   `json:"new_controller,omitempty" doc:"The controller was replaced: nothing that was flashed before is on it. The flash is asked for again, or added to the visit; a reason is needed"`
		Reason        string `json:"reason,omitempty" maxLength:"2000"`
	}
	handOverBody struct {
		Meta
		Showroom bool            `json:"showroom,omitempty" doc:"To the showroom rather than to its owner"`
		Contact  queue.ContactID `json:"contact,omitempty" maxLength:"64" doc:"Who has it now, if that is somebody else; an opaque id, never a name or number"`
	}
	acceptBody struct {
		Meta
		Technician queue.PersonID     `json:"technician" minLength:"1" maxLength:"64"`
		Resources  []queue.ResourceID `json:"resources,omitempty" maxItems:"20" nullable:"false"`
	}
	startBody struct {
		Meta
		Technician  queue.PersonID     `json:"technician" minLength:"1" maxLength:"64"`
		Resources   []queue.ResourceID `json:"resources,omitempty" maxItems:"20" nullable:"false" doc:"What it holds: one for each need of the operation" example:"b2"`
		Evidence    queue.Evidence     `json:"evidence,omitempty" nullable:"false" doc:"What was read before the start"`
		Calibration *calibrationBody   `json:"calibration,omitempty" doc:"What a flash writes; left out: the current one"`
		Bench       queue.ResourceID   `json:"bench,omitempty" maxLength:"64" doc:"Where the command comes from"`
	}
	calibrationBody struct {
		ID       queue.CalibrationID `json:"id" maxLength:"64"`
		Revision int                 `json:"revision" minimum:"0"`
	}
	advanceBody struct {
		Meta
		Stretch    int            `json:"stretch" minimum:"1" maximum:"100" doc:"Index of the stretch that began, from 0"`
		Technician queue.PersonID `json:"technician,omitempty" maxLength:"64" doc:"Who begins a hands-on stretch"`
	}
	finishBody struct {
		Meta
		Technician queue.PersonID   `json:"technician" minLength:"1" maxLength:"64"`
		Evidence   queue.Evidence   `json:"evidence,omitempty" nullable:"false"`
		Failed     bool             `json:"failed,omitempty"`
		Reason     string           `json:"reason,omitempty" maxLength:"2000" doc:"Of a failure"`
		Bench      queue.ResourceID `json:"bench,omitempty" maxLength:"64" doc:"Where the command comes from"`
	}
	reasonBody struct {
		Meta
		Reason string `json:"reason" minLength:"1" maxLength:"2000"`
	}
	problemBody struct {
		Meta
		Reason   string         `json:"reason" minLength:"1" maxLength:"2000"`
		Evidence queue.Evidence `json:"evidence,omitempty" nullable:"false" doc:"What shows it, for example photos"`
	}
	pinBody struct {
		Meta
		Resources  []queue.ResourceID `json:"resources,omitempty" maxItems:"20" nullable:"false"`
		Technician queue.PersonID     `json:"technician,omitempty" maxLength:"64"`
		Start      *time.Time         `json:"start,omitempty"`
	}
	closeBody struct {
		Meta
		From   time.Time `json:"from"`
		Until  time.Time `json:"until"`
		Reason string    `json:"reason" minLength:"1" maxLength:"2000"`
	}
)

func (b *Arrival) receive() queue.ReceiveUnit {
	return queue.ReceiveUnit{Unit: b.Ticket, Arrival: queue.UnitArrived{
		Machine: queue.Machine(b.Machine), Ownership: b.Ownership, Contact: b.Contact, Route: b.Route,
		Options: b.Options, Promise: b.Promise, Weight: b.Weight, Parts: b.Parts, Note: b.Note,
	}, Once: true, Beside: b.Beside}
}

// commands registers one operation for each action of the queue.
func (a *API) commands() {
	onShop(a, "/units", "receiveUnit", "Check a unit in", "units", func(b *receiveBody) (queue.Action, queue.UnitID) {
		r := b.receive()
		return &r, r.Unit
	})
	onShop(a, "/units/batch", "receiveUnits", "Check several units in, all or none", "units", func(b *receiveAllBody) (queue.Action, queue.UnitID) {
		all := &queue.ReceiveUnits{}
		for i := range b.Units {
			all.Units = append(all.Units, b.Units[i].receive())
		}
		return all, ""
	})
	onUnit(a, "amend", "amendUnit", "Change promise, weight, fitment, parts, note, controller, whose it is, or hold it back", func(u queue.UnitID, b *amendBody) queue.Action {
		return &queue.AmendUnit{Unit: u, Change: queue.UnitAmended{Promise: b.Promise, Weight: b.Weight, Fitment: b.Fitment, Variant: b.Variant, Parts: b.Parts, Note: b.Note, Held: b.Held,
			Family: b.Family, Contact: b.Contact, NewController: b.NewController, Reason: b.Reason}}
	})
	onUnit(a, "hand-over", "handOver", "Let the unit leave, to its owner or to the showroom, or from the showroom to who has bought it", func(u queue.UnitID, b *handOverBody) queue.Action {
		return &queue.HandOver{Unit: u, Showroom: b.Showroom, Contact: b.Contact}
	})
	a.stepCommands()
	onResource(a, "close", "closeResource", "Take a resource down", func(r queue.ResourceID, b *closeBody) queue.Action {
		return &queue.Close{Resource: r, From: b.From, Until: b.Until, Reason: b.Reason}
	})
	onResource(a, "open", "openResource", "Take a resource's closures back", func(r queue.ResourceID, _ *plainBody) queue.Action {
		return &queue.Reopen{Resource: r}
	})
	onTechnician(a, "absent", "technicianAbsent", "Mark a technician absent", func(t queue.PersonID, b *closeBody) queue.Action {
		return &queue.Close{Technician: t, From: b.From, Until: b.Until, Reason: b.Reason}
	})
	onTechnician(a, "present", "technicianPresent", "Take a technician's absences back", func(t queue.PersonID, _ *plainBody) queue.Action {
		return &queue.Reopen{Technician: t}
	})
}

func (a *API) stepCommands() {
	type (
		unit = queue.UnitID
		step = queue.StepID
	)
	onStep(a, "accept", "acceptStep", "Take an offered step", func(u unit, s step, b *acceptBody) queue.Action {
		return &queue.AcceptStep{Unit: u, Step: s, Technician: b.Technician, Resources: b.Resources}
	})
	onStep(a, "return", "returnStep", "Give an accepted step back", func(u unit, s step, b *reasonBody) queue.Action {
		return &queue.ReturnStep{Unit: u, Step: s, Reason: b.Reason}
	})
	onStep(a, "start", "startStep", "Start a step", func(u unit, s step, b *startBody) queue.Action {
		return &queue.StartStep{Unit: u, Step: s, Technician: b.Technician, Resources: b.Resources, Evidence: b.Evidence,
			Calibration: (*queue.CalibrationRef)(b.Calibration), Bench: b.Bench}
	})
	onStep(a, "advance", "advanceStep", "Begin the step's next stretch", func(u unit, s step, b *advanceBody) queue.Action {
		return &queue.AdvanceStep{Unit: u, Step: s, Stretch: b.Stretch, Technician: b.Technician}
	})
	onStep(a, "finish", "finishStep", "End a running step, done with its evidence or failed with a reason", func(u unit, s step, b *finishBody) queue.Action {
		return &queue.FinishStep{Unit: u, Step: s, Technician: b.Technician, Evidence: b.Evidence, Failed: b.Failed, Reason: b.Reason, Bench: b.Bench}
	})
	onStep(a, "problem", "reportProblem", "Tell the foreman of a problem", func(u unit, s step, b *problemBody) queue.Action {
		return &queue.ReportProblem{Unit: u, Step: s, Reason: b.Reason, Evidence: b.Evidence}
	})
	onStep(a, "pin", "pinStep", "Fix a step's resources, technician or start in the plan", func(u unit, s step, b *pinBody) queue.Action {
		return &queue.PinStep{Unit: u, Step: s, Pin: queue.Pin{Resources: b.Resources, Technician: b.Technician, Start: b.Start}}
	})
	onStep(a, "unpin", "unpinStep", "Take a pin back", func(u unit, s step, _ *plainBody) queue.Action {
		return &queue.UnpinStep{Unit: u, Step: s}
	})
	onStep(a, "skip", "skipStep", "Leave a step out", func(u unit, s step, b *reasonBody) queue.Action {
		return &queue.SkipStep{Unit: u, Step: s, Reason: b.Reason}
	})
	onStep(a, "reopen", "reopenStep", "Ask for a finished step once more", func(u unit, s step, b *reasonBody) queue.Action {
		return &queue.ReopenStep{Unit: u, Step: s, Reason: b.Reason}
	})
}

func onShop[B any, P interface {
	*B
	metaOf
}](a *API, path, id, summary, tag string, action func(*B) (queue.Action, queue.UnitID)) {
	huma.Register(a.routes, a.operation(http.MethodPost, path, id, summary, tag), func(ctx context.Context, in *shopInput[B]) (*receipt, error) {
		act, unit := action(&in.Body)
		return a.do(ctx, in.Key, P(&in.Body).meta(), act, unit)
	})
}

func onUnit[B any, P interface {
	*B
	metaOf
}](a *API, verb, id, summary string, action func(queue.UnitID, *B) queue.Action) {
	huma.Register(a.routes, a.operation(http.MethodPost, "/units/{unit}/"+verb, id, summary, "units"), func(ctx context.Context, in *unitInput[B]) (*receipt, error) {
		return a.do(ctx, in.Key, P(&in.Body).meta(), action(in.Unit, &in.Body), in.Unit)
	})
}

func onStep[B any, P interface {
	*B
	metaOf
}](a *API, verb, id, summary string, action func(queue.UnitID, queue.StepID, *B) queue.Action) {
	huma.Register(a.routes, a.operation(http.MethodPost, "/units/{unit}/steps/{step}/"+verb, id, summary, "steps"), func(ctx context.Context, in *stepInput[B]) (*receipt, error) {
		return a.do(ctx, in.Key, P(&in.Body).meta(), action(in.Unit, in.Step, &in.Body), in.Unit)
	})
}

func onResource[B any, P interface {
	*B
	metaOf
}](a *API, verb, id, summary string, action func(queue.ResourceID, *B) queue.Action) {
	huma.Register(a.routes, a.operation(http.MethodPost, "/resources/{resource}/"+verb, id, summary, "shop"), func(ctx context.Context, in *resourceInput[B]) (*receipt, error) {
		return a.do(ctx, in.Key, P(&in.Body).meta(), action(in.Resource, &in.Body), "")
	})
}

func onTechnician[B any, P interface {
	*B
	metaOf
}](a *API, verb, id, summary string, action func(queue.PersonID, *B) queue.Action) {
	huma.Register(a.routes, a.operation(http.MethodPost, "/technicians/{technician}/"+verb, id, summary, "shop"), func(ctx context.Context, in *technicianInput[B]) (*receipt, error) {
		return a.do(ctx, in.Key, P(&in.Body).meta(), action(in.Technician, &in.Body), "")
	})
}

// do carries a command out.
func (a *API) do(ctx context.Context, key string, m *Meta, action queue.Action, unit queue.UnitID) (*receipt, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return nil, err
	}
	cmd, err := m.command(ctx, st, key, action)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, doTimeout)
	defer cancel()
	r, err := a.o.Ledger.Do(ctx, cmd)
	if err != nil {
		return nil, a.fail(err)
	}
	out := &receipt{Receipt{Seq: r.Seq, Duplicate: r.Duplicate, Events: []string{}}}
	for i := range r.Events {
		out.Body.Events = append(out.Body.Events, string(r.Events[i].Type))
	}
	a.o.Gate.Vouched(ctx, string(unit), r.Overridden)
	for _, o := range r.Overridden {
		out.Body.Overridden = append(out.Body.Overridden, Waiver{o.Interlock.String(), o.Reason, o.By})
	}
	if u := a.o.Ledger.View().Units[unit]; u != nil {
		out.Body.Revision = u.Revision()
	}
	return out, nil
}

func (m *Meta) command(ctx context.Context, st *queue.State, key string, action queue.Action) (queue.Command, error) {
	if m.CommandID != "" && key != "" && string(m.CommandID) != key {
		return queue.Command{}, answer.Malformed("body.command_id", string(m.CommandID), "command_id and Idempotency-Key differ", "Send one of them, or the same in both.")
	}
	id := cmp.Or(m.CommandID, queue.CommandID(key))
	if id == "" {
		return queue.Command{}, answer.Malformed("body.command_id", nil, "the command has no id", "Send a command_id of your making, the same on every repeat, or the header Idempotency-Key.")
	}
	if !printable(string(id)) {
		return queue.Command{}, answer.Malformed("body.command_id", string(id), "the command's id has other characters than printable ASCII", "Use letters, digits, '-' and '.'.")
	}
	if !isSomebody(ctx, st.Shop, m.Actor) {
		p := answer.Unknown("there is nobody called %q in the shop file", "Send the id of a technician or a foreman.", string(m.Actor))
		p.Errors = []answer.Field{{Message: p.What, Location: "body.actor", Value: string(m.Actor)}}
		return queue.Command{}, p
	}
	cmd := queue.Command{ID: id, At: m.At, Actor: m.Actor, Expect: m.Expect, Action: action}
	for _, o := range m.Overrides {
		n, _ := strconv.Atoi(o.Interlock[1:]) // the pattern holds
		cmd.Overrides = append(cmd.Overrides, queue.Override{Interlock: queue.Interlock(n), Reason: o.Reason, By: cmp.Or(o.By, m.Actor)})
	}
	return cmd, gate.Vet(ctx, st, &cmd)
}

// isSomebody: a person of the shop file, or whoever is signed in.
func isSomebody(ctx context.Context, shop *queue.Shop, id queue.PersonID) bool {
	who := access.From(ctx)
	return shop.Technician(id) != nil || shop.Foreman(id) || who != nil && who.Person == id
}

// printable reports what the log takes as a command's id.
func printable(s string) bool {
	for _, r := range s {
		if r <= ' ' || r > '~' {
			return false
		}
	}
	return true
}
