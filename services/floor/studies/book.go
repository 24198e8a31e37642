package studies

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/floor/locale"
	"tickover/services/simulate"
)

// State is how far a study is.
type State string

// The states.
const (
	Waiting State = "waiting"
	Running State = "running"
	Done    State = "done"
	Stopped State = "stopped" // by somebody; it may have a result
	Failed  State = "failed"
)

// Over reports that nothing more will come.
func (s State) Over() bool { return s == Done || s == Stopped || s == Failed }

// Question is what was asked.
type Question struct {
	Scenarios []simulate.Scenario `json:"scenarios"`
	// Ranking says that it asks what one more of each thing would bring.
	Ranking bool      `json:"ranking"`
	Start   time.Time `json:"start"`
	Weeks   int       `json:"weeks"`
	Pairs   int       `json:"pairs"`
	Seed    uint64    `json:"seed"`
}

// Study is a question and what became of it. It is a copy; nobody changes it.
type Study struct {
	ID    int       `json:"id"`
	Asked time.Time `json:"asked"`
	Question
	State State `json:"state"`
	// Runs are simulated runs, of all that are needed.
	Runs int `json:"runs"`
	Of   int `json:"of"`
	// Result is there when it is done, or was stopped late enough.
	Result *simulate.Result `json:"result,omitempty"`
	Wrong  string           `json:"error,omitempty"`
	// Shop is what the ids of the changes mean.
	Shop *queue.Shop `json:"-"`
}

// Percent is how much is done.
func (s *Study) Percent() int {
	if s.Of == 0 {
		return 0
	}
	return 100 * s.Runs / s.Of
}

// Bounds of a book.
const (
	runningMax = 1 // at once: the machine has a shop to serve
	openMax    = 6 // waiting and running
	keptMax    = 30
	// WeeksMax and PairsMax bound a question.
	WeeksMax = 26
	PairsMax = 100
	newsEach = 400 * time.Millisecond
)

// WrongQuestion is one that makes no sense.
type WrongQuestion struct{ What locale.Said }

func (w *WrongQuestion) Error() string { return w.What.String() }

// ErrFull: too many wait already.
var ErrFull = errors.New("six simulations are waiting or running already")

// ErrUnknown: there is no such study.
var ErrUnknown = errors.New("there is no such simulation")

// Options of a book.
type Options struct {
	// Learn, if set, gives what comes and how long work takes.
	Learn  func(context.Context, *queue.Shop, time.Time) (*simulate.Habits, simulate.Lengths, error)
	Now    func() time.Time
	Logger *zap.Logger
}

// Book keeps the studies.
type Book struct {
	o      Options
	ctx    context.Context
	cancel context.CancelFunc
	slots  chan struct{}
	wg     sync.WaitGroup

	mu      sync.Mutex
	last    int
	studies []*study // by id
	changed chan struct{}
	told    time.Time
}

type study struct {
	Study
	stop context.CancelFunc
}

// New returns an empty book. Close ends what runs.
func New(o Options) *Book {
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	ctx, cancel := context.WithCancel(context.Background())
	return &Book{o: o, ctx: ctx, cancel: cancel, slots: make(chan struct{}, runningMax), changed: make(chan struct{})}
}

// Close stops everything and waits for it.
func (b *Book) Close() {
	b.cancel()
	b.wg.Wait()
}

// Changed is closed when something changes after the call.
func (b *Book) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

// tell wakes who waits; b.mu is held. Progress alone is told at most a few
// times a second.
func (b *Book) tell(progress bool) {
	now := b.o.Now()
	if since := now.Sub(b.told); progress && since >= 0 && since < newsEach {
		return
	}
	b.told = now
	close(b.changed)
	b.changed = make(chan struct{})
}

