package shopfile

import (
	"regexp"
	"slices"
	"strconv"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/queue"
	"tickover/queue/spell"
)

// operationDraft is an operation with the places of its parts.
type operationDraft struct {
	queue.Operation
	at        *yaml.Node // its id
	needAt    []*yaml.Node
	skillAt   []*yaml.Node // by stretch; nil where none is named
	stretchAt []*yaml.Node
	waitAt    []*yaml.Node
	engineAt  *yaml.Node
	outAt     *yaml.Node
	nightAt   *yaml.Node
	whole     bool // stretches and needs were read without a mistake
}

const (
	stretchesMax     = 20
	stretchMax       = 30 * 24 * time.Hour
	techniciansMax   = 20
	evidenceFieldMax = 60
	needsMax         = 10
)

func (r *reader) operations(n *yaml.Node, d *draft) {
	r.items(n, "operations", itemsMax, func(id string, key, value *yaml.Node) {
		m := r.mapping(value, "operation "+id)
		before := r.count()
		kind := choice[queue.OperationKind](r, m.must("kind", "general"), "kind of operation", queue.OperationKinds())
		op := operationDraft{Operation: OperationDefaults(kind), at: key}
		op.ID = queue.OperationID(id)
		if op.Name = r.text(m.get("name"), "the name", nameMax); op.Name == "" {
			op.Name = id
		}
		r.needs(m.get("needs"), &op)
		op.engineAt, op.outAt, op.nightAt = m.get("engine"), m.get("outdoors"), m.get("overnight")
		op.Engine = r.yesNo(op.engineAt, "engine", op.Engine)
		for _, need := range op.Needs {
			op.Outdoors = op.Outdoors || need.Kind.Outdoors()
		}
		op.Outdoors = r.yesNo(op.outAt, "outdoors", op.Outdoors)
		op.Overnight = r.yesNo(op.nightAt, "overnight", false)
		op.Handover = r.yesNo(m.get("handover"), "handover", false)
		r.stretches(m.must("stretches", "[{hands-on: 10m}]"), &op)
		op.whole = r.count() == before
		r.evidence(m.get("evidence"), &op)
		r.cautions(m.get("cautions"), &op)
		m.done()
		d.operations = append(d.operations, op)
	})
}

func (r *reader) cautions(n *yaml.Node, op *operationDraft) {
	for _, c := range r.nodes(n, listMax) {
		caution := choice[queue.Caution](r, c, "caution", queue.Cautions())
		if slices.Contains(op.Cautions, caution) {
			r.at(c, "name it once", "the caution %s stands twice", caution)
		} else if caution != 0 {
			op.Cautions = append(op.Cautions, caution)
		}
	}
}

func (r *reader) needs(n *yaml.Node, op *operationDraft) {
	for _, c := range r.nodes(n, needsMax) {
		if need, ok := r.need(c, "a need"); ok {
			op.Needs, op.needAt = append(op.Needs, need), append(op.needAt, c)
		}
	}
}

// stretches reads [{hands-on: 6m, skill: flash}, {hands-off: 28m}, …].
func (r *reader) stretches(n *yaml.Node, op *operationDraft) {
	if n == nil {
		return
	}
	list := r.nodes(n, stretchesMax)
	if len(list) == 0 {
		r.at(n, "write for example [{hands-on: 10m}]", "operation %s has no stretch", op.ID)
	}
	for i, c := range list {
		r.stretch(c, op, "stretch "+strconv.Itoa(i+1)+" of "+string(op.ID))
	}
}

func (r *reader) stretch(n *yaml.Node, op *operationDraft, what string) {
	m := r.mapping(n, what)
	var s queue.Stretch
	on, off := m.get("hands-on"), m.get("hands-off")
	switch {
	case on != nil && off != nil:
		r.at(off, "make two stretches of it", "%s is hands-on and hands-off", what)
	case on == nil && off == nil && !m.broken() && m.value["hands-on"] == nil && m.value["hands-off"] == nil:
		r.at(n, "add hands-on: 10m or hands-off: 28m", "%s says neither hands-on nor hands-off", what)
	}
	s.HandsOn = on != nil
	length := off
	if on != nil {
		length = on
	}
	s.Duration = r.duration(length, "the length", time.Minute, stretchMax, time.Minute, time.Minute)
	skill, crew, split := m.get("skill"), m.get("technicians"), m.get("splittable")
	if s.HandsOn {
		s.Skill = queue.Skill(r.word(skill, "skill"))
		s.Technicians = r.whole(crew, "technicians", 1, techniciansMax, 1)
		s.Splittable = r.yesNo(split, "splittable", false)
	} else if off != nil {
		for _, k := range []*yaml.Node{skill, crew, split} {
			if k != nil {
				r.at(k, "only a hands-on stretch has skill, technicians and splittable", "nobody works in %s", what)
			}
		}
	}
	wait := m.get("max_wait")
	switch s.MaxWait = maxWaitDefault(&op.Operation, s); {
	case wait == nil:
	case wait.Kind == yaml.ScalarNode && wait.Value == "any":
		s.MaxWait = anyWait
	default:
		s.MaxWait = r.duration(wait, "max_wait (a duration or any)", 0, stretchMax, time.Minute, s.MaxWait)
	}
	m.done()
	op.Stretches = append(op.Stretches, s)
	op.stretchAt, op.skillAt, op.waitAt = append(op.stretchAt, n), append(op.skillAt, skill), append(op.waitAt, wait)
}

