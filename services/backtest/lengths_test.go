package backtest_test

import (
	"bytes"
	"strings"
	"testing"

	"tickover/queue"
	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/services/backtest"
	"tickover/testdata"
)

// TestLengthsTellOvertime: where checks take three times what is listed, plans
// with listed lengths take time from people's breaks and evenings, and the table
// says so.
func TestLengthsTellOvertime(t *testing.T) {
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	over := func(factor float64) float64 {
		pairs, err := backtest.Lengths(t.Context(), backtest.LengthsOptions{
			Shop: shop, ShopFile: hash, Seeds: []uint64{queuetest.Seed(t, 1)}, Days: 4, Skip: 1, Load: 0.6, Schedules: 1,
			Truly: map[queue.OperationID]float64{"final-check": factor, "hours-check": factor},
		})
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := backtest.WriteLengths(&b, pairs); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(b.String(), "over, min") {
			t.Errorf("the table:\n%s", b.String())
		}
		return pairs[0].Runs[0].OverMin
	}
	if right, wrong := over(1), over(3); wrong < 30 || wrong < 1.5*right {
		t.Errorf("%.0f minutes in breaks and after shifts where the checks take what is listed, %.0f where they take three times that", right, wrong)
	} else {
		t.Logf("%.0f and %.0f minutes", right, wrong)
	}
}
