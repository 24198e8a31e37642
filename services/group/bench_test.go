package group_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/shopfile"
	"tickover/queue/view/redisview"
	"tickover/queue/view/viewtest"
	"tickover/services/access"
	"tickover/services/dispatch"
	"tickover/services/group"
	"tickover/services/planfile"
	"tickover/testdata"
)

// BenchmarkLook is one look at many sites with 60 open units each, and the plan
// of the demo's busiest day, in a real Redis and on a real NATS server.
func BenchmarkLook(b *testing.B) {
	for _, n := range []int{1, 20, 100} {
		b.Run(fmt.Sprint(n), func(b *testing.B) { look(b, n) })
	}
}

func look(b *testing.B, sites int) {
	ctx := b.Context()
	client, err := redisview.Dial(deploytest.StartRedis(b).URL(), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer client.Close()
	views := redisview.New(client)
	srv, err := log.Open(ctx, log.Options{Dir: filepath.Join(b.TempDir(), "log")})
	if err != nil {
		b.Fatal(err)
	}
	defer srv.Close()
	nc, err := srv.Connect()
	if err != nil {
		b.Fatal(err)
	}
	defer nc.Close()
	js, err := dispatch.Provision(ctx, nc, 1)
	if err != nil {
		b.Fatal(err)
	}
	plans, err := js.KeyValue(ctx, dispatch.PlansBucket)
	if err != nil {
		b.Fatal(err)
	}
	accounts, err := access.OpenJetStream(ctx, nc, "s000", 1, time.Now)
	if err != nil {
		b.Fatal(err)
	}
	plan := busyPlan(b)
	for i := range sites {
		site := queue.SiteID(fmt.Sprintf("s%03d", i))
		fill(b, plans, accounts.Of(site), site, plan)
		if _, err := views.Put(ctx, viewtest.Whole(site, 7, 60)); err != nil {
			b.Fatal(err)
		}
	}
	g := group.New(group.Options{Home: "s000", Accounts: accounts, Views: views, Log: srv, Dispatch: group.NATS{Conn: nc}})
	for b.Loop() {
		got, err := g.Look(ctx, olive)
		if err != nil || len(got) != sites || len(got[sites-1].Rows) != 60 || got[sites-1].Plan == nil {
			b.Fatal(len(got), err)
		}
	}
	b.ReportMetric(float64(len(plan)), "plan-B")
}

// fill gives a site a plan and an account that is seen from the first.
func fill(b *testing.B, plans jetstream.KeyValue, accounts access.Store, site queue.SiteID, plan []byte) {
	b.Helper()
	if _, err := plans.Put(b.Context(), string(site), plan); err != nil {
		b.Fatal(err)
	}
	if err := accounts.Set(b.Context(), "account.olive", []byte(`{"id":"olive","roles":["owner"],"seen_from":["s000"]}`), 0, 0); err != nil {
		b.Fatal(err)
	}
}

// busyPlan is the plan of the busiest day as dispatchers publish it.
func busyPlan(b *testing.B) []byte {
	b.Helper()
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		b.Fatal(err)
	}
	r, err := planfile.Plan(b.Context(), planfile.Options{Shop: shop, Units: bytes.NewReader(testdata.BusyDay), At: time.Date(2026, 2, 17, 8, 0, 0, 0, time.UTC), Schedules: 1})
	if err != nil {
		b.Fatal(err)
	}
	text, err := json.Marshal(r.Plan)
	if err != nil {
		b.Fatal(err)
	}
	return text
}
