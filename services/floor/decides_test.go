package floor_test

import (
	"strings"
	"testing"
)

// TestBoardOffersNoDecisionToOthers: who may not decide sees the board without
// links and forms that would be refused.
func TestBoardOffersNoDecisionToOthers(t *testing.T) {
	w := closedWorld(t)
	w.crowd(3)
	for account, decides := range map[string]bool{"ruth": true, "ines": false, "olive": false, "cara": false, "rea": false, "bench-3": false} {
		o := w.as(account)
		for _, path := range []string{"/board", "/board?view=week"} {
			page := string(o.get(path).body)
			if !strings.Contains(page, "LM-1") {
				t.Fatalf("%s of %s has no unit", path, account)
			}
			for _, offer := range []string{`href="/decide`, `action="/preview"`, " data-decide"} {
				if offer == `action="/preview"` && decides {
					continue // nothing to undo yet
				}
				if got := strings.Contains(page, offer); got != decides {
					t.Errorf("%s of %s offers %s: %v, want %v", path, account, offer, got, decides)
				}
			}
		}
	}
}
