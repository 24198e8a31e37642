package shopfile

import (
	"math"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/queue"
)

// check judges what the parts of a shop file say of each other.
func (d *draft) check(r *reader) {
	d.checkZone(r)
	d.checkForemen(r)
	d.kinds = map[queue.OperationID]queue.OperationKind{}
	for i := range d.operations {
		op := &d.operations[i]
		d.operationNames = append(d.operationNames, string(op.ID))
		d.kinds[op.ID] = op.Kind
		d.checkNeeds(r, op)
		d.checkSkills(r, op)
		d.checkHours(r, op)
		op.checkPlace(r)
		op.checkStretches(r)
		op.checkKind(r)
		d.shop.Operations = append(d.shop.Operations, op.Operation)
	}
	for i := range d.routes {
		d.checkRoute(r, &d.routes[i])
		d.shop.Routes = append(d.shop.Routes, d.routes[i].Route)
	}
	d.checkRework(r)
	d.checkCalibrations(r)
}

// zoneHoursMax is how far a place's sun may be from its clock. The widest in
// use is about 3½ hours.
const zoneHoursMax = 4.5

// checkZone finds a longitude with the wrong sign: the clock of the zone and
// the sun of the place are then hours apart.
func (d *draft) checkZone(r *reader) {
	loc, err := time.LoadLocation(d.shop.TimeZone)
	if err != nil || d.shop.TimeZone == "" || d.shop.TimeZone == "UTC" || strings.HasPrefix(d.shop.TimeZone, "Etc/") || math.IsNaN(d.shop.LongitudeD) {
		return
	}
	_, offsetS := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).In(loc).Zone()
	apart := math.Abs(math.Remainder(float64(offsetS)/3600-d.shop.LongitudeD/15, 24))
	if apart > zoneHoursMax {
		r.at(d.longitudeAt, "degrees, east positive, west negative; check the sign and the time zone",
			"longitude %s does not lie in the time zone %s", format(d.shop.LongitudeD), d.shop.TimeZone)
	}
}

func (d *draft) checkForemen(r *reader) {
	if d.torn["technicians"] {
		return
	}
	var ids []queue.PersonID
	for _, t := range d.shop.Technicians {
		ids = append(ids, t.ID)
	}
	for i, f := range d.shop.Foremen {
		if at := d.foremanAt[i]; at != nil && !slices.Contains(ids, f) {
			r.at(at, r.didYouMean(string(f), words(ids))+" Write {person: "+string(f)+"} for somebody who is no technician.",
				"the foreman %s is no technician", quote(string(f)))
		}
	}
}

// checkNeeds finds needs that the shop's resources can't meet.
func (d *draft) checkNeeds(r *reader, op *operationDraft) {
	if d.torn["resources"] || d.has(0) { // 0: a kind that was not readable
		return
	}
	for i, need := range op.Needs {
		var tags []string
		have, asked := 0, 0
		for _, res := range d.shop.Resources {
			if res.Kind != need.Kind {
				continue
			}
			if tags = append(tags, res.Tags...); need.Tag == "" || slices.Contains(res.Tags, need.Tag) {
				have++
			}
		}
		for _, other := range op.Needs[:i+1] {
			if other == need {
				asked++
			}
		}
		switch {
		case have == 0 && need.Tag != "" && d.has(need.Kind):
			r.at(op.needAt[i], tagHint(r, need, tags), "operation %s needs a %s with the tag %s, the shop has none", op.ID, need.Kind, quote(need.Tag))
		case have == 0:
			r.at(op.needAt[i], "list one under resources, or take the need out", "operation %s needs a %s, the shop has none", op.ID, need.Kind)
		case asked > have:
			r.at(op.needAt[i], "list another one under resources, or take the need out", "operation %s needs %d of %s at once, the shop has %d", op.ID, asked, needText(need), have)
		}
	}
}

func (d *draft) has(k queue.ResourceKind) bool {
	return slices.ContainsFunc(d.shop.Resources, func(r queue.Resource) bool { return r.Kind == k })
}

func tagHint(r *reader, need queue.Need, tags []string) string {
	if hint := r.didYouMean(need.Tag, words(tags)); hint != "" {
		return hint
	}
	return "give the tag to a " + need.Kind.String()
}