// evidence reads {odometer_km: {label: …}, …}.
func (r *reader) evidence(n *yaml.Node, op *operationDraft) {
	if n == nil {
		return
	}
	m := r.mapping(n, "the evidence of "+string(op.ID))
	for i, k := range m.keys {
		if i == evidenceFieldMax {
			r.at(k, "", "%s has more than %d fields", m.what, evidenceFieldMax)
			return
		}
		if !keyPattern.MatchString(k.Value) {
			r.at(k, "use lower-case letters, digits and '_', with the unit last, for example idle_rpm", "%s is no evidence key", quote(k.Value))
			continue
		}
		op.Evidence = append(op.Evidence, r.field(k, m.value[k.Value], op))
	}
}

func (r *reader) field(key, n *yaml.Node, op *operationDraft) queue.EvidenceField {
	what := "evidence " + key.Value
	m := r.mapping(n, what)
	f := queue.EvidenceField{Key: queue.EvidenceKey(key.Value)}
	fixed, isKnown := fixedEvidence[f.Key]
	if f.Label = r.text(m.get("label"), "the label", nameMax); f.Label == "" {
		f.Label = key.Value
	}
	typ := m.get("type")
	if isKnown {
		f.Type, f.Unit = fixed.Type, fixed.Unit
		if typ != nil && (typ.Kind != yaml.ScalarNode || typ.Value != fixed.Type.String()) {
			r.at(typ, "leave type out, or give the field another key", "%s is %s, the interlocks read it as %s", what, valueOf(typ), fixed.Type)
		}
	} else {
		if typ == nil && m.value["type"] == nil && !m.broken() {
			r.at(key, spell.OneOf(queue.EvidenceTypes()), "%s lacks type", what)
		}
		f.Type = choice[queue.EvidenceType](r, typ, "type of evidence", queue.EvidenceTypes())
	}
	r.measure(m, &f, isKnown)
	f.Required = r.yesNo(m.get("required"), "required", true)
	f.AtStart = r.yesNo(m.get("at_start"), "at_start", false)
	m.done()
	return f
}

// measure reads what only a number has: its unit and bounds.
func (r *reader) measure(m *mapping, f *queue.EvidenceField, fixedUnit bool) {
	unit, least, most := m.get("unit"), m.get("min"), m.get("max")
	if !f.Type.Measured() {
		for _, n := range []*yaml.Node{unit, least, most} {
			if n != nil && f.Type != 0 {
				r.at(n, "only a number has unit, min and max", "%s is of type %s", m.what, f.Type)
			}
		}
		return
	}
	if fixedUnit && unit != nil && (unit.Kind != yaml.ScalarNode || unit.Value != f.Unit) {
		r.at(unit, "leave unit out", "%s is in %s, not in %s", m.what, f.Unit, valueOf(unit))
	} else if unit != nil {
		f.Unit = r.text(unit, "the unit", 20)
	}
	const bound = 1e9
	if least != nil {
		v := r.number(least, "min", -bound, bound, -bound)
		f.Min = &v
	}
	if most != nil {
		v := r.number(most, "max", -bound, bound, bound)
		f.Max = &v
	}
	if f.Min != nil && f.Max != nil && *f.Min > *f.Max {
		r.at(most, "swap them", "max %s of %s is below min %s", format(*f.Max), m.what, format(*f.Min))
	}
}

// routeDraft is a route with the places of its parts.
type routeDraft struct {
	queue.Route
	at    *yaml.Node
	steps []stepDraft
}

type stepDraft struct {
	at         *yaml.Node // its id
	opAt       *yaml.Node // its operation, or its id
	afterAt    []*yaml.Node
	parallelAt []*yaml.Node
}

const stepsMax = 60

func (r *reader) routes(n *yaml.Node, d *draft) {
	r.items(n, "routes", itemsMax, func(id string, key, value *yaml.Node) {
		m := r.mapping(value, "route "+id)
		rt := routeDraft{Route: queue.Route{ID: queue.RouteID(id)}, at: key}
		if rt.Name = r.text(m.get("name"), "the name", nameMax); rt.Name == "" {
			rt.Name = id
		}
		if steps := m.must("steps", "its steps"); steps != nil {
			r.items(steps, "the steps of "+id, stepsMax, func(id string, key, value *yaml.Node) {
				r.step(id, key, value, &rt)
			})
		}
		m.done()
		d.routes = append(d.routes, rt)
	})
}

