package api

import (
	"context"
	"errors"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/floor/locale"
	"tickover/services/floor/studies"
	"tickover/services/simulate"
)

// Simulation is a study as the API shows it.
type Simulation struct {
	ID      int           `json:"id"`
	Asked   time.Time     `json:"asked"`
	Changes []string      `json:"changes" nullable:"false" doc:"As they were asked for; joined by commas: together"`
	Ranking bool          `json:"ranking" doc:"One more of each thing and each kind of technician"`
	Weeks   int           `json:"weeks"`
	Pairs   int           `json:"pairs"`
	Seed    uint64        `json:"seed"`
	Start   time.Time     `json:"start"`
	State   studies.State `json:"state" enum:"waiting,running,done,stopped,failed"`
	Runs    int           `json:"runs" doc:"Simulated runs so far"`
	Of      int           `json:"of" doc:"of so many"`
	Error   string        `json:"error,omitempty"`
	// Result is there when it is over, if a pair was finished.
	Result *simulate.Result `json:"result,omitempty"`
}

func simulationOf(s *studies.Study) Simulation {
	out := Simulation{ID: s.ID, Asked: s.Asked, Changes: []string{}, Ranking: s.Ranking, Weeks: s.Weeks, Pairs: s.Pairs, Seed: s.Seed,
		Start: s.Start, State: s.State, Runs: s.Runs, Of: s.Of, Error: s.Wrong, Result: s.Result}
	for _, c := range s.Scenarios {
		out.Changes = append(out.Changes, c.String())
	}
	return out
}

type (
	simulationList struct {
		Simulations []Simulation `json:"simulations" nullable:"false" doc:"The newest first"`
	}
	simulationInput struct {
		ID int `path:"simulation" minimum:"1"`
	}
	askInput struct {
		Body struct {
			Changes []string `json:"changes,omitempty" maxItems:"24" doc:"Each by itself: add=i1, without=c3, till=kofi@19:00, lit=p1, crates=30, more=20; joined by commas: together. Left out: one more of each thing"`
			Weeks   int      `json:"weeks,omitempty" minimum:"1" maximum:"26" doc:"Left out: 4"`
			Pairs   int      `json:"pairs,omitempty" minimum:"2" maximum:"100" doc:"How often each is simulated; left out: 20"`
			Seed    uint64   `json:"seed,omitempty" doc:"Left out: 1"`
			Start   string   `json:"start,omitempty" format:"date" doc:"The first day; left out: today"`
		}
	}
)

func (a *API) studies() {
	if a.o.Studies == nil {
		return
	}
	const tag = "simulations"
	get(a, "/simulations", "simulations", "Simulations of what a change would bring, the newest first", tag, func(context.Context, *none) (simulationList, error) {
		out := simulationList{Simulations: []Simulation{}}
		for _, s := range a.o.Studies.All() {
			out.Simulations = append(out.Simulations, simulationOf(&s))
		}
		return out, nil
	})
	get(a, "/simulations/{simulation}", "simulation", "One simulation with its result, or how far it is", tag, func(_ context.Context, in *simulationInput) (Simulation, error) {
		s, ok := a.o.Studies.Get(in.ID)
		if !ok {
			return Simulation{}, StudyProblem(studies.ErrUnknown)
		}
		return simulationOf(&s), nil
	})
	ask := a.operation(http.MethodPost, "/simulations", "simulate", "Simulate what changes would bring; it runs in the background", tag)
	ask.DefaultStatus = http.StatusAccepted
	huma.Register(a.routes, ask, a.ask)
	huma.Register(a.routes, a.operation(http.MethodPost, "/simulations/{simulation}/stop", "stopSimulation", "Stop a simulation; what is done so far is kept", tag),
		func(_ context.Context, in *simulationInput) (*body[Simulation], error) {
			if err := a.o.Studies.Stop(in.ID); err != nil {
				return nil, a.fail(StudyProblem(err))
			}
			s, _ := a.o.Studies.Get(in.ID)
			return &body[Simulation]{simulationOf(&s)}, nil
		})
}

// The usual size of a question.
const (
	StudyWeeks = 4
	StudyPairs = 20
)

func (a *API) ask(ctx context.Context, in *askInput) (*body[Simulation], error) {
	st, err := a.shop(ctx)
	if err != nil {
		return nil, err
	}
	q := studies.Question{Weeks: or(in.Body.Weeks, StudyWeeks), Pairs: or(in.Body.Pairs, StudyPairs), Seed: or(in.Body.Seed, 1), Start: a.o.Now()}
	if in.Body.Start != "" {
		if q.Start, err = time.ParseInLocation(time.DateOnly, in.Body.Start, st.Shop.Location()); err != nil {
			return nil, answer.Malformed("body.start", in.Body.Start, "this is no day", "Write it as 2026-02-16.")
		}
	}
	for _, text := range in.Body.Changes {
		s, err := simulate.ParseScenario(st.Shop, text)
		if err != nil {
			return nil, answer.Malformed("body.changes", text, err.Error(), "Put the change right.")
		}
		q.Scenarios = append(q.Scenarios, s)
	}
	if len(q.Scenarios) == 0 {
		q.Ranking, q.Scenarios = true, studies.OneMore(st.Shop)
	}
	s, err := a.o.Studies.Ask(st.Shop, q)
	if err != nil {
		return nil, a.fail(StudyProblem(err))
	}
	return &body[Simulation]{simulationOf(&s)}, nil
}

func or[T comparable](x, otherwise T) T {
	var zero T
	if x == zero {
		return otherwise
	}
	return x
}

// StudyProblem answers what a book of studies refuses.
func StudyProblem(err error) error {
	var wrong *simulate.WrongChange
	var question *studies.WrongQuestion
	switch {
	case errors.Is(err, studies.ErrFull):
		return answer.New(http.StatusTooManyRequests, queue.CodeFull, locale.Mark("six simulations are waiting or running already"), locale.Mark("Wait until one is done, or stop one."))
	case errors.Is(err, studies.ErrUnknown):
		return answer.Unknown(locale.Mark("there is no such simulation"), locale.Mark("They are kept while the program runs, the newest thirty. Ask again."))
	case errors.As(err, &question):
		return answer.Malformed("body", nil, question.What.String(), locale.Mark("Put it right and ask again."))
	case errors.As(err, &wrong):
		return answer.Malformed("body.changes", wrong.Change.String(), wrong.What.String(), locale.Mark("Choose another change."))
	}
	return err
}
