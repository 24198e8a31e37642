package dispatch_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"testing"

	"tickover/services/dispatch"
)

// TestPlansAreReadByOthers: whatever the plan before it was, a plan's bytes are
// what the standard library makes of it, or its gzip if they are many.
func TestPlansAreReadByOthers(t *testing.T) {
	zipped := 0
	for _, units := range []int{60, 2, 40, 0} {
		w := newWorld(t, busyDay)
		w.receiveMany(units)
		p := w.compute(nil, dispatch.ComputeOptions{})
		p.TookMS = 12.25
		want, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		got, err := dispatch.EncodePlan(p)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.HasPrefix(got, []byte{0x1f, 0x8b}) {
			zipped++
			z, err := gzip.NewReader(bytes.NewReader(got))
			if err != nil {
				t.Fatal(err)
			}
			if got, err = io.ReadAll(z); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%d units: %d bytes are not the %d that were to be written", units, len(got), len(want))
		}
	}
	if zipped == 0 || zipped == 4 {
		t.Errorf("%d of 4 plans were compressed", zipped)
	}
}