func (r *reader) step(id string, key, value *yaml.Node, rt *routeDraft) {
	if isNull(value) { // "check-in:" and nothing more
		value = &yaml.Node{Kind: yaml.MappingNode, Line: value.Line, Column: value.Column}
	}
	m := r.mapping(value, "step "+id)
	s := queue.RouteStep{ID: queue.StepID(id), Operation: queue.OperationID(id)}
	at := stepDraft{at: key, opAt: key}
	if n := m.get("operation"); n != nil {
		s.Operation, at.opAt = queue.OperationID(r.id(n, "operation")), n
	}
	for _, c := range r.nodes(m.get("after"), listMax) {
		if a, node, ok := r.after(c); ok {
			s.After, at.afterAt = append(s.After, a), append(at.afterAt, node)
		}
	}
	s.Optional = r.yesNo(m.get("optional"), "optional", false)
	s.Parallel, at.parallelAt = distinct[queue.StepID](r, m.get("parallel"), "step", r.id)
	m.done()
	rt.Steps, rt.steps = append(rt.Steps, s), append(rt.steps, at)
}

// after reads "charge" or {step: charge, min: 10m, max: 2h}.
func (r *reader) after(n *yaml.Node) (queue.After, *yaml.Node, bool) {
	a := queue.After{Max: noLag}
	if n.Kind != yaml.MappingNode {
		a.Step = queue.StepID(r.id(n, "a step in after"))
		return a, n, a.Step != ""
	}
	m := r.mapping(n, "after")
	at := m.must("step", "the step before")
	a.Step = queue.StepID(r.id(at, "step"))
	a.Min = r.duration(m.get("min"), "min", 0, stretchMax, time.Minute, 0)
	most := m.get("max")
	a.Max = r.duration(most, "max", 0, stretchMax, time.Minute, noLag)
	if most != nil && a.Max >= 0 && a.Max < a.Min {
		r.at(most, "swap them", "max %s is below min %s", writeDuration(a.Max), writeDuration(a.Min))
	}
	m.done()
	return a, at, a.Step != ""
}

const calibrationsMax = 10_000

// calibrationDraft holds the places of a calibration's parts.
type calibrationDraft struct{ at, family *yaml.Node }

var yearsPattern = regexp.MustCompile(`^([0-9]{4})(?: ?[-–] ?([0-9]{4}))?$`)

func (r *reader) calibrations(n *yaml.Node, d *draft) {
	for i, c := range r.nodes(n, calibrationsMax) {
		m := r.mapping(c, "calibration "+strconv.Itoa(i+1))
		var cal queue.Calibration
		cal.ID = queue.CalibrationID(r.id(m.must("id", "an id"), "id"))
		if cal.ID != "" {
			m.what = "calibration " + string(cal.ID)
		}
		cal.NoneNeeded = r.yesNo(m.get("none_needed"), "none_needed", false)
		if rev := m.get("revision"); rev != nil || cal.NoneNeeded {
			cal.Revision = r.whole(rev, "revision", 1, 1_000_000, revisionNoneNeeded)
		} else {
			m.must("revision", "1")
		}
		cal.Make = r.text(m.must("make", "the maker"), "make", nameMax)
		cal.Model = r.text(m.must("model", "the model"), "model", nameMax)
		r.years(m.must("years", "2024-2026"), &cal)
		family := m.must("family", "the controller family")
		cal.Family = queue.Family(r.id(family, "family"))
		if cal.Fitment = queue.Fitment(r.text(m.get("fitment"), "fitment", 60)); cal.Fitment == "" {
			cal.Fitment = fitmentDefault
		}
		cal.Released = r.date(m.must("released", "2026-01-12"), "released")
		cal.ForCaller = r.text(m.get("for_caller"), "for_caller", textMax)
		m.done()
		d.shop.Calibrations = append(d.shop.Calibrations, cal)
		d.calibrationAt = append(d.calibrationAt, calibrationDraft{c, family})
	}
}

func (r *reader) years(n *yaml.Node, cal *queue.Calibration) {
	if n == nil {
		return
	}
	var m []string
	if n.Kind == yaml.ScalarNode {
		m = yearsPattern.FindStringSubmatch(n.Value)
	}
	if m == nil {
		r.at(n, "write 2026 or 2024-2026", "%s is no model year and no range of them", valueOf(n))
		return
	}
	cal.YearFrom, _ = strconv.Atoi(m[1])
	cal.YearTo = cal.YearFrom
	if m[2] != "" {
		cal.YearTo, _ = strconv.Atoi(m[2])
	}
	if cal.YearFrom < 1900 || cal.YearTo > 2100 || cal.YearTo < cal.YearFrom {
		r.at(n, "write the first and the last year, 1900-2100", "%s is no range of model years", quote(n.Value))
	}
}
