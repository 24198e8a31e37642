package queue_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tickover/queue"
	"tickover/queue/queuetest"
)

// sequences is how many random command sequences the property tests walk;
// `make soak` sets TICKOVER_SEQUENCES higher.
func sequences(t *testing.T) int {
	s := os.Getenv("TICKOVER_SEQUENCES")
	if s == "" {
		return 10_000
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("TICKOVER_SEQUENCES=%q is no count", s)
	}
	return n
}

const stepsInWalk = 40

// TestNothingUnsafeIsEverRecorded walks random command sequences and judges
// them twice: by the events alone, and by the state's own audit.
func TestNothingUnsafeIsEverRecorded(t *testing.T) {
	seed, n := queuetest.Seed(t, 20260216), sequences(t)
	const workers = 2
	var (
		wg     sync.WaitGroup
		mu     sync.Mutex
		totals = map[string]int{}
	)
	for w := range workers {
		wg.Go(func() {
			mine := map[string]int{}
			for i := w; i < n; i += workers {
				if err := walkOnce(seed, uint64(i), mine); err != nil {
					t.Errorf("seed %d, sequence %d: %v", seed, i, err)
					return
				}
			}
			mu.Lock()
			defer mu.Unlock()
			for k, v := range mine {
				totals[k] += v
			}
		})
	}
	wg.Wait()
	t.Logf("%d sequences: %v", n, totals)
	for i := queue.I1; i <= queue.I13; i++ {
		if n >= 10_000 && totals[i.String()] == 0 && i != queue.I9 { // I9 voids, it refuses nothing
			t.Errorf("no sequence met %s: the walk is too tame to prove anything", i)
		}
	}
	if totals["flash.started"] == 0 || totals["unit.left"] == 0 || totals["step.voided"] == 0 {
		t.Errorf("the walk is too tame: %v", totals)
	}
}

func walkOnce(seed, stream uint64, count map[string]int) error {
	w := queuetest.NewWalk(seed, stream)
	judge := newJudge(w.Site.State.Shop)
	for i := range w.Site.Entries {
		judge.entry(&w.Site.Entries[i])
	}
	for range stepsInWalk {
		o, err := w.Step()
		var r *queue.Refusal
		switch {
		case err == nil:
			judge.entry(&queue.Entry{Events: o.Events})
			for i := range o.Events {
				count[string(o.Events[i].Type)]++
			}
		case !errors.As(err, &r):
			return err
		case r.Interlock > 0:
			count[r.Interlock.String()]++
		}
		if len(judge.found) > 0 {
			return fmt.Errorf("by the events: %v", judge.found)
		}
		if found := w.Site.State.Audit(); len(found) > 0 {
			return fmt.Errorf("by the audit: %v", found)
		}
	}
	return nil
}

// judge follows the events alone: it knows the shop file and nothing of the
// queue's state.
type judge struct {
	shop   *queue.Shop
	holder map[queue.ResourceID][]string // who holds it
	done   map[string]bool               // unit/step that counts as done
	routes map[queue.UnitID][]queue.StepID
	holds  map[string][]queue.ResourceID
	over   map[string]bool
	found  []string
}

func newJudge(shop *queue.Shop) *judge {
	return &judge{shop, map[queue.ResourceID][]string{}, map[string]bool{}, map[queue.UnitID][]queue.StepID{},
		map[string][]queue.ResourceID{}, map[string]bool{}, nil}
}

func (j *judge) say(format string, args ...any) {
	j.found = append(j.found, fmt.Sprintf(format, args...))
}

