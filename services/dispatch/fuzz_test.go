package dispatch_test

import (
	"testing"

	"tickover/services/dispatch"
)

// FuzzWire: whatever lies where plans and offers do, it is one or an error.
func FuzzWire(f *testing.F) {
	f.Add([]byte(`{"site":"larkmoor"}`))
	f.Add([]byte{0x1f, 0x8b, 8, 0})
	f.Add([]byte(`{"steps":[null],"offers":{"b1":null}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		if p, err := dispatch.DecodePlan(b); (p == nil) == (err == nil) {
			t.Errorf("%v, %v", p, err)
		}
		_, _ = dispatch.DecodeOffer(b)
	})
}
