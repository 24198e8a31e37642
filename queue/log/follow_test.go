package log_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

// followAll follows a site by the shared reader, and reports how Follow ended.
func followAll(t *testing.T, s *log.Server, site queue.SiteID, has func() uint64, fn func(*queue.Entry) error) <-chan error {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ended, done := make(chan error, 1), make(chan struct{})
	go func() {
		defer close(done)
		ended <- s.Follow(ctx, site, has, fn)
	}()
	t.Cleanup(func() { cancel(); <-done })
	return ended
}

// served waits until the shared reader serves those who follow a site.
func served(t *testing.T, s *log.Server, site queue.SiteID) {
	t.Helper()
	deploytest.WaitFor(t, "the shared reader", 30*time.Second, func() error {
		if !s.FeedLive(site) {
			return fmt.Errorf("it does not serve who follows %s", site)
		}
		return nil
	})
}

// TestFeedLeavesOutWhatOneHas: who appended an entry is not given it again; what
// came in by another way is given, in its place.
func TestFeedLeavesOutWhatOneHas(t *testing.T) {
	s := open(t, log.Options{Dir: t.TempDir()})
	s.FeedAll()
	const site = "larkmoor"
	var has atomic.Uint64
	got := make(chan *queue.Entry, 100)
	followAll(t, s, site, has.Load, func(en *queue.Entry) error { got <- en; return nil })
	last := logtest.Append(t, s, site, "first", log.Position{})
	if en := logtest.Next(t, got); en.Seq != last.Seq {
		t.Fatalf("got entry %d, want %d", en.Seq, last.Seq)
	}
	served(t, s, site) // else it reads what is appended now as what was there before
	for i := range 50 {
		has.Store(last.Seq + 1) // as if it were folded already: nothing else appends here
		last = logtest.Append(t, s, site, queue.CommandID(fmt.Sprintf("own%d", i)), last)
		if has.Load() != last.Seq {
			t.Fatalf("entry %d, want %d", last.Seq, has.Load())
		}
	}
	last = logtest.Append(t, s, site, "other", last)
	if en := logtest.Next(t, got); en.Seq != last.Seq {
		t.Errorf("got entry %d, want %d: the one that it did not have", en.Seq, last.Seq)
	}
}

// TestFeedSlowFollower: one who stands still for longer than entries are kept
// for him holds nobody up, and is given all of them in order, also when nothing
// comes after the first for which there was no room.
func TestFeedSlowFollower(t *testing.T) {
	for _, n := range []int{log.WaitingMax + 2, 2*log.WaitingMax + 10} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			s := open(t, log.Options{Dir: t.TempDir()})
			s.FeedAll()
			slow, quick := make(chan *queue.Entry), make(chan *queue.Entry, n)
			stands := make(chan struct{}, n)
			followAll(t, s, "larkmoor", logtest.From(0), func(en *queue.Entry) error {
				stands <- struct{}{}
				select {
				case slow <- en:
				case <-t.Context().Done():
				}
				return nil
			})
			followAll(t, s, "highfell", logtest.From(0), func(en *queue.Entry) error { quick <- en; return nil })
			served(t, s, "larkmoor") // else it would stand still before the feed serves it
			all := logtest.Fill(t, s, "larkmoor", "c", 1, log.Position{})
			<-stands // with the first; the rest has to wait
			all = append(all, logtest.Fill(t, s, "larkmoor", "d", n-1, all[0])...)
			last := logtest.Append(t, s, "highfell", "h", log.Position{})
			if en := logtest.Next(t, quick); en.Seq != last.Seq {
				t.Fatalf("highfell got entry %d, want %d", en.Seq, last.Seq)
			}
			for i, want := range all {
				if en := logtest.Next(t, slow); en.Seq != want.Seq || en.Hash() != want.Hash {
					t.Fatalf("entry %d of %d: got sequence %d, want %d", i, n, en.Seq, want.Seq)
				}
			}
		})
	}
}

