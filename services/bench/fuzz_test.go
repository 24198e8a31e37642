package bench_test

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tickover/services/bench"
)

// FuzzAlerts: whatever lies where a station's alerts do, they are alerts, the
// same when they are written again, or an error; what they say can be said.
func FuzzAlerts(f *testing.F) {
	f.Add([]byte(`[{"site":"larkmoor","station":"b1","kind":2,"unit":"LM-1","step":"flash","since":"2026-03-02T08:00:00Z","ends":"2026-03-02T07:50:00Z","text":"late"}]`))
	f.Add([]byte(`[{"kind":"overdue","say":{"format":"%s of %s","args":[{"s":"a"},{"t":"2026-03-02T08:00:00Z"}]}}]`))
	f.Add([]byte(`null`))
	f.Add([]byte(`[{"stretch":-1,"cleared":true,"ends":"0000-01-01T00:00:00Z"}]`))
	f.Fuzz(func(t *testing.T, b []byte) {
		list, err := bench.DecodeAlerts(b)
		if err != nil {
			return
		}
		again, err := json.Marshal(list)
		if err != nil {
			t.Fatal(err)
		}
		same, err := bench.DecodeAlerts(again)
		if err != nil || len(same) != len(list) {
			t.Fatalf("%v: %d alerts, then %d", err, len(list), len(same))
		}
		for i := range list {
			if got, want := list[i].Say.String(), same[i].Say.String(); got != want {
				t.Errorf("says %q, then %q", got, want)
			}
			a, c := list[i], same[i]
			a.Say, c.Say = bench.Alert{}.Say, bench.Alert{}.Say
			if !cmp.Equal(a, c) {
				t.Error(cmp.Diff(a, c))
			}
		}
	})
}
