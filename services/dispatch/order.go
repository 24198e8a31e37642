package dispatch

import (
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/scheduler/model"
)

// lags adds the precedences among a unit's open steps: those of its route, and
// those that the interlocks imply. A finished step appears only where a
// maximum lag or the yard looks at it.
func (s *snapshot) lags(u *queue.Unit) {
	done := map[queue.StepID]bool{}
	if s.shop.Limits.YardCapacity > 0 {
		if last := lastDone(u); last != nil {
			s.finished(u, last, done)
		}
	}
	g := graph{}
	for i := range u.Steps {
		st := &u.Steps[i]
		if st.Status != queue.Todo {
			continue
		}
		for _, after := range st.After {
			before := u.Step(after.Step)
			if before == nil || before.Status == queue.Skipped {
				continue
			}
			if before.Status == queue.Done {
				s.afterDone(u, st, before, after, done)
				continue
			}
			g.add(before.ID, st.ID)
			s.lag(u, before.ID, st.ID, after)
		}
	}
	s.implied(u, g)
}

func (s *snapshot) lag(u *queue.Unit, from, to queue.StepID, after queue.After) {
	l := model.Lag{From: activityID(u.ID, from), To: activityID(u.ID, to), Min: minutesUp(after.Min)}
	if after.Max >= 0 {
		l.Limited, l.Max = true, max(l.Min, minutesDown(after.Max))
	}
	s.p.Lags = append(s.p.Lags, l)
}

// afterDone is the lag to a step that is finished: an earliest start, and, if
// the lag has a maximum, the finished step itself.
func (s *snapshot) afterDone(u *queue.Unit, st, before *queue.Step, after queue.After, done map[queue.StepID]bool) {
	if after.Min > 0 {
		a := s.find(activityID(u.ID, st.ID))
		a.Release = max(a.Release, s.up(before.Ended.Add(after.Min)))
	}
	if after.Max >= 0 {
		s.finished(u, before, done)
		after.Min = 0 // judged to the second by the release
		s.lag(u, before.ID, st.ID, after)
	}
}

func (s *snapshot) find(id model.ActivityID) *model.Activity {
	i := slices.IndexFunc(s.p.Activities, func(a model.Activity) bool { return a.ID == id })
	return &s.p.Activities[i]
}

// finished adds a finished step as a fact.
func (s *snapshot) finished(u *queue.Unit, st *queue.Step, done map[queue.StepID]bool) {
	if done[st.ID] {
		return
	}
	done[st.ID] = true
	end := min(s.up(st.Ended), s.nowT)
	start := min(s.down(st.Started), end)
	s.p.Activities = append(s.p.Activities, model.Activity{
		ID: activityID(u.ID, st.ID), Job: model.JobID(u.ID),
		Modes:    []model.Mode{{Stretches: []model.Stretch{{Duration: end - start}}}},
		Progress: &model.Progress{Done: true, Stretches: []model.StretchTime{{Start: start, End: end}}},
	})
}

// contradictions holds back steps whose lags nobody can keep, for example after
// an operation got longer than a route allows: one unit's route is not to stop
// the plan of the others.
func (s *snapshot) contradictions() {
	for range s.p.Lags {
		cycle, excess := model.Contradiction(s.p)
		if cycle == nil {
			return
		}
		for i := range s.p.Lags {
			if l := &s.p.Lags[i]; slices.Contains(cycle, l.From) && slices.Contains(cycle, l.To) {
				l.Limited = false
			}
		}
		s.hold(cycle[0], said.Say("the longest waits of its route can't be kept: the steps between take %d min more", int64(excess)))
	}
}

func lastDone(u *queue.Unit) *queue.Step {
	var last *queue.Step
	var end time.Time
	for i := range u.Steps {
		if st := &u.Steps[i]; st.Status == queue.Done && (last == nil || st.Ended.After(end)) {
			last, end = st, st.Ended
		}
	}
	return last
}

// implied adds what follows from I6, I9 and I10 whatever the route says, for
// example after a foreman reopened a single step: work that another open step
// would void, or must follow, comes after that one. What would contradict the
// route is left out; the route decides then.
func (s *snapshot) implied(u *queue.Unit, g graph) {
	for i := range u.Steps {
		for j := range u.Steps {
			a, b := &u.Steps[i], &u.Steps[j]
			if a.Settled() || b.Status != queue.Todo || i == j || !s.before(a, b) {
				continue
			}
			if g.reaches(a.ID, b.ID) || g.reaches(b.ID, a.ID) {
				continue
			}
			g.add(a.ID, b.ID)
			s.lag(u, a.ID, b.ID, queue.After{Max: -1})
		}
	}
}

// before reports that a, open, is to be done before b.
func (s *snapshot) before(a, b *queue.Step) bool {
	switch a.Kind {
	case queue.Flash:
		return b.Kind == queue.Reset || resettable(b.Kind)
	case queue.Reset:
		return resettable(b.Kind)
	case queue.Relearn:
		op := s.shop.Operation(b.Operation)
		return b.Kind != queue.Relearn && (b.Kind == queue.RestartCheck || b.Kind == queue.TestRide || op != nil && op.Engine)
	case queue.RestartCheck:
		return b.Kind == queue.TestRide
	}
	return false
}

// resettable kinds are voided by a new flash or reset (I9).
func resettable(k queue.OperationKind) bool {
	return k == queue.Relearn || k == queue.RestartCheck || k == queue.TestRide || k == queue.FinalCheck
}

// graph is the precedences of one unit.
type graph map[queue.StepID][]queue.StepID

func (g graph) add(from, to queue.StepID) { g[from] = append(g[from], to) }

func (g graph) reaches(from, to queue.StepID) bool {
	seen := map[queue.StepID]bool{}
	stack := []queue.StepID{from}
	for len(stack) > 0 {
		at := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if at == to {
			return true
		}
		if !seen[at] {
			seen[at] = true
			stack = append(stack, g[at]...)
		}
	}
	return false
}
