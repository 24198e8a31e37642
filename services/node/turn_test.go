package node_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"tickover/services/node"
)

// TestLearningRests: who learns next waits as long as the last one took, and
// much longer while commands are carried out; the end of the process waits for
// no rest.
func TestLearningRests(t *testing.T) {
	const work = 10 * time.Millisecond
	for _, c := range []struct {
		name string
		busy bool
		rest time.Duration
	}{
		{"quiet", false, node.RestQuiet * work},
		{"commands come", true, node.RestBusy * work},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var commands uint64
				take := node.Learning(func() uint64 { return commands })
				learn := func() error {
					time.Sleep(work)
					if c.busy {
						commands++
					}
					return nil
				}
				begun := time.Now()
				for range 3 {
					if err := take(t.Context(), learn); err != nil {
						t.Fatal(err)
					}
				}
				if got, want := time.Since(begun), 3*(work+c.rest); got != want {
					t.Errorf("three took %v, want %v", got, want)
				}
				ctx, cancel := context.WithCancel(t.Context())
				begun = time.Now()
				_ = take(ctx, func() error { cancel(); return learn() })
				if got := time.Since(begun); got != work {
					t.Errorf("the end waited %v longer than the work", got-work)
				}
			})
		})
	}
}
