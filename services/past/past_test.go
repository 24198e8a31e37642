package past_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/services/past"
)

// walked is a log of random commands, some of them refused.
func walked(t interface{ Fatal(...any) }, seed uint64, steps int) (*logtest.Mem, []queue.Entry) {
	w := queuetest.NewWalk(seed, 1)
	for range steps {
		_, _ = w.Step() // a refusal is not in the log
	}
	mem := logtest.NewMem()
	for i := range w.Site.Entries {
		en := w.Site.Entries[i]
		if _, err := mem.Append(context.Background(), &en, uint64(i)); err != nil {
			t.Fatal(err)
		}
	}
	return mem, w.Site.Entries
}

// foldOf folds the first k entries, with nothing of the package under test.
func foldOf(t interface{ Fatal(...any) }, entries []queue.Entry, k int) *queue.State {
	st := queue.NewState("test")
	for i := range k {
		if _, err := st.Apply(&entries[i]); err != nil {
			t.Fatal(err)
		}
	}
	return st
}

// differ compares all that a reader of a state can see, and the units' chains.
func differ(a, b *queue.State) string {
	return cmp.Diff(a, b, cmpopts.IgnoreUnexported(queue.State{}, queue.Unit{}, queue.Shop{}), cmpopts.EquateEmpty())
}

// TestAtEqualsTheFold: the state as of the moment at which entry k was received
// is the fold of the first k entries, and of those that came in the same
// moment; whatever was asked before, with little and with much kept.
func TestAtEqualsTheFold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		mem, entries := walked(t, seed, rapid.IntRange(1, 120).Draw(t, "steps"))
		p := past.New(past.Options{Log: mem, Site: "test", Answers: rapid.IntRange(1, 4).Draw(t, "answers"),
			Marks: rapid.IntRange(1, 5).Draw(t, "marks"), MarkEvery: rapid.IntRange(1, 9).Draw(t, "every")})
		asked := map[int]*queue.State{}
		for range 8 {
			k := rapid.IntRange(1, len(entries)).Draw(t, "k")
			at := past.Received(&entries[k-1])
			last := k
			for last < len(entries) && !past.Received(&entries[last]).After(at) {
				last++
			}
			st, err := p.At(context.Background(), at)
			if err != nil {
				t.Fatal(err)
			}
			if d := differ(foldOf(t, entries, last), st); d != "" {
				t.Fatalf("as of entry %d of %d: %s", k, len(entries), d)
			}
			asked[last] = st
		}
		for last, st := range asked { // nobody changed what was handed out
			if d := differ(foldOf(t, entries, last), st); d != "" {
				t.Fatalf("the state after %d entries was changed afterwards: %s", last, d)
			}
		}
	})
}

