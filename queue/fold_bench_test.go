package queue_test

import (
	"fmt"
	"testing"

	"tickover/queue"
	"tickover/queue/queuetest"
)

// BenchmarkFold decodes and applies stored entries of whole visits.
func BenchmarkFold(b *testing.B) {
	s := queuetest.NewSite()
	until := s.ClosesAt.AddDate(10, 0, 0)
	s.ClosesAt = until
	for id := range s.Outdoor {
		s.Outdoor[id] = queue.Window{Until: until}
	}
	for n := range 500 {
		unit := queue.UnitID(fmt.Sprintf("T-%d", n))
		if err := s.Arrive(unit, "set-up"); err != nil {
			b.Fatal(err)
		}
		for _, st := range s.State.Units[unit].Steps {
			if err := s.Run(unit, st.ID); err != nil {
				b.Fatal(err)
			}
		}
	}
	stored := make([][]byte, len(s.Entries))
	for i := range s.Entries {
		var err error
		if stored[i], err = s.Entries[i].Encode(); err != nil {
			b.Fatal(err)
		}
	}
	events := s.State.Events
	b.Run("decode+apply", func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			st := queue.NewState("test")
			for i, raw := range stored {
				en, err := queue.DecodeEntry(raw, s.Entries[i].Prev)
				if err != nil {
					b.Fatal(err)
				}
				en.Seq = uint64(i + 1)
				if _, err := st.Apply(&en); err != nil {
					b.Fatal(err)
				}
			}
		}
		b.ReportMetric(float64(events)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
	})
	b.Run("apply", func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			st := queue.NewState("test")
			for i := range s.Entries {
				if _, err := st.Apply(&s.Entries[i]); err != nil {
					b.Fatal(err)
				}
			}
		}
		b.ReportMetric(float64(events)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
	})
}