// TestFeedForeignEntry: what no program of ours wrote ends the followers of its
// site and no others.
func TestFeedForeignEntry(t *testing.T) {
	s := open(t, log.Options{Dir: t.TempDir()})
	s.FeedAll()
	got := make(chan *queue.Entry, 10)
	bad := followAll(t, s, "larkmoor", logtest.From(0), func(*queue.Entry) error { return nil })
	good := followAll(t, s, "highfell", logtest.From(0), func(en *queue.Entry) error { got <- en; return nil })
	last := logtest.Append(t, s, "highfell", "h0", log.Position{})
	logtest.Next(t, got)
	logtest.Append(t, s, "larkmoor", "l0", log.Position{})
	if err := s.Conn().Publish("shop.larkmoor", []byte("not ours")); err != nil {
		t.Fatal(err)
	}
	var damage *log.DamageError
	if err := <-bad; !errors.As(err, &damage) || damage.Site != "larkmoor" {
		t.Errorf("larkmoor's follower ended with %v, want damage of larkmoor", err)
	}
	last = logtest.Append(t, s, "highfell", "h1", last)
	if en := logtest.Next(t, got); en.Seq != last.Seq {
		t.Errorf("highfell got entry %d, want %d", en.Seq, last.Seq)
	}
	select {
	case err := <-good:
		t.Errorf("highfell's follower ended with %v", err)
	default:
	}
}

// TestFeedBrokenChain: an entry that does not follow the one before it ends the
// follower, also if he has it already.
func TestFeedBrokenChain(t *testing.T) {
	s := open(t, log.Options{Dir: t.TempDir()})
	s.FeedAll()
	got := make(chan *queue.Entry, 10)
	var has atomic.Uint64
	ended := followAll(t, s, "larkmoor", has.Load, func(en *queue.Entry) error { got <- en; return nil })
	last := logtest.Append(t, s, "larkmoor", "l0", log.Position{})
	logtest.Next(t, got)
	has.Store(last.Seq + 1)
	en := logtest.Entry("larkmoor", "l1", 1, log.Position{Seq: last.Seq, Hash: queue.HashOf([]byte("another"))})
	if err := log.PublishAsIs(s.JetStream, en, last.Seq); err != nil {
		t.Fatal(err)
	}
	var damage *log.DamageError
	if err := <-ended; !errors.As(err, &damage) || damage.Kind != log.Missing {
		t.Errorf("the follower ended with %v, want a chain that is broken", err)
	}
}

// TestFeedEndsWithTheLog: who follows a log that is closed is told so.
func TestFeedEndsWithTheLog(t *testing.T) {
	s := open(t, log.Options{Dir: t.TempDir()})
	s.FeedAll()
	got := make(chan *queue.Entry, 10)
	ended := followAll(t, s, "larkmoor", logtest.From(0), func(en *queue.Entry) error { got <- en; return nil })
	logtest.Append(t, s, "larkmoor", "l0", log.Position{})
	logtest.Next(t, got)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; !errors.Is(err, log.ErrClosed) {
		t.Errorf("the follower ended with %v, want %v", err, log.ErrClosed)
	}
}

// TestFeedEndsWithItsFollowers: nothing is read for nobody, and who comes later
// is read for anew.
func TestFeedEndsWithItsFollowers(t *testing.T) {
	s := open(t, log.Options{Dir: t.TempDir()})
	s.FeedAll()
	last := log.Position{}
	for round := range 2 {
		ctx, cancel := context.WithCancel(t.Context())
		got := make(chan *queue.Entry, 10)
		var wg sync.WaitGroup
		for range 2 {
			wg.Go(func() {
				_ = s.Follow(ctx, "larkmoor", logtest.From(last.Seq), func(en *queue.Entry) error { got <- en; return nil })
			})
		}
		last = logtest.Append(t, s, "larkmoor", queue.CommandID(fmt.Sprint("l", round)), last)
		for range 2 {
			if en := logtest.Next(t, got); en.Seq != last.Seq {
				t.Fatalf("round %d: got entry %d, want %d", round, en.Seq, last.Seq)
			}
		}
		if !s.FeedReads() {
			t.Errorf("round %d: nobody reads for those who follow", round)
		}
		cancel()
		wg.Wait()
		if s.FeedReads() {
			t.Errorf("round %d: the reader goes on for nobody", round)
		}
	}
}
