package simshop

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/almanac"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/ledger"
	"tickover/services/simshop/agenda"
)

// Floor is what the people see of the services and do through them.
type Floor interface {
	Do(context.Context, queue.Command) (ledger.Receipt, error)
	Try(queue.Command) error
	View() *queue.State
	Almanac() *almanac.Almanac
}

// world is the simulated shop: its people, the machines' true readings, and
// what is going to happen. One goroutine runs it.
type world struct {
	o     Options
	ctx   context.Context
	floor Floor
	plan  func() *dispatch.Plan // in force; nil: none yet
	// recorded, if set, is called after each command that was carried out.
	recorded func()
	live     bool
	benches  *benches // of a headless shop; nil when live
	// station, if set, is what hangs on the wall at a bench, pad or loop.
	station func(dispatch.Station) *bench.Station
	still   bool // nobody brings anything more, nothing more goes wrong
	rand    *rand.Rand
	tally   tally

	now      time.Time
	due      agenda.Agenda[func()]
	commands uint64
	prefix   string
	tickets  int
	fatal    error // of the log; ends the run

	people  []*person // by id
	jobs    map[queue.Hold]*job
	bikes   map[queue.UnitID]*bike
	handing map[queue.UnitID]bool // a hand-over is on its way
	leaving map[queue.Hold]bool   // the foreman is going to leave the step out
}

func newWorld(ctx context.Context, o Options, f Floor, plan func() *dispatch.Plan) *world {
	w := &world{
		o: o, ctx: ctx, floor: f, plan: plan,
		rand: rand.New(rand.NewPCG(o.Seed, 0x7469636b6f766572)),
		jobs: map[queue.Hold]*job{}, bikes: map[queue.UnitID]*bike{},
		handing: map[queue.UnitID]bool{}, leaving: map[queue.Hold]bool{},
	}
	for i := range o.Shop.Technicians {
		w.people = append(w.people, &person{id: o.Shop.Technicians[i].ID})
	}
	slices.SortFunc(w.people, func(a, b *person) int { return cmp.Compare(a.id, b.id) })
	for _, p := range w.people {
		p.pace = w.lognormal(0.08) // some are quicker than others
	}
	return w
}

// at makes an appointment; one in the past happens at once.
func (w *world) at(t time.Time, do func()) {
	if t.Before(w.now) {
		t = w.now
	}
	w.due.Add(t, do)
}

// onDay makes an appointment of the day's draw; what lies in the past when a
// day is begun in its middle is left out.
func (w *world) onDay(t time.Time, do func()) {
	if !t.Before(w.now) {
		w.at(t, do)
	}
}

// look does nothing but give everybody the time to look up.
func (w *world) look() {}

func (w *world) in(d time.Duration, do func()) { w.at(w.now.Add(d), do) }

// do sends a command as it happened now; a refusal is counted and returned.
func (w *world) do(actor queue.PersonID, a queue.Action) error {
	return w.send(w.command(actor, a))
}

func (w *world) command(actor queue.PersonID, a queue.Action) queue.Command {
	w.commands++
	return queue.Command{
		ID: queue.CommandID(fmt.Sprintf("%s.%d", w.prefix, w.commands)),
		At: w.now.UTC(), Actor: actor, Action: a,
	}
}

// resends bounds how often a command is sent again that was not confirmed.
const resends = 3

func (w *world) send(cmd queue.Command) error {
	if w.fatal != nil {
		return w.fatal
	}
	_, err := w.floor.Do(w.ctx, cmd)
	for range resends {
		if !errors.Is(err, log.ErrNotDurable) || w.ctx.Err() != nil {
			break
		}
		_, err = w.floor.Do(w.ctx, cmd) // the same id: it counts once
	}
	var refusal *queue.Refusal
	switch {
	case err == nil:
		if w.recorded != nil {
			w.recorded()
		}
		if w.happens(Repeats, 0.02) {
			if _, again := w.floor.Do(w.ctx, cmd); again != nil && !errors.Is(again, context.Canceled) {
				w.fatal = fmt.Errorf("command %s sent twice: %w", cmd.ID, again)
			}
		}
	case errors.As(err, &refusal):
		if refusal.Interlock > 0 {
			w.tally.refusals++
			w.tally.by[refusal.Interlock]++
		}
	case w.live: // what can't be saved now can be said again later
	default:
		w.fatal = fmt.Errorf("command %s: %w", cmd.ID, err)
	}
	return err
}

// try asks whether the shop would refuse it, as a page does that greys a
// button out; nothing is counted.
func (w *world) try(actor queue.PersonID, a queue.Action) *queue.Refusal {
	err := w.floor.Try(queue.Command{ID: "look", At: w.now.UTC(), Actor: actor, Action: a})
	var refusal *queue.Refusal
	if errors.As(err, &refusal) {
		return refusal
	}
	return nil
}

// step looks a step up as it stands now.
func (w *world) step(h queue.Hold) (*queue.Unit, *queue.Step) {
	u := w.floor.View().Units[h.Unit]
	if u == nil {
		return nil, nil
	}
	return u, u.Step(h.Step)
}

// luck begins the draws of one thing anew, if they are to be the same whatever
// was drawn before.
func (w *world) luck(about ...any) {
	if !w.o.SameLuck {
		return
	}
	h := fnv.New64a()
	fmt.Fprint(h, about...)
	w.rand = rand.New(rand.NewPCG(w.o.Seed, h.Sum64()))
}

// truly is how long a stretch takes at the usual pace.
func (w *world) truly(op *queue.Operation, stretch int) time.Duration {
	d := op.Stretches[stretch].Duration
	if f := w.o.Truly[op.ID]; f > 0 {
		d = time.Duration(float64(d) * f)
	}
	return d
}

// happens draws whether a fault strikes. The draw is made also when the fault
// is switched off.
func (w *world) happens(f Faults, p float64) bool {
	hit := w.rand.Float64() < p
	return hit && w.o.Without&f == 0
}

func (w *world) chance(p float64) bool { return w.rand.Float64() < p }

// lognormal draws a factor with median 1.
func (w *world) lognormal(sigma float64) float64 { return math.Exp(sigma * w.rand.NormFloat64()) }

// between draws a duration in [a, b), in whole seconds.
func (w *world) between(a, b time.Duration) time.Duration {
	n := int64((b - a) / time.Second)
	if n <= 0 {
		return a
	}
	return a + time.Duration(w.rand.Int64N(n))*time.Second
}

// scaled is d times f in whole seconds, at least a tenth of d.
func scaled(d time.Duration, f float64) time.Duration {
	return max(time.Duration(float64(d)*f), d/10).Truncate(time.Second)
}

func pick[T any](w *world, list []T) T { return list[w.rand.IntN(len(list))] }
