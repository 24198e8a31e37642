package queue_test

import (
	"strings"
	"testing"

	"tickover/queue"
	"tickover/queue/queuetest"
)

// TestPhotosGoWithAnyStep: hashes of photos are evidence of every operation and
// of a problem; anything else under that key is refused.
func TestPhotosGoWithAnyStep(t *testing.T) {
	a, b := strings.Repeat("a1", 32), strings.Repeat("0f", 32)
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	report := func(v string) error {
		_, err := s.Do("ada", &queue.ReportProblem{Unit: "T-1", Step: "flash", Reason: "worn", Evidence: queue.Evidence{queue.EvidencePhotos: v}})
		return err
	}
	for _, bad := range []string{"x", strings.ToUpper(a), a + a, a + "  " + b, a + " " + a, a + " ", strings.Repeat("0", 63) + "g"} {
		wantCode(t, report(bad), queue.CodeMalformed)
	}
	ok(t, report(a))
	ok(t, s.Start("T-1", "flash"))
	_, err := s.Do("ada", &queue.FinishStep{Unit: "T-1", Step: "flash", Technician: "ada", Evidence: queue.Evidence{
		"calibration": "cal-b", "revision": "2", "odometer_km": "6.4", "engine_h": "0.5", queue.EvidencePhotos: a + " " + b,
	}})
	ok(t, err)
	hashes, fine := queue.Photos(s.State.Units["T-1"].Step("flash").Evidence[queue.EvidencePhotos])
	if !fine || len(hashes) != 2 || hashes[0] != a || hashes[1] != b {
		t.Errorf("photos %v", hashes)
	}
	many := make([]string, queue.PhotosMax+1)
	for i := range many {
		many[i] = strings.Repeat("0", 63) + string(rune('0'+i))
	}
	wantCode(t, report(strings.Join(many, " ")), queue.CodeMalformed)
	ok(t, report(strings.Join(many[1:], " ")))
}
