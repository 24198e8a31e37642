package node_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sync/errgroup"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/services/experience"
	"tickover/services/node"
	"tickover/services/promise"
	"tickover/services/simshop"
	"tickover/testdata"
)

// past is a log with some simulated days of the demo shop, and the moment after
// them.
func past(t testing.TB, days int) (*log.Server, *queue.Shop, time.Time) {
	t.Helper()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	srv, err := log.Open(t.Context(), log.Options{Dir: filepath.Join(t.TempDir(), "log")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	if _, err := simshop.Run(t.Context(), simshop.Options{Shop: shop, ShopFile: hash, Seed: queuetest.Seed(t, 9), Days: days, Schedules: 1, Log: srv, Learn: true}); err != nil {
		t.Fatal(err)
	}
	return srv, shop, simshop.DemoStart.AddDays(days+1).At(9, shop.Location())
}

// TestLearning: a site of a deployment knows what its log teaches, exactly that,
// and so does its dispatcher.
func TestLearning(t *testing.T) {
	srv, shop, at := past(t, 3)
	nc, err := srv.Connect()
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	n, err := node.New(node.Options{
		Roles: node.Dispatch | node.Floor, Log: srv, Conn: nc, Replicas: 1, Now: func() time.Time { return at },
		Pages: func(context.Context, *node.Site, *errgroup.Group) (http.Handler, error) {
			return http.NotFoundHandler(), nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	begun := make(chan struct{})
	go func() { done <- n.Run(ctx, func() { close(begun) }) }()
	<-begun
	s, err := n.Site(t.Context(), shop.Site)
	if err != nil {
		t.Fatal(err)
	}
	e := experience.New(srv, shop.Site)
	if err := e.Refresh(t.Context(), at); err != nil {
		t.Fatal(err)
	}
	l := promise.NewLearner(promise.LearnerOptions{Log: srv, Site: shop.Site, Threads: 1})
	if err := l.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	deploytest.WaitFor(t, "the site to learn", time.Minute, func() error {
		switch {
		case s.Lengths.Lengths() == nil:
			return errors.New("no lengths")
		case s.Promises.Correction().N() == 0:
			return errors.New("no promises")
		}
		return nil
	})
	if e.Lengths().Seen == 0 || l.Correction().N() == 0 {
		t.Fatal("the days teach nothing")
	}
	if d := cmp.Diff(planned(e, shop), planned(s.Lengths, shop)); d != "" {
		t.Errorf("lengths:\n%s", d)
	}
	want, got := l.Answers(), s.Promises.Answers()
	if len(want) == 0 || len(want) != len(got) {
		t.Fatalf("%d answers, want %d", len(got), len(want))
	}
	for i := range want {
		if d := cmp.Diff(want[i].Said, got[i].Said); d != "" {
			t.Errorf("what would have been said of %s:\n%s", want[i].Unit, d)
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// planned is what was learnt, by row.
func planned(e *experience.Experience, shop *queue.Shop) (out []string) {
	for _, r := range e.Lengths().Rows(shop, .6) {
		out = append(out, fmt.Sprint(r.Key, r.Model, r.Technician, r.Planned, r.Median, r.N))
	}
	return out
}

// BenchmarkLearning is what a site costs a process: memory that stays, and the
// time to work the last arrivals out after a start.
func BenchmarkLearning(b *testing.B) {
	srv, shop, at := past(b, 60)
	units := 0
	_ = srv.Read(b.Context(), shop.Site, 0, func(en *queue.Entry) error {
		for i := range en.Events {
			if _, ok := en.Events[i].Data.(*queue.UnitArrived); ok {
				units++
			}
		}
		return nil
	})
	for b.Loop() {
		before := heap()
		e := experience.New(srv, shop.Site)
		begun := time.Now()
		if err := e.Refresh(b.Context(), at); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(time.Since(begun).Seconds(), "s-lengths")
		b.ReportMetric((float64(heap())-float64(before))/(1<<20), "MiB-lengths")
		before = heap()
		l := promise.NewLearner(promise.LearnerOptions{Log: srv, Site: shop.Site, Threads: 1})
		begun = time.Now()
		if err := l.CatchUp(b.Context()); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(time.Since(begun).Seconds(), "s-promises")
		b.ReportMetric((float64(heap())-float64(before))/(1<<20), "MiB-promises")
		b.ReportMetric(float64(units), "units")
		_, _ = e.Lengths(), l.Answers()
	}
}