// checkSkills finds skills that nobody has, crews that are too large, and
// operations that nobody may start.
func (d *draft) checkSkills(r *reader, op *operationDraft) {
	if d.torn["technicians"] || len(d.shop.Technicians) == 0 {
		return
	}
	var all []queue.Skill
	for _, t := range d.shop.Technicians {
		all = append(all, t.Skills...)
	}
	sound := true
	for i, s := range op.Stretches {
		able := d.countTechnicians(s.Skill)
		switch {
		case !s.HandsOn:
		case able == 0:
			r.at(op.skillAt[i], r.didYouMean(string(s.Skill), words(all)), "operation %s needs the skill %s, which no technician has", op.ID, quote(string(s.Skill)))
			sound = false
		case able < s.Technicians:
			r.at(op.stretchAt[i], "lower technicians, or teach somebody", "operation %s needs %d technicians at once, %d can do it", op.ID, s.Technicians, able)
			sound = false
		}
	}
	if !sound {
		return
	}
	// Who starts a step has to have the skills of all its stretches, also
	// where somebody else may go on with it.
	able, crew := 0, 1
	for i := range d.shop.Technicians {
		t := &d.shop.Technicians[i]
		if !slices.ContainsFunc(op.Stretches, func(s queue.Stretch) bool { return s.HandsOn && !t.Skilled(s.Skill) }) {
			able++
		}
	}
	if len(op.Stretches) > 0 {
		crew = max(1, op.Stretches[0].Technicians)
	}
	if able < crew {
		r.at(op.at, "make several operations of it, or teach somebody", "%d technicians have all the skills of operation %s, %d are needed to start it", able, op.ID, crew)
	}
}

func (d *draft) countTechnicians(s queue.Skill) int {
	n := 0
	for i := range d.shop.Technicians {
		if d.shop.Technicians[i].Skilled(s) {
			n++
		}
	}
	return n
}

// checkPlace is I7 and I8 for an operation: engines run outdoors, and what is
// outdoors says so.
func (op *operationDraft) checkPlace(r *reader) {
	outdoor, atBench := false, false
	for i, need := range op.Needs {
		outdoor = outdoor || need.Kind.Outdoors()
		if op.Engine && need.Kind == queue.Bench {
			atBench = true
			r.at(op.needAt[i], "needs: [pad] or [loop]; exhaust gas indoors kills", "operation %s runs the engine at a bench (I7)", op.ID)
		}
	}
	switch {
	case op.outAt != nil && op.Outdoors && !outdoor:
		r.at(op.outAt, "add pad or loop to needs", "operation %s is outdoors, but needs no pad and no loop", op.ID)
	case op.outAt != nil && !op.Outdoors && outdoor:
		r.at(op.outAt, "leave outdoors out", "operation %s needs a pad or loop, which are outdoors", op.ID)
	case op.Engine && !outdoor && !atBench && op.whole:
		r.at(orAt(op.engineAt, op.at), "add pad or loop to needs; engines run outdoors only (I7)", "operation %s runs the engine, but needs no pad and no loop", op.ID)
	}
	if op.Engine && op.Overnight {
		r.at(op.nightAt, "leave overnight out", "operation %s runs the engine, which is never left alone overnight", op.ID)
	}
}

func orAt(n, otherwise *yaml.Node) *yaml.Node {
	if n != nil {
		return n
	}
	return otherwise
}

// checkStretches finds an order of stretches that can't be worked.
func (op *operationDraft) checkStretches(r *reader) {
	last := len(op.Stretches) - 1
	for i, s := range op.Stretches {
		at := op.stretchAt[i]
		switch {
		case i == 0 && !s.HandsOn:
			r.at(at, "begin with hands-on: somebody has to start it", "operation %s begins hands-off", op.ID)
		case i == last && !s.HandsOn && (op.Engine || op.Kind == queue.Flash):
			r.at(at, "end with hands-on: somebody has to end it", "operation %s ends hands-off", op.ID)
		case s.Splittable && (op.Engine || op.Kind == queue.Flash):
			r.at(at, "leave splittable out", "a stretch of %s may not pause: a %s is never interrupted", op.ID, op.Kind)
		}
		if op.waitAt[i] == nil {
			continue
		}
		switch {
		case i == last:
			r.at(op.waitAt[i], "leave max_wait out", "nothing follows the last stretch of %s", op.ID)
		case !op.Stretches[i+1].HandsOn:
			r.at(op.waitAt[i], "leave max_wait out", "a hands-off stretch begins at once, so there is nothing to wait for in %s", op.ID)
		}
	}
}

