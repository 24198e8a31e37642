package logtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/queue"
	"tickover/queue/log"
)

// Store is one log under test.
type Store struct {
	log.Log
	// Reopen closes the log and opens it again as a restart of the program
	// does.
	Reopen func() log.Log
	// Fill makes the log refuse further appends as full.
	Fill func()
}

// At is the time of the first event that [Entry] makes.
var At = time.Date(2031, 2, 24, 7, 30, 0, 0, time.UTC)

// Entry makes an entry of n events for a command, to follow last. The events
// are notes on units, with a payload that depends on the command only.
func Entry(site queue.SiteID, cmd queue.CommandID, n int, last log.Position) *queue.Entry {
	en := &queue.Entry{Site: site, Prev: last.Hash}
	for i := range n {
		at := At.Add(time.Duration(last.Seq) * time.Minute)
		en.Events = append(en.Events, queue.Event{
			ID: fmt.Sprintf("%s.%d", cmd, i), Site: site, Subject: queue.UnitSubject(queue.UnitID(fmt.Sprintf("u%d", i))),
			Time: at, Received: at.Add(time.Second), Actor: "foreman", Command: cmd, N: last.Seq + 1,
			Type: queue.TypeProblemReported,
			Data: &queue.ProblemReported{Step: "flash", Reason: "cable of " + string(cmd)},
		})
	}
	return en
}

// Link puts the events of an entry on a unit of their own, so that
// the chains of the units are whole.
func Link(en *queue.Entry, unit queue.UnitID) {
	var prev queue.Hash
	for i := range en.Events {
		e := &en.Events[i]
		e.Subject, e.N, e.Prev = queue.UnitSubject(unit), uint64(i+1), prev
		if _, err := e.MarshalJSON(); err != nil {
			panic(err)
		}
		prev = e.Hash()
	}
}

// Append appends an entry of one event and returns its position.
func Append(t testing.TB, l log.Log, site queue.SiteID, cmd queue.CommandID, last log.Position) log.Position {
	t.Helper()
	en := Entry(site, cmd, 1, last)
	seq, err := l.Append(t.Context(), en, last.Seq)
	if err != nil {
		t.Fatalf("append %s after %d: %v", cmd, last.Seq, err)
	}
	return log.Position{Seq: seq, Hash: en.Hash()}
}

// Fill appends n entries, command ids prefix1…, and returns all positions.
func Fill(t testing.TB, l log.Log, site queue.SiteID, prefix string, n int, last log.Position) []log.Position {
	t.Helper()
	var all []log.Position
	for i := range n {
		last = Append(t, l, site, queue.CommandID(fmt.Sprintf("%s%d", prefix, i+1)), last)
		all = append(all, last)
	}
	return all
}

// Collect reads a site from after to the end.
func Collect(t testing.TB, l log.Log, site queue.SiteID, after uint64) []*queue.Entry {
	t.Helper()
	var got []*queue.Entry
	err := l.Read(t.Context(), site, after, func(en *queue.Entry) error {
		got = append(got, en)
		return nil
	})
	if err != nil {
		t.Fatalf("read site %s after %d: %v", site, after, err)
	}
	return got
}

// Run checks that open's logs keep the contract of [log.Log]. open makes a
// fresh, empty one and cleans up after the test.
func Run(t *testing.T, open func(t *testing.T) Store) {
	for _, c := range []struct {
		name string
		run  func(t *testing.T, s Store)
	}{
		{"Empty", testEmpty},
		{"Order", testOrder},
		{"RoundTrip", testRoundTrip},
		{"Conflict", testConflict},
		{"Contention", testContention},
		{"Repeat", testRepeat},
		{"RepeatOtherContent", testRepeatOtherContent},
		{"Invalid", testInvalid},
		{"ReplayFromAny", testReplayFromAny},
		{"Follow", testFollow},
		{"FollowManySites", testFollowManySites},
		{"SlowReader", testSlowReader},
		{"CallbackError", testCallbackError},
		{"Cancel", testCancel},
		{"LargeEntries", testLargeEntries},
		{"UnknownKind", testUnknownKind},
		{"Reopen", testReopen},
		{"Full", testFull},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.run(t, open(t))
		})
	}
}

const site = queue.SiteID("larkmoor")

