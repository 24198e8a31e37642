package solve

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"tickover/scheduler/modeltest"
)

// BenchmarkLowers is the cost of the lower limits, paid once a plan.
func BenchmarkLowers(b *testing.B) {
	for _, n := range []int{60, 200} {
		p := modeltest.Shop(rand.New(rand.NewPCG(4, 0)), modeltest.Size{Jobs: n, Benches: 12, Interfaces: 3, Chargers: 4, Pads: 2, Workers: 8, Days: 14})
		in := compile(p)
		d := newDecoder(in)
		d.placeFacts(false)
		b.Run(fmt.Sprint(n, " units"), func(b *testing.B) {
			for b.Loop() {
				in.lowers(d)
			}
		})
	}
}
