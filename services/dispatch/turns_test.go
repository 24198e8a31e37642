package dispatch

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// TestTurns: one plans at a time, in the order in which they came; a search for
// something better gives way and does not begin while others wait; who gives up
// waiting holds nothing up.
func TestTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		turns := NewTurns(2)
		stopped := make(chan struct{})
		var once sync.Once
		end, ok := turns.spare(func() { once.Do(func() { close(stopped) }) })
		if !ok {
			t.Fatal("nobody plans, and there is no turn")
		}
		var order []int
		var crowd []bool
		var all sync.WaitGroup
		for i := range 3 {
			all.Go(func() {
				turn, err := turns.take(context.Background())
				if err != nil {
					t.Error(err)
				}
				order, crowd = append(order, i), append(crowd, turn.crowded)
				turn.done()
			})
			synctest.Wait()
		}
		ctx, cancel := context.WithCancel(context.Background())
		all.Go(func() {
			if _, err := turns.take(ctx); !errors.Is(err, context.Canceled) {
				t.Errorf("gave up: %v", err)
			}
		})
		synctest.Wait()
		select {
		case <-stopped:
		default:
			t.Error("others wait, and the search goes on")
		}
		if _, ok := turns.spare(func() {}); ok {
			t.Error("a search began while others wait")
		}
		cancel()
		synctest.Wait()
		if len(order) > 0 {
			t.Error("somebody planned beside the search")
		}
		end()
		all.Wait()
		if !slices.Equal(order, []int{0, 1, 2}) || !slices.Equal(crowd, []bool{true, true, false}) {
			t.Errorf("order %v, crowded %v", order, crowd)
		}
		if end, ok := turns.spare(func() {}); !ok {
			t.Error("a turn was lost")
		} else {
			end()
		}
	})
}

// TestTurnsRest: after a turn in which commands came, whoever waits for the next
// waits for three times as long, so that planning has a quarter of one of two
// cores; not if there were none, and not if nobody waited.
func TestTurnsRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const length = 20 * time.Millisecond
		turns := NewTurns(2)
		take := func() (planning, time.Duration) {
			asked := time.Now()
			turn, err := turns.take(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			return turn, time.Since(asked)
		}
		for _, x := range []struct {
			name             string
			commanded, alone bool
			want             time.Duration
		}{
			{"commands came", true, false, 4 * length},
			{"no commands", false, false, length},
			{"nobody waits", true, true, 0},
		} {
			first, _ := take()
			if x.alone {
				turns.Commanded()
				time.Sleep(length)
				first.done()
				second, waited := take()
				second.done()
				if waited != x.want {
					t.Errorf("%s: waited %v, want %v", x.name, waited, x.want)
				}
				continue
			}
			var all sync.WaitGroup
			all.Go(func() {
				second, waited := take()
				second.done()
				if waited != x.want {
					t.Errorf("%s: waited %v, want %v", x.name, waited, x.want)
				}
			})
			if x.commanded {
				turns.Commanded()
			}
			time.Sleep(length)
			first.done()
			all.Wait()
		}
	})
}

// TestTurnsUnderWay: however takes, spares and cancellations meet, no more plan
// at a time than may, and no turn is lost.
func TestTurnsUnderWay(t *testing.T) {
	const n = 3
	turns := NewTurns(n + 1)
	var mu sync.Mutex
	at, most := 0, 0
	enter := func() {
		mu.Lock()
		at++
		most = max(most, at)
		mu.Unlock()
	}
	leave := func() {
		mu.Lock()
		at--
		mu.Unlock()
	}
	var all sync.WaitGroup
	for i := range 16 {
		all.Go(func() {
			for k := range 300 {
				ctx, cancel := context.WithCancel(context.Background())
				switch {
				case (i+k)%5 == 0:
					if end, ok := turns.spare(func() {}); ok {
						enter()
						leave()
						end()
					}
				case (i+k)%7 == 0:
					go cancel()
					fallthrough
				default:
					if turn, err := turns.take(ctx); err == nil {
						enter()
						leave()
						turn.done()
					}
				}
				cancel()
			}
		})
	}
	all.Wait()
	if most > n {
		t.Errorf("%d planned at a time, %d may", most, n)
	}
	if turns.free != n || len(turns.waiting) != 0 || len(turns.idle) != 0 {
		t.Errorf("afterwards %d of %d turns are free, %d wait, %d search", turns.free, n, len(turns.waiting), len(turns.idle))
	}
}
