package simulate_test

import (
	"testing"

	"tickover/queue/shopfile"
	"tickover/services/simulate"
	"tickover/testdata"
)

// FuzzParseScenario: whatever is typed as a change, it is one that the shop can
// have, or an error.
func FuzzParseScenario(f *testing.F) {
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		f.Fatal(err)
	}
	f.Add("add=i1,till=ines@19:00,lit=p1,crates=30,more=20,without=c1")
	f.Add("add=,,more=-99999999999999999999%")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := simulate.ParseScenario(shop, text)
		if err == nil && (len(s) == 0 || len(s) > simulate.ChangesMax) {
			t.Errorf("%q: %d changes", text, len(s))
		}
	})
}
