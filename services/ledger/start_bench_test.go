package ledger_test

import (
	"context"
	"fmt"
	"testing"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/services/ledger"
)

// startEvents is the size of the log that a start is measured on: about 8,000
// visits, years of a small shop.
const startEvents = 200_000

// fill appends whole visits, one command an entry, until the log has the
// events, and saves a snapshot shortly before its end.
func fill(b *testing.B, srv *log.Server) {
	b.Helper()
	site := queuetest.NewSite()
	appended := 0
	flush := func() {
		for ; appended < len(site.Entries); appended++ {
			en := site.Entries[appended]
			if _, err := srv.Append(context.Background(), &en, uint64(appended)); err != nil {
				b.Fatal(err)
			}
		}
	}
	must := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	until := site.ClosesAt.AddDate(20, 0, 0)
	site.ClosesAt = until
	for id := range site.Outdoor {
		site.Outdoor[id] = queue.Window{Until: until}
	}
	saved := false
	for n := 0; site.State.Events < startEvents; n++ {
		unit := queue.UnitID(fmt.Sprintf("T-%d", n))
		must(site.Arrive(unit, "set-up"))
		if n%100 == 99 { // one in a hundred stays in the shop
			continue
		}
		for _, st := range site.State.Units[unit].Steps {
			must(site.Run(unit, st.ID))
		}
		_, err := site.Do("ada", &queue.HandOver{Unit: unit})
		must(err)
		if !saved && site.State.Events > startEvents-2000 {
			flush()
			state, err := site.State.MarshalSnapshot()
			must(err)
			must(srv.SaveSnapshot(context.Background(), log.Snapshot{Site: "test", Seq: site.State.Seq, Hash: site.State.LastEntry, Format: queue.FormatVersion, Data: state}))
			saved = true
		}
	}
	flush()
}

// BenchmarkStart opens a log of 200,000 events, checks it and comes to the
// present state, with a snapshot and without. events/s counts the whole start.
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	srv, err := log.Open(context.Background(), log.Options{Dir: dir})
	if err != nil {
		b.Fatal(err)
	}
	fill(b, srv)
	if err := srv.Close(); err != nil {
		b.Fatal(err)
	}
	for _, with := range []bool{true, false} {
		b.Run(fmt.Sprintf("snapshot=%v", with), func(b *testing.B) {
			for range b.N {
				srv, err := log.Open(context.Background(), log.Options{Dir: dir})
				if err != nil {
					b.Fatal(err)
				}
				var snaps ledger.Snapshots
				if with {
					snaps = srv
				}
				l, err := ledger.Open(context.Background(), ledger.Options{Site: "test", Log: srv, Now: clock, Snapshots: snaps})
				if err != nil {
					b.Fatal(err)
				}
				if n := l.View().Events; n < startEvents {
					b.Fatalf("%d events in the state, want at least %d", n, startEvents)
				}
				b.StopTimer()
				if err := srv.Close(); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
			}
			b.ReportMetric(float64(startEvents)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
		})
	}
}
