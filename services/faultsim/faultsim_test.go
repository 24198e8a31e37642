package faultsim_test

import (
	"flag"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/services/faultsim"
	"tickover/testdata"
)

var (
	seed    = flag.Uint64("seed", 0, "run this seed alone, with its trace")
	days    = flag.Int("days", 5, "days with faults of each run")
	history = flag.Bool("history", false, "print the whole trace")
)

func options(tb testing.TB, seed uint64, days int) faultsim.Options {
	tb.Helper()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		tb.Fatal(err)
	}
	return faultsim.Options{Shop: shop, ShopFile: hash, Seed: seed, Days: days}
}

// shopDays is how many shop-days TestFaults simulates.
func shopDays(tb testing.TB) int {
	s := os.Getenv("TICKOVER_FAULT_DAYS")
	if s == "" {
		return 50
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		tb.Fatalf("TICKOVER_FAULT_DAYS=%q is no number of days", s)
	}
	return n
}

// TestFaults: whatever goes wrong, nothing that was acknowledged is lost, no
// rule is broken, and all work is finished afterwards.
func TestFaults(t *testing.T) {
	var mu sync.Mutex
	sum := map[string]int{}
	one := func(t *testing.T, n uint64) {
		o := options(t, n, *days)
		if *history {
			o.Say = func(line string) { t.Log(line) }
		}
		res := faultsim.Run(o)
		mu.Lock()
		defer mu.Unlock()
		for what, n := range res.Counts {
			sum[what] += n
		}
		if res.Failed() {
			t.Error(res.Report())
		}
	}
	if *seed != 0 {
		one(t, *seed)
		t.Log("\n" + faultsim.Sum(sum))
		return
	}
	const sites = 2
	first := queuetest.Seed(t, 1)
	t.Run("seeds", func(t *testing.T) {
		for n, done := first, 0; done < shopDays(t); n, done = n+1, done+sites**days {
			t.Run(strconv.FormatUint(n, 10), func(t *testing.T) {
				t.Parallel()
				one(t, n)
			})
		}
	})
	t.Log("\n" + faultsim.Sum(sum))
}

// TestSameSeedSameTrace: a seed is one history, to the last byte.
func TestSameSeedSameTrace(t *testing.T) {
	a, b := faultsim.Run(options(t, 3, 1)), faultsim.Run(options(t, 3, 1))
	if a.Trace != b.Trace {
		t.Errorf("the same seed came to %s and to %s", a.Trace, b.Trace)
	}
	if c := faultsim.Run(options(t, 4, 1)); c.Trace == a.Trace {
		t.Error("another seed came to the same: the trace says nothing")
	}
}

// TestDefectsAreFound gives the deployment a defect at a time; the judge must
// see each, with what it is about.
func TestDefectsAreFound(t *testing.T) {
	const first, runsMax = 3, 4
	for _, x := range []struct {
		defect faultsim.Broken
		words  []string
	}{
		{faultsim.RepeatsCount, []string{"is in entry", "is refused and is entry"}},
		{faultsim.AcksEarly, []string{"was acknowledged and is not in the log"}},
		{faultsim.PlansUnfenced, []string{"takes the place of one of epoch"}},
		{faultsim.OffersUnfenced, []string{"shows an offer of epoch"}},
		{faultsim.ViewsLoseRows, []string{"the shared view is not that of the fold"}},
		{faultsim.SnapshotsLoseLocks, []string{"is not the fold of the log"}},
	} {
		t.Run(string(x.defect), func(t *testing.T) {
			for n := uint64(first); n < first+runsMax; n++ {
				o := options(t, n, 1)
				o.Break = x.defect
				res := faultsim.Run(o)
				if !res.Failed() {
					continue
				}
				if !slices.ContainsFunc(x.words, func(w string) bool { return strings.Contains(res.Failures[0], w) }) {
					t.Errorf("found by something else than %q:\n%s", x.words, res.Report())
				}
				return
			}
			t.Errorf("not found by %d runs", runsMax)
		})
	}
}

// TestLostPlansComeBack: the log's server comes back without the plans while
// nothing happens in the shop. Found by a long run.
func TestLostPlansComeBack(t *testing.T) {
	if res := faultsim.Run(options(t, 20262033, 5)); res.Failed() {
		t.Error(res.Report())
	}
}