// checkKind finds an operation that the interlocks of its kind can't work with.
func (op *operationDraft) checkKind(r *reader) {
	needs := func(k queue.ResourceKind) bool {
		return slices.ContainsFunc(op.Needs, func(n queue.Need) bool { return n.Kind == k })
	}
	switch op.Kind {
	case queue.Flash:
		if !needs(queue.Interface) && op.whole {
			r.at(op.at, "add interface to needs", "operation %s is a flash, but needs no interface", op.ID)
		}
		measured := slices.ContainsFunc(op.Evidence, func(f queue.EvidenceField) bool { return f.Key == queue.EvidenceBattery && f.AtStart })
		if !needs(queue.Charger) && !measured && op.whole {
			r.at(op.at, "add charger to needs, or the evidence battery_v with at_start: true (I3)", "operation %s is a flash with neither a charger nor the battery's rest voltage", op.ID)
		}
		if op.Engine {
			r.at(orAt(op.engineAt, op.at), "leave engine out", "operation %s is a flash, the engine does not run", op.ID)
		}
		if op.Overnight {
			r.at(op.nightAt, "leave overnight out", "operation %s is a flash, which ends before the shop closes (I5)", op.ID)
		}
	case queue.Relearn, queue.RestartCheck, queue.TestRide:
		if !op.Engine && op.engineAt != nil {
			r.at(op.engineAt, "leave engine out", "operation %s is a %s, the engine runs", op.ID, op.Kind)
		}
	}
	for i, s := range op.Stretches {
		if op.Kind == queue.TestRide && s.HandsOn && s.Skill != queue.SkillRide {
			r.at(orAt(op.skillAt[i], op.stretchAt[i]), "write skill: "+string(queue.SkillRide)+" (I10)", "who does %s must be able to ride", op.ID)
		}
	}
}

// checkRework finds a shop whose test rides can fail without an answer (I13).
func (d *draft) checkRework(r *reader) {
	if d.torn["operations"] || d.torn["limits"] {
		return
	}
	if d.reworkAt == nil {
		if at := d.firstTestRide(); at != nil {
			r.at(orAt(d.limitsAt, at), "add rework_operation: to limits, with the operation that repairs (I13)",
				"a test ride can fail, but limits names no rework_operation")
		}
		return
	}
	id := d.shop.Limits.ReworkOp
	kind, found := d.kinds[id]
	switch {
	case id != "" && !found:
		r.at(d.reworkAt, r.didYouMean(string(id), d.operationNames), "the rework operation %s does not exist", quote(string(id)))
	case kind.Judged():
		r.at(d.reworkAt, "choose an operation of kind general", "the rework operation %s is a %s", quote(string(id)), kind)
	}
}

func (d *draft) firstTestRide() *yaml.Node {
	for i := range d.routes {
		for j, s := range d.routes[i].Steps {
			if d.kinds[s.Operation] == queue.TestRide {
				return d.routes[i].steps[j].at
			}
		}
	}
	return nil
}

// checkCalibrations finds two that are current for one machine, and families
// that no interface speaks.
func (d *draft) checkCalibrations(r *reader) {
	var spoken []queue.Family
	every := d.torn["resources"] || !d.has(queue.Interface)
	for _, res := range d.shop.Resources {
		if res.Kind == queue.Interface {
			every = every || len(res.Families) == 0
			spoken = append(spoken, res.Families...)
		}
	}
	type key struct {
		make, model, family, fitment string
		revision                     int
	}
	seen := map[key][]int{}
	for i := range d.shop.Calibrations {
		c, at := &d.shop.Calibrations[i], d.calibrationAt[i]
		if !every && !c.NoneNeeded && c.Family != "" && !slices.Contains(spoken, c.Family) {
			r.at(at.family, r.didYouMean(string(c.Family), words(spoken)), "no interface speaks to controller family %s", quote(string(c.Family)))
		}
		if c.Make == "" || c.Model == "" || c.YearFrom == 0 || c.Revision == 0 {
			continue
		}
		k := key{strings.ToLower(c.Make), strings.ToLower(c.Model), string(c.Family), string(c.Fitment), c.Revision}
		clash := false
		for _, j := range seen[k] {
			if o := &d.shop.Calibrations[j]; c.YearFrom <= o.YearTo && o.YearFrom <= c.YearTo {
				r.at(at.at, "give the newer one a higher revision, or separate the years",
					"calibration %s and %s (line %d) both are revision %d for %s %s, fitment %s, and their years overlap",
					c.ID, o.ID, d.calibrationAt[j].at.Line, c.Revision, c.Make, c.Model, c.Fitment)
				clash = true
				break
			}
		}
		if !clash { // so there are at most as many as years
			seen[k] = append(seen[k], i)
		}
	}
}