// Ask puts a question. It is an error if it makes no sense for the shop, or
// ErrFull.
func (b *Book) Ask(shop *queue.Shop, q Question) (Study, error) {
	switch {
	case q.Weeks < 1 || q.Weeks > WeeksMax:
		return Study{}, &WrongQuestion{locale.Say("%d weeks; 1 to %d are possible", q.Weeks, WeeksMax)}
	case q.Pairs < 2 || q.Pairs > PairsMax:
		return Study{}, &WrongQuestion{locale.Say("%d pairs of runs; 2 to %d are possible", q.Pairs, PairsMax)}
	case len(q.Scenarios) == 0 || len(q.Scenarios) > simulate.ScenariosMax:
		return Study{}, &WrongQuestion{locale.Say("%d changes; 1 to %d are possible at once", len(q.Scenarios), simulate.ScenariosMax)}
	}
	for _, s := range q.Scenarios {
		if err := s.Check(shop); err != nil {
			return Study{}, err
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.ctx.Err(); err != nil {
		return Study{}, err
	}
	open := 0
	for _, s := range b.studies {
		if !s.State.Over() {
			open++
		}
	}
	if open >= openMax {
		return Study{}, ErrFull
	}
	b.last++
	ctx, stop := context.WithCancel(b.ctx)
	s := &study{Study: Study{ID: b.last, Asked: b.o.Now(), Question: q, State: Waiting, Of: q.Pairs * (1 + len(q.Scenarios)), Shop: shop}, stop: stop}
	b.studies = append(b.studies, s)
	for i := 0; len(b.studies) > keptMax && i < len(b.studies); i++ {
		if b.studies[i].State.Over() {
			b.studies = slices.Delete(b.studies, i, i+1)
			i--
		}
	}
	b.tell(false)
	b.wg.Go(func() { b.run(ctx, s) })
	return s.Study, nil
}

func (b *Book) run(ctx context.Context, s *study) {
	defer s.stop()
	select {
	case b.slots <- struct{}{}:
		defer func() { <-b.slots }()
	case <-ctx.Done():
		b.end(ctx, s, nil, ctx.Err())
		return
	}
	b.change(false, func() { s.State = Running })
	o := simulate.Options{Shop: s.Shop, Start: s.Start, Scenarios: s.Scenarios, Weeks: s.Weeks, Pairs: s.Pairs, Seed: s.Seed,
		Progress: func(done, total int) { b.change(true, func() { s.Runs, s.Of = done, total }) }}
	var err error
	if b.o.Learn != nil {
		if o.Habits, o.Lengths, err = b.o.Learn(ctx, s.Shop, b.o.Now()); err != nil {
			b.end(ctx, s, nil, err)
			return
		}
	}
	r, err := simulate.Run(ctx, o)
	b.end(ctx, s, r, err)
}

func (b *Book) end(ctx context.Context, s *study, r *simulate.Result, err error) {
	if err != nil && ctx.Err() == nil {
		b.o.Logger.Warn("simulation failed", zap.Int("study", s.ID), zap.Error(err))
	}
	b.change(false, func() {
		s.Result = r
		switch {
		case ctx.Err() != nil && (r == nil || r.Cut()):
			s.State = Stopped
		case err != nil:
			s.State, s.Wrong = Failed, err.Error()
		default:
			s.State = Done
		}
	})
}

func (b *Book) change(progress bool, do func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	do()
	b.tell(progress)
}

// Stop ends a study; what is done so far is kept. One that is over stays so.
func (b *Book) Stop(id int) error {
	b.mu.Lock()
	s := b.find(id)
	b.mu.Unlock()
	if s == nil {
		return ErrUnknown
	}
	s.stop()
	return nil
}

func (b *Book) find(id int) *study {
	for _, s := range b.studies {
		if s.ID == id {
			return s
		}
	}
	return nil
}

// Get is a study; false: there is none, or it is not kept any more.
func (b *Book) Get(id int) (Study, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if s := b.find(id); s != nil {
		return s.Study, true
	}
	return Study{}, false
}

// All are those that are kept, the newest first.
func (b *Book) All() []Study {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]Study, 0, len(b.studies))
	for i := len(b.studies) - 1; i >= 0; i-- {
		out = append(out, b.studies[i].Study)
	}
	return out
}

// Ranking is the newest study of what one more of each would bring that has a
// result; false: there is none.
func (b *Book) Ranking() (Study, bool) {
	for _, s := range b.All() {
		if s.Ranking && s.Result != nil {
			return s, true
		}
	}
	return Study{}, false
}

// OneMore are the scenarios of a ranking, as many as one question may have.
func OneMore(shop *queue.Shop) []simulate.Scenario {
	all := simulate.OneMore(shop)
	return all[:min(len(all), simulate.ScenariosMax)]
}
