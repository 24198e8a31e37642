package queue_test

import (
	"testing"

	"tickover/queue"
	"tickover/queue/queuetest"
)

// FuzzUnmarshalSnapshot: whatever lies in a snapshot's file, reading it
// ends, and so does whatever is asked of what was read.
func FuzzUnmarshalSnapshot(f *testing.F) {
	site := queuetest.NewSite()
	if err := site.Arrive("T-1", "set-up"); err != nil {
		f.Fatal(err)
	}
	b, err := site.State.MarshalSnapshot()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(`{"format":2,"units":[null]}`))
	f.Add([]byte(`{"format":2,"campaigns":[null],"listed":[{}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := queue.UnmarshalSnapshot(b)
		if err != nil {
			return
		}
		// What no program of ours wrote need not be what one would write.
		_, _ = s.MarshalSnapshot()
		_ = s.Audit()
	})
}