func (j *judge) entry(en *queue.Entry) {
	for i := range en.Events {
		e := &en.Events[i]
		unit, _ := e.Subject.Unit()
		key := string(unit) + "/" + string(e.StepOf())
		switch d := e.Data.(type) {
		case *queue.UnitArrived:
			for _, rs := range j.shop.Route(d.Route).Steps {
				if !rs.Optional || contains(d.Options, rs.ID) {
					j.routes[unit] = append(j.routes[unit], rs.ID)
				}
			}
		case *queue.ReworkOpened:
			j.routes[unit] = append(j.routes[unit], d.Step)
			j.done[key] = false
		case *queue.StepStarted:
			j.started(e.Type, key, d)
		case *queue.StepDone:
			j.ended(key)
			j.done[key] = true
			j.over[key] = len(d.Overrides) > 0
			j.evidence(e.Type, key, d)
		case *queue.StepFailed:
			j.ended(key)
		case *queue.StepVoided, *queue.StepReopened:
			j.done[key] = false
		case *queue.StepSkipped:
			j.done[key] = true
		case *queue.UnitLeft:
			for _, st := range j.routes[unit] {
				if !j.done[string(unit)+"/"+string(st)] && len(d.Overrides) == 0 {
					j.say("%s left without %s and nobody overrode it", unit, st)
				}
			}
		}
	}
}

func (j *judge) started(typ queue.EventType, key string, d *queue.StepStarted) {
	engine := typ == "relearn.started" || typ == "restart-check.started" || typ == "test-ride.started"
	for _, id := range d.Resources {
		res := j.shop.Resource(id)
		j.holder[id] = append(j.holder[id], key)
		if len(j.holder[id]) > max(1, res.Capacity) {
			j.say("%s is held by %v at once", id, j.holder[id])
		}
		if engine && res.Kind == queue.Bench {
			j.say("the engine of %s runs at %s", key, id)
		}
	}
	if engine && len(d.Resources) == 0 {
		j.say("the engine of %s runs at no place", key)
	}
	if typ == "flash.started" && d.Calibration == nil && len(d.Overrides) == 0 {
		j.say("%s flashes nothing", key)
	}
	j.holds[key], j.done[key] = d.Resources, false
}

func (j *judge) ended(key string) {
	for _, id := range j.holds[key] {
		rest := j.holder[id][:0]
		for _, k := range j.holder[id] {
			if k != key {
				rest = append(rest, k)
			}
		}
		j.holder[id] = rest
	}
	delete(j.holds, key)
}

// evidence: what the test shop requires of these steps, written out here.
func (j *judge) evidence(typ queue.EventType, key string, d *queue.StepDone) {
	need := map[queue.EventType][]queue.EvidenceKey{
		"flash.done": {"calibration", "revision"}, "restart-check.passed": {"idle_rpm"}, "final-check.done": {"torque_checked"},
	}[typ]
	for _, k := range need {
		if d.Evidence[k] == "" && len(d.Overrides) == 0 {
			j.say("%s was done without %s and nobody overrode it", key, k)
		}
	}
}

func contains[T comparable](list []T, want T) bool {
	for _, x := range list {
		if x == want {
			return true
		}
	}
	return false
}