func testEmpty(t *testing.T, s Store) {
	if got := Collect(t, s, site, 0); len(got) != 0 {
		t.Errorf("read %d entries from an empty log", len(got))
	}
	if last, err := s.Last(t.Context(), site); err != nil || last != (log.Position{}) {
		t.Errorf("Last = %v, %v, want zero", last, err)
	}
	if sites, err := s.Sites(t.Context()); err != nil || len(sites) != 0 {
		t.Errorf("Sites = %v, %v, want none", sites, err)
	}
	if _, err := s.At(t.Context(), site, 1); !errors.Is(err, log.ErrNotFound) {
		t.Errorf("At(1) = %v, want ErrNotFound", err)
	}
}

func testOrder(t *testing.T, s Store) {
	var a, b log.Position
	var want []uint64
	for i := range 50 {
		a = Append(t, s, "larkmoor", queue.CommandID(fmt.Sprintf("a%d", i)), a)
		want = append(want, a.Seq)
		if i%3 == 0 {
			b = Append(t, s, "highfell", queue.CommandID(fmt.Sprintf("b%d", i)), b)
		}
	}
	var got []uint64
	prev := queue.Hash("")
	for _, en := range Collect(t, s, "larkmoor", 0) {
		got = append(got, en.Seq)
		if en.Site != "larkmoor" || en.Prev != prev {
			t.Errorf("entry %d: site %s, prev %.8s, want larkmoor, %.8s", en.Seq, en.Site, en.Prev, prev)
		}
		prev = en.Hash()
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("sequences (-want +got):\n%s", d)
	}
	if last, err := s.Last(t.Context(), "highfell"); err != nil || last != b {
		t.Errorf("Last(highfell) = %v, %v, want %v", last, err, b)
	}
	sites, err := s.Sites(t.Context())
	if d := cmp.Diff([]queue.SiteID{"highfell", "larkmoor"}, sites); err != nil || d != "" {
		t.Errorf("Sites: %v (-want +got):\n%s", err, d)
	}
}

func testRoundTrip(t *testing.T, s Store) {
	en := Entry(site, "c1", 7, log.Position{})
	seq, err := s.Append(t.Context(), en, 0)
	if err != nil || en.Seq != seq {
		t.Fatalf("append: %v, sequence %d in the entry, %d returned", err, en.Seq, seq)
	}
	got := Collect(t, s, site, 0)
	if len(got) != 1 {
		t.Fatalf("read %d entries, want 1", len(got))
	}
	if got[0].Hash() != en.Hash() {
		t.Errorf("hash %s, want %s", got[0].Hash(), en.Hash())
	}
	want := *en
	want.Stored = got[0].Stored // the log's own time
	// The remaining fields are exported or hashes of them.
	all := cmp.Exporter(func(reflect.Type) bool { return true })
	if d := cmp.Diff(&want, got[0], all); d != "" {
		t.Errorf("entry (-want +got):\n%s", d)
	}
}

func testConflict(t *testing.T, s Store) {
	first := Append(t, s, site, "c1", log.Position{})
	second := Append(t, s, site, "c2", first)
	for _, stale := range []log.Position{{}, first} {
		if _, err := s.Append(t.Context(), Entry(site, "c3", 1, stale), stale.Seq); !errors.Is(err, log.ErrConflict) {
			t.Errorf("append after %d when %d is the last: %v, want ErrConflict", stale.Seq, second.Seq, err)
		}
	}
	ahead := log.Position{Seq: second.Seq + 5, Hash: second.Hash}
	if _, err := s.Append(t.Context(), Entry(site, "c4", 1, ahead), ahead.Seq); !errors.Is(err, log.ErrConflict) {
		t.Errorf("append after entry %d, which is not there: %v, want ErrConflict", ahead.Seq, err)
	}
	Append(t, s, site, "c5", second)
	if got := Collect(t, s, site, 0); len(got) != 3 {
		t.Errorf("%d entries, want 3", len(got))
	}
}

