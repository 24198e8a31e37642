package shopfile

import (
	"slices"
	"strings"

	"tickover/queue"
)

// checkRoute finds unknown references, cycles, an order that the interlocks
// refuse, and parallel steps that can't be.
func (d *draft) checkRoute(r *reader, rt *routeDraft) {
	d.checkOperations(r, rt)
	sound := rt.checkReferences(r)
	if rt.findCycle(r) || !sound {
		return
	}
	before := rt.predecessors()
	rt.checkParallel(r, d, before)
	d.checkOrder(r, rt, before)
}

func (d *draft) checkOperations(r *reader, rt *routeDraft) {
	if d.torn["operations"] {
		return
	}
	for i, s := range rt.Steps {
		if _, found := d.kinds[s.Operation]; !found && s.Operation != "" {
			hint := r.didYouMean(string(s.Operation), d.operationNames)
			if rt.steps[i].opAt == rt.steps[i].at {
				hint = "name the step after its operation, or add operation:; " + hint
			}
			r.at(rt.steps[i].opAt, hint, "step %s of route %s: there is no operation %s", s.ID, rt.ID, quote(string(s.Operation)))
		}
	}
}

func (rt *routeDraft) stepIDs() []string {
	var out []string
	for _, s := range rt.Steps {
		out = append(out, string(s.ID))
	}
	return out
}

func (rt *routeDraft) checkReferences(r *reader) bool {
	ok := true
	ids := rt.stepIDs()
	for i, s := range rt.Steps {
		named := map[queue.StepID]bool{}
		for k, a := range s.After {
			at := rt.steps[i].afterAt[k]
			switch {
			case a.Step == s.ID:
				r.at(at, "take it out", "step %s of route %s comes after itself", s.ID, rt.ID)
				ok = false
			case !slices.Contains(ids, string(a.Step)):
				r.at(at, r.didYouMean(string(a.Step), ids), "step %s of route %s comes after %s, which the route does not have", s.ID, rt.ID, quote(string(a.Step)))
				ok = false
			case named[a.Step]:
				r.at(at, "name it once", "step %s of route %s names %s twice", s.ID, rt.ID, quote(string(a.Step)))
			}
			named[a.Step] = true
		}
		for k, p := range s.Parallel {
			at := rt.steps[i].parallelAt[k]
			switch {
			case p == s.ID:
				r.at(at, "take it out", "step %s of route %s is parallel to itself", s.ID, rt.ID)
			case !slices.Contains(ids, string(p)):
				r.at(at, r.didYouMean(string(p), ids), "step %s of route %s is parallel to %s, which the route does not have", s.ID, rt.ID, quote(string(p)))
			}
		}
	}
	return ok
}

func (rt *routeDraft) index(id queue.StepID) int {
	return slices.IndexFunc(rt.Steps, func(s queue.RouteStep) bool { return s.ID == id })
}

// findCycle notes the first cycle of every knot of steps.
func (rt *routeDraft) findCycle(r *reader) (found bool) {
	const (
		unseen = iota
		onPath
		done
	)
	mark := make([]int, len(rt.Steps))
	var path []int
	var visit func(i int)
	visit = func(i int) {
		mark[i] = onPath
		path = append(path, i)
		for k, a := range rt.Steps[i].After {
			j := rt.index(a.Step)
			switch {
			case j < 0 || j == i: // told before
			case mark[j] == unseen:
				visit(j)
			case mark[j] == onPath:
				found = true
				r.at(rt.steps[i].afterAt[k], "take one of these out", "the steps of route %s go in a circle: %s", rt.ID, rt.circle(path, j))
			}
		}
		path = path[:len(path)-1]
		mark[i] = done
	}
	for i := range rt.Steps {
		if mark[i] == unseen {
			visit(i)
		}
	}
	return found
}

// circle words the part of the path from step j on, in the order of the work.
func (rt *routeDraft) circle(path []int, j int) string {
	var names []string
	for _, i := range path[slices.Index(path, j):] {
		names = append(names, string(rt.Steps[i].ID))
	}
	slices.Reverse(names)
	return strings.Join(append(names, names[0]), " → ")
}

// predecessors tells for each step which ones come before it, near and far.
// The route has no cycle.
func (rt *routeDraft) predecessors() []map[int]bool {
	before := make([]map[int]bool, len(rt.Steps))
	var visit func(i int) map[int]bool
	visit = func(i int) map[int]bool {
		if before[i] != nil {
			return before[i]
		}
		before[i] = map[int]bool{}
		for _, a := range rt.Steps[i].After {
			j := rt.index(a.Step)
			before[i][j] = true
			for k := range visit(j) {
				before[i][k] = true
			}
		}
		return before[i]
	}
	for i := range rt.Steps {
		visit(i)
	}
	return before
}

func (rt *routeDraft) checkParallel(r *reader, d *draft, before []map[int]bool) {
	kind := func(i int) queue.OperationKind { return d.kinds[rt.Steps[i].Operation] }
	for i, s := range rt.Steps {
		for k, p := range s.Parallel {
			j := rt.index(p)
			at := rt.steps[i].parallelAt[k]
			switch {
			case j < 0 || j == i:
			case before[i][j] || before[j][i]:
				r.at(at, "take one of the two out", "step %s of route %s is parallel to %s, and in order with it", s.ID, rt.ID, p)
			case kind(i) == queue.Flash || kind(j) == queue.Flash:
				r.at(at, "take it out", "nothing else is done while a flash runs (I2): %s, %s", s.ID, p)
			}
		}
	}
}

// checkOrder finds a route that the interlocks would never let through.
func (d *draft) checkOrder(r *reader, rt *routeDraft, before []map[int]bool) {
	if d.torn["operations"] {
		return
	}
	chain := []queue.OperationKind{queue.Flash, queue.Reset, queue.Relearn, queue.RestartCheck, queue.TestRide}
	of := map[queue.OperationKind][]int{}
	for i, s := range rt.Steps {
		if k := d.kinds[s.Operation]; k != 0 {
			of[k] = append(of[k], i)
		}
	}
	for k, kind := range chain {
		if kind != queue.Reset {
			for _, i := range of[kind][min(1, len(of[kind])):] {
				r.at(rt.steps[i].at, "make two routes of it", "route %s has a second %s; the interlocks know one a visit", rt.ID, kind)
			}
		}
		for _, i := range of[kind] {
			for _, j := range of[lastBefore(chain[:k], of)] {
				if !before[i][j] {
					r.at(rt.steps[i].at, "let it come after "+string(rt.Steps[j].ID)+", or after a step that does",
						"step %s of route %s must come after %s (%s)", rt.Steps[i].ID, rt.ID, rt.Steps[j].ID, whichInterlock(kind))
				}
			}
		}
	}
}

// lastBefore is the last of the kinds that the route has; 0 if it has none.
func lastBefore(kinds []queue.OperationKind, of map[queue.OperationKind][]int) queue.OperationKind {
	for _, k := range slices.Backward(kinds) {
		if len(of[k]) > 0 {
			return k
		}
	}
	return 0
}

func whichInterlock(k queue.OperationKind) queue.Interlock {
	if k == queue.TestRide {
		return queue.I10
	}
	return queue.I6
}
