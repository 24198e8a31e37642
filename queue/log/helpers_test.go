package log_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

const (
	zapLevel = zap.WarnLevel
	site     = queue.SiteID("larkmoor")
)

// fillUp appends large entries until the log is full.
func fillUp(t testing.TB, l log.Log) {
	t.Helper()
	const other = queue.SiteID("filler")
	var last log.Position
	sizes := []int{800 << 10, 40 << 10, 2 << 10, 0} // to the brim
	for i := range 1000 {
		en := logtest.Entry(other, queue.CommandID(fmt.Sprintf("fill%d", i)), 1, last)
		en.Events[0].Data.(*queue.ProblemReported).Reason = strings.Repeat("x", sizes[0])
		seq, err := l.Append(t.Context(), en, last.Seq)
		if errors.Is(err, log.ErrFull) {
			if sizes = sizes[1:]; len(sizes) == 0 {
				return
			}
			continue
		}
		if err != nil {
			t.Fatalf("fill the log: %v", err)
		}
		last = log.Position{Seq: seq, Hash: en.Hash()}
	}
	t.Fatal("the log did not get full")
}

func isNotDurable(err error) bool { return errors.Is(err, log.ErrNotDurable) }