// stateJSON is everything that a state holds.
func stateJSON(t *testing.T, s *queue.State) string {
	t.Helper()
	b, err := s.MarshalSnapshot()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestRepeatsChangeNothing sends each command of a walk 1 to 5 times, late
// repeats mixed in as outboxes that lost the answer would send them.
func TestRepeatsChangeNothing(t *testing.T) {
	seed := queuetest.Seed(t, 7)
	for i := range uint64(300) {
		w := queuetest.NewWalk(seed, i)
		rng := rand.New(rand.NewPCG(seed, i+1_000_000))
		var again []queue.Command
		for range stepsInWalk {
			if _, err := w.Step(); err == nil {
				cmd := w.Sent[len(w.Sent)-1]
				for range rng.IntN(5) {
					again = append(again, cmd)
				}
			}
			before := stateJSON(t, w.Site.State)
			for len(again) > 0 && rng.IntN(2) == 0 {
				k := rng.IntN(len(again))
				o, err := w.Site.Send(again[k])
				if err != nil || !o.Duplicate || len(o.Events) > 0 {
					t.Fatalf("sequence %d: repeat of %s: %+v, %v", i, again[k].ID, o, err)
				}
				again = append(again[:k], again[k+1:]...)
			}
			if after := stateJSON(t, w.Site.State); after != before {
				t.Fatalf("sequence %d: a repeat changed the state: %s", i, cmp.Diff(before, after))
			}
		}
	}
}

// TestOutboxesInAnyInterleaving: three phones work offline on a unit each and
// send their outboxes, every command 1 to 5 times, in order of first sending,
// mixed with each other in any way. The units end up the same.
func TestOutboxesInAnyInterleaving(t *testing.T) {
	seed := queuetest.Seed(t, 11)
	box := func(unit queue.UnitID, who queue.PersonID, bench queue.ResourceID) []queue.Command {
		var out []queue.Command
		add := func(a queue.Action) {
			out = append(out, queue.Command{ID: queue.CommandID(fmt.Sprintf("%s-%d", unit, len(out))),
				At: queuetest.Monday, Actor: who, Action: a})
		}
		add(&queue.StartStep{Unit: unit, Step: "check-in", Technician: who})
		add(&queue.FinishStep{Unit: unit, Step: "check-in", Technician: who})
		add(&queue.AcceptStep{Unit: unit, Step: "fit", Technician: who, Resources: []queue.ResourceID{bench}})
		add(&queue.ReportProblem{Unit: unit, Step: "fit", Reason: "bolt missing"})
		add(&queue.ReturnStep{Unit: unit, Step: "fit", Reason: "waits for a bolt"})
		add(&queue.StartStep{Unit: unit, Step: "charge", Technician: who, Resources: []queue.ResourceID{queue.ResourceID("c" + string(bench[1]))}})
		return out
	}
	var want string
	for i := range uint64(500) {
		rng := rand.New(rand.NewPCG(seed, i))
		s := queuetest.NewSite()
		for _, u := range []queue.UnitID{"T-1", "T-2"} {
			a := queuetest.Arrival("set-up", queuetest.Monday)
			a.Options = []queue.StepID{"fit"}
			_, err := s.Do("", &queue.ReceiveUnit{Unit: u, Arrival: a})
			ok(t, err)
		}
		deliver(t, s, rng, box("T-1", "ada", "b1"), box("T-2", "ben", "b2"))
		got := unitsJSON(t, s.State)
		if want == "" {
			want = got
		} else if got != want {
			t.Fatalf("seed %d, interleaving %d: %s", seed, i, cmp.Diff(want, got))
		}
	}
}

// deliver sends the boxes as flaky networks would: a box's first sendings keep
// their order, anything sent before may come again.
func deliver(t *testing.T, s *queuetest.Site, rng *rand.Rand, boxes ...[]queue.Command) {
	t.Helper()
	var sent []queue.Command
	times := map[queue.CommandID]int{}
	send := func(c queue.Command) {
		if times[c.ID]++; times[c.ID] > 5 {
			return
		}
		if _, err := s.Send(c); err != nil {
			t.Fatalf("%s: %v", c.ID, err)
		}
	}
	for left := true; left; {
		left = false
		for k := range boxes {
			if len(boxes[k]) == 0 {
				continue
			}
			left = true
			if rng.IntN(2) == 0 {
				send(boxes[k][0])
				sent = append(sent, boxes[k][0])
				boxes[k] = boxes[k][1:]
			}
			if len(sent) > 0 && rng.IntN(2) == 0 {
				send(sent[rng.IntN(len(sent))])
			}
		}
	}
}

// unitsJSON is the units without what depends on the order of the log.
func unitsJSON(t *testing.T, s *queue.State) string {
	t.Helper()
	out := ""
	for _, u := range s.OpenUnits() {
		c := *u
		c.Entries = nil
		b, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		out += string(b) + "\n"
	}
	return out
}
