package backtest_test

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"testing"

	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/services/backtest"
	"tickover/testdata"
)

// TestPromisesAreKeptAsSaid: a shop that begins with an empty log and promises
// with four in five. The bounds are those of a binomial share at 3.3 standard
// deviations (one run in a thousand); what the plan alone would have said falls
// out of them at one level at least, so that the test fails without the
// correction. The long run is make backtest.
func TestPromisesAreKeptAsSaid(t *testing.T) {
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	r, err := backtest.Simulated(t.Context(), backtest.Options{Shop: shop, ShopFile: hash, Seeds: []uint64{queuetest.Seed(t, 1)}, Days: 14})
	if err != nil {
		t.Fatal(err)
	}
	within := func(kept, n int, share float64) bool {
		return math.Abs(float64(kept)/float64(n)-share) <= 3.3*math.Sqrt(share*(1-share)/float64(n))
	}
	if r.Made < 40 || !within(r.Kept, r.Made, backtest.Share) {
		t.Errorf("of %d promises with four in five %d were kept", r.Made, r.Kept)
	}
	uncorrected := true // holds too
	for _, l := range r.Levels {
		if !within(l.Kept, l.N, l.Share) {
			t.Errorf("of %d times said with %v %d were kept", l.N, l.Share, l.Kept)
		}
		t.Logf("said with %v: %d of %d kept, %d of the plan alone", l.Share, l.Kept, l.N, l.Raw)
		uncorrected = uncorrected && within(l.Raw, l.N, l.Share)
	}
	if uncorrected {
		t.Error("the plan alone would do: nothing is corrected here")
	}
	var table, picture bytes.Buffer
	if err := errors.Join(r.CSV(&table), r.SVG(&picture), r.Write(io.Discard)); err != nil {
		t.Fatal(err)
	}
	if rows, err := csv.NewReader(&table).ReadAll(); err != nil || len(rows) != len(r.Levels)+1 {
		t.Errorf("%d lines: %v", len(rows), err)
	}
	for d := xml.NewDecoder(&picture); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatalf("the picture is no XML: %v", err)
		}
	}
}
