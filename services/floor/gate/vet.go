package gate

import (
	"context"
	"net/http"
	"slices"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/floor/answer"
)

// Vet holds a command against who sends it: it is said in one's own name, work
// is one's own unless a foreman says it, and an interlock is let pass by a
// foreman who is signed in himself. In an open shop nothing is asked.
func Vet(ctx context.Context, st *queue.State, cmd *queue.Command) error {
	a := askerOf(ctx)
	if a.open {
		return nil
	}
	who := a.who
	if who == nil {
		return answer.New(http.StatusUnauthorized, CodeSignedOut, "nobody is signed in here", "Sign in, then send it again.")
	}
	worker, places := workOf(st, cmd.Action)
	if who.Is(access.Bench) {
		return vetBench(who, st, cmd, worker, places)
	}
	if cmd.Actor != who.Person {
		return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "this was recorded in the name of somebody who is not signed in here", "Let whoever did it sign in, and send it then.")
	}
	if len(cmd.Overrides) > 0 && !who.Is(access.Foreman) {
		return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "only a foreman may let an interlock pass", "Let the foreman sign in on his own device and decide.")
	}
	for _, o := range cmd.Overrides {
		if o.By != who.Person {
			return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "an interlock is let pass by the foreman who is signed in", "Sign in as the one who decides.")
		}
	}
	if worker != "" && worker != who.Person && !who.Is(access.Foreman) {
		return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "this is recorded for somebody else", "Record your own work. A foreman may record it for others.")
	}
	return nil
}

// vetBench: the screen of a bench belongs to nobody; who works there says so,
// for what happens there.
func vetBench(who *access.Who, st *queue.State, cmd *queue.Command, worker queue.PersonID, places []queue.ResourceID) error {
	switch {
	case len(cmd.Overrides) > 0:
		return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "no interlock is let pass at a bench screen", "Let the foreman sign in on his own device and decide.")
	case st.Shop == nil || st.Shop.Technician(cmd.Actor) == nil || worker != "" && worker != cmd.Actor:
		return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "it is not said which technician does it", "Choose yourself on the screen.")
	case !slices.Contains(places, who.Bench):
		return answer.New(http.StatusForbidden, queue.CodeWrongBench, "the step is not done at the bench of this screen", "Go to that bench, or record it on your phone.")
	}
	return nil
}

// workOf is who does the work that an action tells of, and where.
func workOf(st *queue.State, a queue.Action) (worker queue.PersonID, places []queue.ResourceID) {
	step := func(u queue.UnitID, s queue.StepID) []queue.ResourceID {
		unit := st.Units[u]
		if unit == nil || unit.Step(s) == nil {
			return nil
		}
		x := unit.Step(s)
		out := slices.Clone(x.Resources)
		if x.Accepted != nil {
			out = append(out, x.Accepted.Resources...)
		}
		return out
	}
	running := func(u queue.UnitID, s queue.StepID, asked []queue.ResourceID) []queue.ResourceID {
		if len(asked) > 0 {
			return asked
		}
		return step(u, s)
	}
	switch a := a.(type) {
	case *queue.AcceptStep:
		return a.Technician, running(a.Unit, a.Step, a.Resources)
	case *queue.StartStep:
		return a.Technician, running(a.Unit, a.Step, a.Resources)
	case *queue.AdvanceStep:
		return a.Technician, step(a.Unit, a.Step)
	case *queue.FinishStep:
		return a.Technician, step(a.Unit, a.Step)
	case *queue.ReturnStep:
		return "", step(a.Unit, a.Step)
	case *queue.ReportProblem:
		return "", step(a.Unit, a.Step)
	}
	return "", nil
}

// Vouched writes into the book which interlocks somebody let pass.
func (g *Gate) Vouched(ctx context.Context, unit string, let []queue.Override) {
	who := access.From(ctx)
	if who == nil || g.o.Desk == nil {
		return
	}
	for _, o := range let {
		g.o.Desk.Note(ctx, access.Entry{What: access.Overrode, Account: who.Account, By: who.Account, Note: o.Interlock.String() + " " + unit + ": " + o.Reason})
	}
}