// TestAppendedLater: the last state is not taken for the present one once
// another entry has come.
func TestAppendedLater(t *testing.T) {
	mem, entries := walked(t, queuetest.Seed(t, 3), 60)
	short, err := half(mem, entries)
	if err != nil {
		t.Fatal(err)
	}
	p := past.New(past.Options{Log: short, Site: "test"})
	end := past.Received(&entries[len(entries)-1])
	n := len(entries) / 2
	for ; n <= len(entries); n++ {
		st, err := p.At(context.Background(), end)
		if err != nil || st.Seq != uint64(n) {
			t.Fatalf("after %d entries the state is at %d, %v", n, st.Seq, err)
		}
		if n < len(entries) {
			en := entries[n]
			if _, err := short.Append(context.Background(), &en, uint64(n)); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func half(_ *logtest.Mem, entries []queue.Entry) (*logtest.Mem, error) {
	m := logtest.NewMem()
	for i := range entries[:len(entries)/2] {
		en := entries[i]
		if _, err := m.Append(context.Background(), &en, uint64(i)); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// TestRefusals: before the first entry, of an empty log, and a caller who left.
func TestRefusals(t *testing.T) {
	mem, entries := walked(t, queuetest.Seed(t, 4), 40)
	p := past.New(past.Options{Log: mem, Site: "test"})
	begins := past.Received(&entries[0])
	_, err := p.At(context.Background(), begins.Add(-time.Nanosecond))
	var before *past.BeforeError
	if !errors.As(err, &before) || !before.Begins.Equal(begins) {
		t.Errorf("before the first entry: %v", err)
	}
	if _, err := past.New(past.Options{Log: logtest.NewMem(), Site: "test"}).At(context.Background(), begins); !errors.Is(err, past.ErrEmpty) {
		t.Errorf("an empty log: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := p.At(ctx, begins.Add(time.Hour)); !errors.Is(err, context.Canceled) {
		t.Errorf("a caller who left: %v", err)
	}
}

// TestManyAtOnce: readers of all moments at once see what each should; run it
// with -race.
func TestManyAtOnce(t *testing.T) {
	mem, entries := walked(t, queuetest.Seed(t, 5), 80)
	p := past.New(past.Options{Log: mem, Site: "test", Answers: 3, Marks: 4, MarkEvery: 3})
	var wg sync.WaitGroup
	for k := range entries {
		wg.Go(func() {
			st, err := p.At(context.Background(), past.Received(&entries[k]))
			if err != nil || st.Seq < uint64(k+1) || past.Received(&entries[st.Seq-1]).After(past.Received(&entries[k])) {
				t.Errorf("as of entry %d: %v", k+1, err)
				return
			}
			st.Machines()
		})
	}
	wg.Wait()
}

// TestUntil: the log of that time ends with its last entry.
func TestUntil(t *testing.T) {
	mem, entries := walked(t, queuetest.Seed(t, 6), 40)
	for k := range len(entries) + 1 {
		for _, after := range []uint64{0, uint64(k / 2), uint64(k)} {
			var got, want []uint64
			err := past.Until(mem, uint64(k)).Read(context.Background(), "test", after, func(en *queue.Entry) error {
				got = append(got, en.Seq)
				return nil
			})
			for i := after + 1; i <= uint64(k); i++ {
				want = append(want, i)
			}
			if err != nil || !slices.Equal(got, want) {
				t.Fatalf("until %d after %d: %v, %v", k, after, got, err)
			}
		}
	}
}

// BenchmarkAt asks for moments along a log of 200,000 events, about 8,000
// visits: the first time, and again near a moment that was asked for.
func BenchmarkAt(b *testing.B) {
	const events = 200_000
	site := queuetest.NewSite()
	until := site.ClosesAt.AddDate(20, 0, 0)
	site.ClosesAt = until
	for id := range site.Outdoor {
		site.Outdoor[id] = queue.Window{Until: until}
	}
	for n := 0; site.State.Events < events; n++ {
		site.Now = site.Now.Add(time.Minute)
		unit := queue.UnitID(fmt.Sprintf("T-%d", n))
		if err := site.Arrive(unit, "set-up"); err != nil {
			b.Fatal(err)
		}
		for _, st := range site.State.Units[unit].Steps {
			if err := site.Run(unit, st.ID); err != nil {
				b.Fatal(err)
			}
		}
		if _, err := site.Do("ada", &queue.HandOver{Unit: unit}); err != nil {
			b.Fatal(err)
		}
	}
	mem := logtest.NewMem()
	for i := range site.Entries {
		en := site.Entries[i]
		if _, err := mem.Append(context.Background(), &en, uint64(i)); err != nil {
			b.Fatal(err)
		}
	}
	n := len(site.Entries)
	ask := func(b *testing.B, p *past.Past, k int) {
		if _, err := p.At(context.Background(), past.Received(&site.Entries[k])); err != nil {
			b.Fatal(err)
		}
	}
	b.Run("first", func(b *testing.B) {
		for range b.N {
			ask(b, past.New(past.Options{Log: mem, Site: "test"}), n-2)
		}
	})
	b.Run("another", func(b *testing.B) {
		p := past.New(past.Options{Log: mem, Site: "test"})
		ask(b, p, n-2)
		b.ResetTimer()
		for i := range b.N {
			ask(b, p, (i*7919+n/3)%(n-2))
		}
	})
}

// TestWarm: a past that read the log ahead gives the same states, and keeps no
// more of them than it may.
func TestWarm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		mem, entries := walked(t, seed, rapid.IntRange(1, 120).Draw(t, "steps"))
		p := past.New(past.Options{Log: mem, Site: "test", Marks: rapid.IntRange(1, 6).Draw(t, "marks"), MarkEvery: rapid.IntRange(1, 20).Draw(t, "every")})
		if err := p.Warm(context.Background()); err != nil {
			t.Fatal(err)
		}
		k := rapid.IntRange(1, len(entries)).Draw(t, "k")
		at := past.Received(&entries[k-1])
		for k < len(entries) && !past.Received(&entries[k]).After(at) {
			k++
		}
		got, err := p.At(context.Background(), at)
		if err != nil {
			t.Fatal(err)
		}
		if d := differ(foldOf(t, entries, k), got); d != "" {
			t.Fatalf("entry %d of %d: %s", k, len(entries), d)
		}
	})
}

// BenchmarkFirstLookBack is the first question about the past of a log of
// 200,000 events, two thirds of the way in: with the log read ahead, as a
// running shop does, and without. warm is how long that takes in the
// background, in seconds.
func BenchmarkFirstLookBack(b *testing.B) {
	site := queuetest.NewSite()
	site.ClosesAt = site.ClosesAt.AddDate(20, 0, 0)
	for id := range site.Outdoor {
		site.Outdoor[id] = queue.Window{Until: site.ClosesAt}
	}
	mem := logtest.NewMem()
	for n := 0; site.State.Events < 200_000; n++ {
		unit := queue.UnitID(fmt.Sprintf("T-%d", n))
		site.Now = site.Now.Add(time.Minute)
		if err := site.Arrive(unit, "set-up"); err != nil {
			b.Fatal(err)
		}
		for _, st := range site.State.Units[unit].Steps {
			if err := site.Run(unit, st.ID); err != nil {
				b.Fatal(err)
			}
		}
		if _, err := site.Do("ada", &queue.HandOver{Unit: unit}); err != nil {
			b.Fatal(err)
		}
	}
	for i := range site.Entries {
		en := site.Entries[i]
		if _, err := mem.Append(context.Background(), &en, uint64(i)); err != nil {
			b.Fatal(err)
		}
	}
	at := past.Received(&site.Entries[len(site.Entries)*2/3])
	for _, warm := range []bool{true, false} {
		b.Run(fmt.Sprintf("warm=%v", warm), func(b *testing.B) {
			var ahead time.Duration
			for range b.N {
				b.StopTimer()
				p := past.New(past.Options{Log: mem, Site: "test"})
				if warm {
					start := time.Now()
					if err := p.Warm(context.Background()); err != nil {
						b.Fatal(err)
					}
					ahead += time.Since(start)
				}
				b.StartTimer()
				if _, err := p.At(context.Background(), at); err != nil {
					b.Fatal(err)
				}
			}
			if warm {
				b.ReportMetric(ahead.Seconds()/float64(b.N), "warm-s/op")
			}
		})
	}
}
