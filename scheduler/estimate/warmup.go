package estimate

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Warming is an engine that warms up at idle as one lump of heat: from the
// air's temperature it nears Rise degrees above it with the time constant
// Tau, T(t) = Tair + Rise·(1 − e^(−t/Tau)), the solution of a lumped capacity
// with constant heating (Incropera, Fundamentals of Heat and Mass Transfer,
// section 5.3; it holds while the Biot number is below 0.1).
type Warming struct {
	Tau  time.Duration
	Rise float64 // kelvins
}

// Time is how long it takes from the air's temperature to the target, both in
// °C; false: it never gets there.
func (w Warming) Time(airC, targetC float64) (time.Duration, bool) {
	need := targetC - airC
	switch {
	case need <= 0:
		return 0, true
	case w.Rise <= need || w.Tau <= 0 || math.IsNaN(need):
		return 0, false
	}
	return time.Duration(-w.Tau.Seconds() * math.Log(1-need/w.Rise) * float64(time.Second)), true
}

// Relearn is a warm-up that was seen: how long it took from the air's
// temperature to the coolant's at the end.
type Relearn struct {
	AirC, EndC float64
	Took       time.Duration
}

// Bounds of what is believed of a warm-up, and of what a lump may be.
const (
	warmLeast = 3
	riseMin   = 40.0
	riseMax   = 400.0
	tauMin    = 30.0 // s
	tauMax    = 3600.0
)

// usual is taken for a model that was not seen often enough: no published time
// constant of an engine was found; these are placeholders of the right order.
var usual = Warming{Tau: 240 * time.Second, Rise: 110}

// FitWarming learns a model's lump from its relearns: the rise by search, the
// time constant by least squares on the logarithm of the times, which absurd
// ones can't pull far (median). False: there are fewer than three usable ones
// or all at about the same temperatures, and the usual one is returned.
func FitWarming(seen []Relearn) (Warming, bool) {
	var use []Relearn
	for _, r := range seen {
		if s := r.Took.Seconds(); s >= 20 && s <= 7200 && r.EndC-r.AirC > 5 && r.EndC <= 130 && r.AirC >= -40 && r.AirC <= 50 {
			use = append(use, r)
		}
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range use {
		low, high = min(low, r.EndC-r.AirC), max(high, r.EndC-r.AirC)
	}
	if len(use) < warmLeast || high-low < 8 {
		return usual, false
	}
	best, at := math.Inf(1), usual
	for rise := max(riseMin, high*1.02); rise <= riseMax; rise *= 1.01 {
		logs := make([]float64, len(use))
		for i, r := range use {
			logs[i] = math.Log(r.Took.Seconds() / -math.Log(1-(r.EndC-r.AirC)/rise))
		}
		tau := medianOf(logs)
		var off float64
		for _, l := range logs {
			off += math.Abs(l - tau)
		}
		if off < best {
			best, at = off, Warming{time.Duration(min(max(math.Exp(tau), tauMin), tauMax) * float64(time.Second)), rise}
		}
	}
	return at, true
}

// SortRelearns puts them in an order that does not depend on where they came
// from.
func SortRelearns(r []Relearn) {
	slices.SortFunc(r, func(a, b Relearn) int {
		return cmp.Or(cmp.Compare(a.AirC, b.AirC), cmp.Compare(a.EndC, b.EndC), cmp.Compare(a.Took, b.Took))
	})
}