// testContention: many writers decide on what they last read; each round one
// of them wins.
func testContention(t *testing.T, s Store) {
	const writers, each = 8, 12
	var wg sync.WaitGroup
	errs := make(chan error, writers)
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				cmd := queue.CommandID(fmt.Sprintf("w%d-%d", w, i))
				for {
					last, err := s.Last(t.Context(), site)
					if err == nil {
						_, err = s.Append(t.Context(), Entry(site, cmd, 1, last), last.Seq)
					}
					if err == nil {
						break
					}
					if !errors.Is(err, log.ErrConflict) {
						errs <- err
						return
					}
				}
			}
		})
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		t.Fatal(err)
	}
	seen := map[queue.CommandID]bool{}
	for _, en := range Collect(t, s, site, 0) { // checks the chain
		if seen[en.Command()] {
			t.Errorf("command %s is in the log twice", en.Command())
		}
		seen[en.Command()] = true
	}
	if len(seen) != writers*each {
		t.Errorf("%d commands in the log, want %d", len(seen), writers*each)
	}
}

func testRepeat(t *testing.T, s Store) {
	first := Append(t, s, site, "c1", log.Position{})
	second := Append(t, s, site, "c2", first)
	third := Append(t, s, site, "c3", second)
	for _, r := range []struct {
		cmd  queue.CommandID
		last log.Position
		want log.Position
	}{{"c1", log.Position{}, first}, {"c2", first, second}, {"c3", second, third}} {
		if got := Append(t, s, site, r.cmd, r.last); got != r.want {
			t.Errorf("repeat of %s is at %v, want %v", r.cmd, got, r.want)
		}
	}
	if got := Collect(t, s, site, 0); len(got) != 3 {
		t.Errorf("%d entries, want 3", len(got))
	}
}

func testRepeatOtherContent(t *testing.T, s Store) {
	first := Append(t, s, site, "c1", log.Position{})
	for _, last := range []log.Position{{}, first} {
		_, err := s.Append(t.Context(), Entry(site, "c1", 2, last), last.Seq)
		var rep *log.RepeatedError
		if !errors.As(err, &rep) || rep.Seq != first.Seq || !errors.Is(err, log.ErrRepeated) {
			t.Errorf("same command with other events after %d: %v, want ErrRepeated at %d", last.Seq, err, first.Seq)
		}
	}
	if got := Collect(t, s, site, 0); len(got) != 1 {
		t.Errorf("%d entries, want 1", len(got))
	}
}

func testInvalid(t *testing.T, s Store) {
	first := Append(t, s, site, "c1", log.Position{})
	for _, c := range []struct {
		name string
		last uint64
		make func(*queue.Entry)
	}{
		{"no events", first.Seq, func(en *queue.Entry) { en.Events = nil }},
		{"no command", first.Seq, func(en *queue.Entry) { en.Events[0].Command = "" }},
		{"line break in the command", first.Seq, func(en *queue.Entry) { en.Events[0].Command = "a\r\nb" }},
		{"two commands", first.Seq, func(en *queue.Entry) { en.Events[1].Command = "other" }},
		{"other site", first.Seq, func(en *queue.Entry) { en.Events[1].Site = "highfell" }},
		{"site with a wildcard", first.Seq, func(en *queue.Entry) { en.Site = "*" }},
		{"no previous hash", first.Seq, func(en *queue.Entry) { en.Prev = "" }},
		{"previous hash at the beginning", 0, func(en *queue.Entry) {}},
		{"wrong previous hash", first.Seq, func(en *queue.Entry) { en.Prev = queue.HashOf([]byte("x")) }},
		{"too many events", first.Seq, func(en *queue.Entry) {
			for len(en.Events) <= queue.EntryEventsMax {
				en.Events = append(en.Events, en.Events[0])
			}
		}},
	} {
		en := Entry(site, "c2", 2, first)
		c.make(en)
		if _, err := s.Append(t.Context(), en, c.last); !errors.Is(err, log.ErrInvalid) {
			t.Errorf("%s: %v, want ErrInvalid", c.name, err)
		}
	}
	if got := Collect(t, s, site, 0); len(got) != 1 {
		t.Errorf("%d entries, want 1", len(got))
	}
}

func testReplayFromAny(t *testing.T, s Store) {
	all := Fill(t, s, site, "c", 30, log.Position{})
	for i, pos := range all {
		if i%7 == 3 {
			Append(t, s, "highfell", queue.CommandID(fmt.Sprintf("b%d", i)), lastOf(t, s, "highfell"))
		}
		var got []uint64
		for _, en := range Collect(t, s, site, pos.Seq) {
			got = append(got, en.Seq)
		}
		var want []uint64
		for _, p := range all[i+1:] {
			want = append(want, p.Seq)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("after %d (-want +got):\n%s", pos.Seq, d)
		}
		if at, err := s.At(t.Context(), site, pos.Seq); err != nil || at != pos {
			t.Errorf("At(%d) = %v, %v, want %v", pos.Seq, at, err, pos)
		}
	}
	if got := Collect(t, s, site, all[29].Seq+1000); len(got) != 0 {
		t.Errorf("read %d entries after the end", len(got))
	}
}

