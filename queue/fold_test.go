package queue_test

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	cloudevents "github.com/cloudevents/sdk-go/v2/event"

	"tickover/queue"
	"tickover/queue/queuetest"
)

// walked returns the entries of a random walk, decoded from their stored bytes.
func walked(t *testing.T, seed, stream uint64) (*queue.State, []queue.Entry) {
	t.Helper()
	w := queuetest.NewWalk(seed, stream)
	for range stepsInWalk {
		_, _ = w.Step() // refusals are part of a walk
	}
	var out []queue.Entry
	for i := range w.Site.Entries {
		en := &w.Site.Entries[i]
		b, err := en.Encode()
		ok(t, err)
		dec, err := queue.DecodeEntry(b, en.Prev)
		ok(t, err)
		if dec.Hash() != en.Hash() {
			t.Fatalf("entry %d: hash %s after decoding, %s before", en.Seq, dec.Hash(), en.Hash())
		}
		dec.Seq = en.Seq
		out = append(out, dec)
	}
	return w.Site.State, out
}

func fold(t *testing.T, s *queue.State, entries []queue.Entry) *queue.State {
	t.Helper()
	for i := range entries {
		if _, err := s.Apply(&entries[i]); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// TestFoldEqualsState: the state that commands left behind, the fold of the
// stored log, the fold from any checkpoint, and the fold with every entry
// delivered twice are one.
func TestFoldEqualsState(t *testing.T) {
	seed := queuetest.Seed(t, 3)
	for i := range uint64(100) {
		live, entries := walked(t, seed, i)
		want := stateJSON(t, live)
		if got := stateJSON(t, fold(t, queue.NewState("test"), entries)); got != want {
			t.Fatalf("walk %d: fold of the stored log differs", i)
		}
		cut := int(i) % len(entries)
		checkpoint, err := queue.UnmarshalSnapshot([]byte(stateJSON(t, fold(t, queue.NewState("test"), entries[:cut]))))
		ok(t, err)
		if got := stateJSON(t, fold(t, checkpoint, entries[cut:])); got != want {
			t.Fatalf("walk %d: fold from the checkpoint at %d differs", i, cut)
		}
		twice := queue.NewState("test")
		for k := range entries {
			fold(t, twice, entries[max(0, k-2):k+1])
		}
		if got := stateJSON(t, twice); got != want {
			t.Fatalf("walk %d: redelivered entries changed the state", i)
		}
	}
}

// TestBrokenChainIsFound: an entry left out, changed, or moved does not apply
// and leaves the state as it was.
func TestBrokenChainIsFound(t *testing.T) {
	_, entries := walked(t, 5, 1)
	if len(entries) < 6 {
		t.Fatalf("only %d entries", len(entries))
	}
	refused := func(name string, en queue.Entry) {
		t.Helper()
		s := fold(t, queue.NewState("test"), entries[:3])
		before := stateJSON(t, s)
		if applied, err := s.Apply(&en); applied || !errors.Is(err, queue.ErrChain) {
			t.Errorf("%s: applied %v, error %v", name, applied, err)
		}
		if stateJSON(t, s) != before {
			t.Errorf("%s: the state changed", name)
		}
	}
	refused("one left out", entries[4])
	forged := entries[3]
	forged.Events = append([]queue.Event(nil), forged.Events...)
	forged.Events[0].N++
	refused("a counter changed", forged)
	forged.Events[0].N--
	forged.Events[0].Prev = "00"
	refused("a link changed", forged)

	// Moved with a forged link: the entry it pushed aside no longer follows.
	b, err := entries[5].Encode()
	ok(t, err)
	moved, err := queue.DecodeEntry(b, entries[3].Prev)
	ok(t, err)
	s := fold(t, queue.NewState("test"), entries[:3])
	if _, err = s.Apply(&moved); err == nil {
		_, err = s.Apply(&entries[3])
	}
	if !errors.Is(err, queue.ErrChain) {
		t.Errorf("moved: %v", err)
	}
}

func TestNewerVersionsAreRefusedUnknownKindsKept(t *testing.T) {
	_, entries := walked(t, 5, 1)
	b, err := entries[1].Encode()
	ok(t, err)
	newer := strings.Replace(string(b), `.v1"`, `.v2"`, 1)
	if _, err := queue.DecodeEntry([]byte(newer), ""); !errors.Is(err, queue.ErrNewerFormat) {
		t.Errorf("a newer version of a known kind: %v", err)
	}
	unknown := strings.Replace(string(b), `"unit.arrived.v1"`, `"unit.painted.v7"`, 1)
	en, err := queue.DecodeEntry([]byte(unknown), entries[1].Prev)
	ok(t, err)
	s := fold(t, queue.NewState("test"), entries[:1])
	en.Seq = 2
	_, err = s.Apply(&en)
	ok(t, err)
	if s.Unknown["unit.painted"] != 1 || len(s.OpenUnits()) != 0 {
		t.Errorf("an unknown kind: counted %v", s.Unknown)
	}
	again, err := en.Events[0].MarshalJSON()
	ok(t, err)
	if !strings.Contains(string(again), "machine") {
		t.Errorf("the data of an unknown kind was lost: %s", again)
	}
}

// TestEventsAreCloudEvents reads every event with the CloudEvents project's own
// library (CloudEvents 1.0.2).
func TestEventsAreCloudEvents(t *testing.T) {
	_, entries := walked(t, 5, 2)
	for i := range entries {
		for k := range entries[i].Events {
			e := &entries[i].Events[k]
			b, err := e.MarshalJSON()
			ok(t, err)
			var ce cloudevents.Event
			ok(t, json.Unmarshal(b, &ce))
			ok(t, ce.Validate())
			if ce.ID() != e.ID || ce.Subject() != string(e.Subject) || !ce.Time().Equal(e.Time) || ce.SpecVersion() != "1.0" {
				t.Errorf("read back %v, want %v", ce, e)
			}
			if ce.Type() != string(e.Type)+".v1" || ce.Source() != "/sites/test" {
				t.Errorf("type %q, source %q", ce.Type(), ce.Source())
			}
		}
	}
}

func FuzzDecodeEntry(f *testing.F) {
	w := queuetest.NewWalk(1, 1)
	for range 20 {
		_, _ = w.Step()
	}
	for i := range w.Site.Entries {
		b, _ := w.Site.Entries[i].Encode()
		f.Add(b)
	}
	f.Add([]byte(`[{"specversion":"1.0"}]`))
	f.Add([]byte(`[]`))
	f.Fuzz(func(t *testing.T, b []byte) {
		en, err := queue.DecodeEntry(b, "")
		if err != nil {
			if !errors.Is(err, queue.ErrMalformed) && !errors.Is(err, queue.ErrNewerFormat) {
				t.Fatalf("untyped error: %v", err)
			}
			return
		}
		s := queue.NewState(en.Site)
		if _, err := s.Apply(&en); err != nil && !errors.Is(err, queue.ErrChain) {
			t.Fatal(err)
		}
		s.Audit()
	})
}
