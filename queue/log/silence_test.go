package log_test

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"tickover/queue/log"
)

// TestSilence: a node is left when the log has not answered through it for a
// while, not for one answer that is late, and not at once again.
func TestSilence(t *testing.T) {
	var s log.Silence
	begun := time.Date(2026, 2, 17, 10, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		after time.Duration
		err   error
		leave bool
	}{
		{0, nats.ErrTimeout, false},
		{time.Second, context.Canceled, false}, // says nothing about the node
		{2 * time.Second, nil, false},
		{3 * time.Second, context.DeadlineExceeded, false}, // sent a second before, as all
		{3900 * time.Millisecond, nats.ErrNoResponders, false},
		{4 * time.Second, context.DeadlineExceeded, true},
		{5 * time.Second, context.DeadlineExceeded, false},
		{6900 * time.Millisecond, context.DeadlineExceeded, false}, // it came a moment ago
		{7100 * time.Millisecond, context.DeadlineExceeded, true},
	} {
		if got := s.Heard(c.err, begun.Add(c.after-time.Second), begun.Add(c.after)); got != c.leave {
			t.Errorf("after %v, %v: leave %v, want %v", c.after, c.err, got, c.leave)
		}
	}
}
