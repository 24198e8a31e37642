package faultsim

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/testdata"
)

// TestLawsAreSeenBroken: each law of the events, broken once, beside what is
// allowed. The judge that finds nothing must be one that could.
func TestLawsAreSeenBroken(t *testing.T) {
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	day := func(month time.Month, hour, minute int) time.Time {
		return time.Date(2026, month, 17, hour, minute, 0, 0, time.UTC)
	}
	feb := day(time.February, 11, 0)
	start := func(unit, kind string, at time.Time, expected time.Duration, held ...queue.ResourceID) *queue.Event {
		return &queue.Event{ID: unit + "/" + kind, Subject: queue.UnitSubject(queue.UnitID(unit)), Time: at, Received: at,
			Type: queue.EventType(kind + ".started"),
			Data: &queue.StepStarted{Step: queue.StepID(kind), Resources: held, ExpectedS: int64(expected / time.Second)}}
	}
	end := func(unit, kind string, who queue.PersonID) *queue.Event {
		return &queue.Event{ID: "end", Subject: queue.UnitSubject(queue.UnitID(unit)), Time: feb, Type: queue.EventType(kind + ".done"),
			Data: &queue.StepDone{Step: queue.StepID(kind), Technician: who}}
	}
	of := func(unit string, d queue.Data, typ queue.EventType) *queue.Event {
		return &queue.Event{ID: string(typ), Subject: queue.UnitSubject(queue.UnitID(unit)), Time: feb, Type: typ, Data: d}
	}
	flash := start("T-1", "flash", feb, 40*time.Minute, "b1", "i1", "c1")
	suspect := start("T-1", "relearn", feb, 15*time.Minute, "p1")
	suspect.ClockSuspect, suspect.Received = true, day(time.February, 21, 0)
	passed := start("T-1", "relearn", day(time.February, 21, 0), 15*time.Minute, "p1")
	passed.Data.(*queue.StepStarted).Overrides = []queue.Override{{Interlock: queue.I8, Reason: "indoors hall", By: "owner"}}
	for _, x := range []struct {
		what string
		want string // "": allowed
		evs  []*queue.Event
	}{
		{"a flash", "", []*queue.Event{flash, end("T-1", "flash", "ruth"), start("T-2", "flash", feb, time.Hour, "b2", "i1", "c1")}},
		{"two on an interface", "I1", []*queue.Event{flash, start("T-2", "flash", feb, time.Hour, "b2", "i1", "c2")}},
		{"two on a loop for two", "", []*queue.Event{start("T-1", "test-ride", feb, time.Minute, "l1"), start("T-2", "test-ride", feb, time.Minute, "l1")}},
		{"three on a loop for two", "I1", []*queue.Event{start("T-1", "test-ride", feb, time.Minute, "l1"), start("T-2", "test-ride", feb, time.Minute, "l1"), start("T-3", "test-ride", feb, time.Minute, "l1")}},
		{"work beside a flash", "I2", []*queue.Event{flash, start("T-1", "fitting", feb, time.Minute, "b2")}},
		{"a flash set aside", "set aside", []*queue.Event{flash, of("T-1", &queue.StepSkipped{Step: "flash"}, queue.TypeStepSkipped)}},
		{"a unit that leaves while it is flashed", "leaves", []*queue.Event{flash, of("T-1", &queue.UnitLeft{}, queue.TypeUnitLeft)}},
		{"a flash ended by nobody", "by nobody", []*queue.Event{flash, end("T-1", "flash", "somebody")}},
		{"an end without a start", "does not run", []*queue.Event{end("T-1", "flash", "ruth")}},
		{"a flash past closing", "I5", []*queue.Event{start("T-1", "flash", day(time.February, 17, 0), 40*time.Minute, "b1", "i1", "c1")}},
		{"an engine at a bench", "I7", []*queue.Event{start("T-1", "relearn", feb, time.Minute, "b1")}},
		{"an engine at noon", "I8", []*queue.Event{start("T-1", "relearn", day(time.February, 12, 40), time.Minute, "p1")}},
		{"an engine that runs into noon", "I8", []*queue.Event{start("T-1", "relearn", day(time.February, 12, 20), 15*time.Minute, "p1")}},
		{"an engine in the dark", "I8", []*queue.Event{start("T-1", "relearn", day(time.December, 16, 30), time.Minute, "p1")}},
		{"an engine on a June evening", "", []*queue.Event{start("T-1", "relearn", day(time.June, 16, 30), time.Minute, "p1")}},
		{"an engine by a clock that is not believed", "I8", []*queue.Event{suspect}},
		{"a foreman who lets it pass", "", []*queue.Event{passed}},
		{"a pad that is closed", "is closed", []*queue.Event{
			{ID: "close", Type: queue.TypeResourceClosed, Data: &queue.ResourceClosed{Resource: "p1", From: feb, Until: feb.Add(time.Hour)}},
			start("T-1", "relearn", feb, time.Minute, "p1")}},
	} {
		var said []string
		w := newLaws(func(format string, args ...any) { said = append(said, fmt.Sprintf(format, args...)) })
		w.event(&queue.Event{Type: queue.TypeShopConfigured, Data: &queue.ShopConfigured{Shop: *shop}})
		for _, e := range x.evs {
			w.event(e)
		}
		found := slices.ContainsFunc(said, func(s string) bool { return strings.Contains(s, x.want) })
		if x.want == "" && len(said) > 0 || x.want != "" && !found {
			t.Errorf("%s: found %q, want %q", x.what, said, x.want)
		}
	}
}