func lastOf(t testing.TB, l log.Log, site queue.SiteID) log.Position {
	t.Helper()
	last, err := l.Last(t.Context(), site)
	if err != nil {
		t.Fatal(err)
	}
	return last
}

// From is the place of a follower who has nothing by other ways.
func From(after uint64) func() uint64 { return func() uint64 { return after } }

// follow runs Follow on its own goroutine and returns what it delivers, and a
// function that stops it and returns its error.
func follow(t *testing.T, l log.Log, site queue.SiteID, after uint64) (<-chan *queue.Entry, func() error) {
	ctx, cancel := context.WithCancel(t.Context())
	out, done := make(chan *queue.Entry), make(chan error, 1)
	go func() {
		done <- l.Follow(ctx, site, From(after), func(en *queue.Entry) error {
			select {
			case out <- en:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	}()
	stop := sync.OnceValue(func() error {
		cancel()
		return <-done
	})
	t.Cleanup(func() { _ = stop() })
	return out, stop
}

// Patience bounds every wait for something that must come.
const Patience = 30 * time.Second

// Next waits for one entry.
func Next(t testing.TB, ch <-chan *queue.Entry) *queue.Entry {
	t.Helper()
	select {
	case en := <-ch:
		return en
	case <-time.After(Patience):
		t.Fatalf("no entry within %v", Patience)
		return nil
	}
}

func testFollow(t *testing.T, s Store) {
	stored := Fill(t, s, site, "c", 5, log.Position{})
	ch, stop := follow(t, s, site, stored[1].Seq)
	for _, want := range stored[2:] {
		if en := Next(t, ch); en.Seq != want.Seq {
			t.Fatalf("got entry %d, want %d", en.Seq, want.Seq)
		}
	}
	last := stored[4]
	for i := range 20 {
		last = Append(t, s, site, queue.CommandID(fmt.Sprintf("live%d", i)), last)
		if en := Next(t, ch); en.Seq != last.Seq || en.Hash() != last.Hash {
			t.Fatalf("got entry %d, want %d", en.Seq, last.Seq)
		}
	}
	if err := stop(); !errors.Is(err, context.Canceled) {
		t.Errorf("Follow ended with %v, want context.Canceled", err)
	}
}

func testFollowManySites(t *testing.T, s Store) {
	sites := []queue.SiteID{"larkmoor", "highfell", "blackwater"}
	chans := map[queue.SiteID]<-chan *queue.Entry{}
	for _, site := range sites {
		chans[site], _ = follow(t, s, site, 0)
	}
	last := map[queue.SiteID]log.Position{}
	rng := rand.New(rand.NewPCG(7, 7))
	for i := range 40 {
		site := sites[rng.IntN(len(sites))]
		last[site] = Append(t, s, site, queue.CommandID(fmt.Sprintf("c%d", i)), last[site])
		if en := Next(t, chans[site]); en.Site != site || en.Seq != last[site].Seq {
			t.Fatalf("follower of %s got entry %d of %s, want %d", site, en.Seq, en.Site, last[site].Seq)
		}
	}
}

// testSlowReader: a reader that stops for a while in the middle holds nobody
// up and misses nothing.
func testSlowReader(t *testing.T, s Store) {
	const n = 400
	ch, _ := follow(t, s, site, 0)
	all := Fill(t, s, site, "c", n, log.Position{}) // nobody takes from ch
	for i, want := range all {
		if en := Next(t, ch); en.Seq != want.Seq {
			t.Fatalf("entry %d of %d: got sequence %d, want %d", i, n, en.Seq, want.Seq)
		}
	}
}

func testCallbackError(t *testing.T, s Store) {
	all := Fill(t, s, site, "c", 10, log.Position{})
	stop := errors.New("enough")
	for name, run := range map[string]func(context.Context, queue.SiteID, uint64, func(*queue.Entry) error) error{
		"Read": s.Read,
		"Follow": func(ctx context.Context, site queue.SiteID, after uint64, fn func(*queue.Entry) error) error {
			return s.Follow(ctx, site, From(after), fn)
		},
	} {
		var got []uint64
		err := run(t.Context(), site, 0, func(en *queue.Entry) error {
			if got = append(got, en.Seq); en.Seq == all[3].Seq {
				return stop
			}
			return nil
		})
		if err != stop || len(got) != 4 {
			t.Errorf("%s: %v after %d entries, want the callback's error after 4", name, err, len(got))
		}
	}
}

func testCancel(t *testing.T, s Store) {
	all := Fill(t, s, site, "c", 10, log.Position{})
	ctx, cancel := context.WithCancel(t.Context())
	var n int
	err := s.Read(ctx, site, 0, func(*queue.Entry) error {
		if n++; n == 3 {
			cancel()
		}
		return nil
	})
	if err != nil && !errors.Is(err, context.Canceled) || err == nil && n != len(all) {
		t.Errorf("cancelled Read: %v after %d entries", err, n)
	}
	before := len(Collect(t, s, site, 0))
	if _, err := s.Append(ctx, Entry(site, "late", 1, all[9]), all[9].Seq); err == nil || !errors.Is(err, context.Canceled) {
		t.Errorf("append with a cancelled context: %v, want context.Canceled", err)
	}
	// The outcome is open; trying again settles it.
	Append(t, s, site, "late", all[9])
	if got := len(Collect(t, s, site, 0)); got != before+1 {
		t.Errorf("%d entries, want %d", got, before+1)
	}
}

func testLargeEntries(t *testing.T, s Store) {
	var last log.Position
	var want []queue.Hash
	for i := range 4 {
		en := Entry(site, queue.CommandID(fmt.Sprintf("c%d", i)), queue.EntryEventsMax, last)
		for j := range en.Events {
			en.Events[j].Data.(*queue.ProblemReported).Reason = string(slices.Repeat([]byte("x"), 2500))
		}
		seq, err := s.Append(t.Context(), en, last.Seq)
		if err != nil {
			t.Fatal(err)
		}
		last = log.Position{Seq: seq, Hash: en.Hash()}
		want = append(want, en.Hash())
	}
	var got []queue.Hash
	for _, en := range Collect(t, s, site, 0) {
		got = append(got, en.Hash())
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("hashes (-want +got):\n%s", d)
	}
}

// testUnknownKind: a kind of event that this version does not know passes
// through unchanged.
func testUnknownKind(t *testing.T, s Store) {
	en := Entry(site, "c1", 1, log.Position{})
	b, err := en.Encode()
	if err != nil {
		t.Fatal(err)
	}
	b = bytes.Replace(b, []byte(`"problem.reported.v1"`), []byte(`"weather.noted.v9"`), 1)
	odd, err := queue.DecodeEntry(b, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(t.Context(), &odd, 0); err != nil {
		t.Fatal(err)
	}
	got := Collect(t, s, site, 0)
	if len(got) != 1 || got[0].Events[0].Type != "weather.noted" || got[0].Events[0].Data != nil {
		t.Errorf("unknown kind came back as %+v", got)
	}
}

func testReopen(t *testing.T, s Store) {
	all := Fill(t, s, site, "c", 25, log.Position{})
	re := s.Reopen()
	if last := lastOf(t, re, site); last != all[24] {
		t.Fatalf("last after reopening is %v, want %v", last, all[24])
	}
	if got := Collect(t, re, site, 0); len(got) != 25 {
		t.Errorf("%d entries after reopening, want 25", len(got))
	}
	if got := Append(t, re, site, "c25", all[23]); got != all[24] {
		t.Errorf("repeat after reopening is at %v, want %v", got, all[24])
	}
	Append(t, re, site, "c26", all[24])
}

func testFull(t *testing.T, s Store) {
	all := Fill(t, s, site, "c", 3, log.Position{})
	s.Fill()
	last := lastOf(t, s, site)
	if _, err := s.Append(t.Context(), Entry(site, "over", 1, last), last.Seq); !errors.Is(err, log.ErrFull) {
		t.Fatalf("append to a full log: %v, want ErrFull", err)
	}
	if got := Collect(t, s, site, 0); len(got) < len(all) || lastOf(t, s, site) != last {
		t.Errorf("a full log has %d entries and ends at %v, want %v", len(got), lastOf(t, s, site), last)
	}
}
