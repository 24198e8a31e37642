package redisview_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/redis/go-redis/v9"
	"go.uber.org/goleak"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/queue/view/redisview"
	"tickover/queue/view/viewtest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func dial(t testing.TB, r *deploytest.Redis) *redis.Client {
	t.Helper()
	c, err := redisview.Dial(r.URL(), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

func TestRedis(t *testing.T) {
	r := deploytest.StartRedis(t)
	viewtest.Run(t, func(t *testing.T) viewtest.Fixture {
		r.Flush(t)
		return viewtest.Fixture{
			Store: redisview.New(dial(t, r)), Other: redisview.New(dial(t, r)),
			Flush: func() { r.Flush(t) },
		}
	})
}

// TestLostInPart: what was evicted or deleted by hand is missing, not short.
func TestLostInPart(t *testing.T) {
	r := deploytest.StartRedis(t)
	c := dial(t, r)
	s := redisview.New(c)
	const site = queue.SiteID("larkmoor")
	for _, pattern := range []string{"*:rows", "*:head"} {
		w := viewtest.Whole(site, 7, 20)
		if done, err := s.Put(t.Context(), w); !done || err != nil {
			t.Fatalf("put after a loss: %v, %v", done, err)
		}
		keys, err := c.Keys(t.Context(), pattern).Result()
		if err != nil || len(keys) != 1 {
			t.Fatalf("keys %s: %q, %v", pattern, keys, err)
		}
		c.Del(t.Context(), keys...)
		if _, rows, err := s.Units(t.Context(), site); !errors.Is(err, view.ErrMissing) {
			t.Errorf("without %s: %d rows, %v; want ErrMissing", pattern, len(rows), err)
		}
	}
	r.Flush(t)
	put := viewtest.Whole(site, 8, 20)
	if done, err := s.Put(t.Context(), put); !done || err != nil {
		t.Fatal(done, err)
	}
	keys, _ := c.Keys(t.Context(), "*:rows").Result()
	c.HDel(t.Context(), keys[0], "L-00003")
	if _, rows, err := s.Units(t.Context(), site); !errors.Is(err, view.ErrMissing) {
		t.Errorf("without one row: %d rows, %v; want ErrMissing", len(rows), err)
	}
}

// TestNothingIsLeft: generations that were replaced, or given up half way, go.
func TestNothingIsLeft(t *testing.T) {
	r := deploytest.StartRedis(t)
	c := dial(t, r)
	s := redisview.New(c)
	for seq := range uint64(20) {
		if _, err := s.Put(t.Context(), viewtest.Whole("larkmoor", 1+seq, 700)); err != nil {
			t.Fatal(err)
		}
	}
	keys, err := c.Keys(t.Context(), "*").Result()
	if err != nil || len(keys) != 3 { // head, rows, sites
		t.Errorf("keys are %q, %v", keys, err)
	}
}

func TestDamagedSnapshot(t *testing.T) {
	r := deploytest.StartRedis(t)
	c := dial(t, r)
	s := redisview.New(c)
	if err := s.SaveSnapshot(t.Context(), log.Snapshot{Site: "larkmoor", Seq: 5, Format: 1, Data: []byte("state")}); err != nil {
		t.Fatal(err)
	}
	c.HSet(t.Context(), "tickover:view2:larkmoor:snapshot", "data", "something else")
	if sn, ignored, err := s.LoadSnapshot(t.Context(), "larkmoor", 1); sn != nil || len(ignored) != 1 || err != nil {
		t.Errorf("damaged snapshot: %v, %v, %v", sn, ignored, err)
	}
}

// TestAway: a server that is gone is ErrAway, soon, and no harm when it is back.
func TestAway(t *testing.T) {
	r := deploytest.StartRedis(t)
	s := redisview.New(dial(t, r))
	w := viewtest.Whole("larkmoor", 5, 10)
	if _, err := s.Put(t.Context(), w); err != nil {
		t.Fatal(err)
	}
	r.Kill()
	for name, f := range map[string]func() error{
		"head":  func() error { _, err := s.Head(t.Context(), "larkmoor"); return err },
		"heads": func() error { _, err := s.Heads(t.Context()); return err },
		"units": func() error { _, _, err := s.Units(t.Context(), "larkmoor"); return err },
		"put":   func() error { _, err := s.Put(t.Context(), w); return err },
		"advance": func() error {
			_, err := s.Advance(t.Context(), view.Change{From: 5, Head: view.Head{Site: "larkmoor", Seq: 6}})
			return err
		},
		"drop":     func() error { return s.Drop(t.Context(), "larkmoor") },
		"save":     func() error { return s.SaveSnapshot(t.Context(), log.Snapshot{Site: "larkmoor", Seq: 1}) },
		"snapshot": func() error { _, _, err := s.LoadSnapshot(t.Context(), "larkmoor", 1); return err },
	} {
		if err := f(); !errors.Is(err, view.ErrAway) {
			t.Errorf("%s without a server: %v, want ErrAway", name, err)
		}
	}
	r.Start(t) // nothing was kept
	if _, err := s.Put(t.Context(), w); err != nil {
		t.Errorf("put when it is back: %v", err)
	}
}

func TestDialSaysNoSecret(t *testing.T) {
	_, err := redisview.Dial("redis://:hunter2@[::1", nil)
	if err == nil || len(err.Error()) == 0 {
		t.Fatal("an address that can't be read was taken")
	}
	if got := err.Error(); strings.Contains(got, "hunter2") {
		t.Errorf("the error tells the password: %s", got)
	}
}

// BenchmarkRefill: 10,000 open units, from the state to the store that was
// flushed.
func BenchmarkRefill(b *testing.B) {
	r := deploytest.StartRedis(b)
	s := redisview.New(dial(b, r))
	w := viewtest.Whole("larkmoor", 5, 10_000)
	for b.Loop() {
		b.StopTimer()
		r.Flush(b)
		b.StartTimer()
		if done, err := s.Put(b.Context(), w); !done || err != nil {
			b.Fatal(done, err)
		}
	}
}

// BenchmarkUnits reads a site of 100 open units.
func BenchmarkUnits(b *testing.B) {
	r := deploytest.StartRedis(b)
	s := redisview.New(dial(b, r))
	if _, err := s.Put(b.Context(), viewtest.Whole("larkmoor", 5, 100)); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, rows, err := s.Units(b.Context(), "larkmoor"); err != nil || len(rows) != 100 {
			b.Fatal(len(rows), err)
		}
	}
}
