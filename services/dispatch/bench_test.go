package dispatch_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
	"tickover/services/dispatch"
)

// BenchmarkAckToOffer measures, with 60 open units and the log on disk, from
// the acknowledgement of an event to the changed offer at the bench that takes
// it off its work queue, on a day on which everything happens some minutes late.
// Events that change no offer are not counted. The cpu metric is the process's
// own computing time in between, which a busy machine does not stretch.
//
// Run it with -benchtime=400x. The bound is p99 under 100 ms.
func BenchmarkAckToOffer(b *testing.B) {
	p := newPlant(b)
	p.receiveMany(60)
	type arrival struct {
		offer dispatch.Offer
		at    time.Time
		cpu   time.Duration
	}
	arrived := make(chan arrival, 10_000)
	js, err := dispatch.Provision(p.ctx, p.connect(), 0)
	if err != nil {
		b.Fatal(err)
	}
	for _, s := range dispatch.Stations(p.l.View().Shop) {
		cons, err := js.CreateOrUpdateConsumer(p.ctx, dispatch.WorkStream, jetstream.ConsumerConfig{
			Durable: dispatch.WorkConsumer(site, s), FilterSubject: dispatch.WorkSubject(site, s), AckPolicy: jetstream.AckExplicitPolicy,
		})
		if err != nil {
			b.Fatal(err)
		}
		sub, err := cons.Consume(func(m jetstream.Msg) {
			now, cpu := time.Now(), cpuTime(b)
			if o, err := dispatch.DecodeOffer(m.Data()); err == nil {
				arrived <- arrival{o, now, cpu}
			}
			_ = m.Ack()
		})
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { sub.Stop(); <-sub.Closed() })
	}
	m := p.dispatcher("bench", func(c *dispatch.Config) { c.Core.Check = false; c.Core.Stopwatch = time.Now })
	first := m.report(b, func(r dispatch.Report) bool { return r.Plan != nil })

	day := &lateDay{plant: p, rng: rand.New(rand.NewPCG(1, 2)), plan: first.Plan, units: 60}
	var waits, work, plans []time.Duration
	b.ResetTimer()
	for i := 0; len(waits) < b.N; i++ {
		if i > 20*b.N+100 {
			b.Fatalf("only %d of %d events changed an offer", len(waits), i)
		}
		day.event()
		acked, before, seq := time.Now(), cpuTime(b), p.l.View().Seq
		r := m.report(b, func(r dispatch.Report) bool { return r.Seq >= seq })
		day.plan = r.Plan
		if r.Took > 0 {
			plans = append(plans, r.Took)
		}
		// All changed offers of this event; the slowest counts.
		wanted := map[dispatch.Station]bool{}
		for _, o := range r.Offers {
			wanted[o.Station] = true
		}
		var last arrival
		for len(wanted) > 0 {
			a := await(b, arrived, "an offer", func(a arrival) bool { return wanted[a.offer.Station] && a.offer.Seq == r.Plan.Seq })
			delete(wanted, a.offer.Station)
			last = a
		}
		if !last.at.IsZero() {
			waits = append(waits, max(0, last.at.Sub(acked)))
			work = append(work, max(0, last.cpu-before))
		}
	}
	b.StopTimer()
	b.Logf("%d changed offers, %d plans made", len(waits), len(plans))
	reportQuantiles(b, "ack-to-offer", waits)
	reportQuantiles(b, "cpu", work)
	reportQuantiles(b, "plan", plans)
	b.ReportMetric(0, "ns/op")
}

// lateDay is a day on which everything happens up to five minutes late, and a
// new unit arrives for each that is finished.
type lateDay struct {
	*plant
	rng   *rand.Rand
	plan  *dispatch.Plan
	units int
}

func (d *lateDay) event() {
	open := 0
	for _, u := range d.l.View().OpenUnits() {
		if slices.ContainsFunc(u.Steps, func(s queue.Step) bool { return !s.Settled() }) {
			open++
		}
	}
	if open < 60 {
		d.units++
		d.receive(queue.UnitID(fmt.Sprintf("T-%03d", d.units)), "reflash", d.world.now.Add(30*time.Hour))
		return
	}
	at, act := d.next(d.plan)
	if act == nil {
		d.t.Fatal("nothing to do")
	}
	if now := d.world.now; at.Before(now) {
		at = now
	}
	d.setTime(at.Add(time.Duration(d.rng.IntN(5*60)) * time.Second))
	if err := d.try(act); err != nil { // too late for the window, for example
		d.setTime(d.world.now.Add(6 * time.Minute))
		promise := d.world.now.Add(9 * time.Hour)
		d.do(&queue.AmendUnit{Unit: d.plan.Steps[0].Unit, Change: queue.UnitAmended{Promise: &promise}})
	}
}

// cpuTime is what this process has computed so far.
func cpuTime(b *testing.B) time.Duration {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		b.Error(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

func reportQuantiles(b *testing.B, name string, ds []time.Duration) {
	slices.Sort(ds)
	if len(ds) == 0 {
		return
	}
	at := func(q float64) float64 {
		return float64(ds[min(len(ds)-1, int(q*float64(len(ds))))].Microseconds()) / 1000
	}
	b.ReportMetric(at(0.5), name+"-p50-ms")
	b.ReportMetric(at(0.99), name+"-p99-ms")
}

// BenchmarkCompute is a plan for 60 open units from nothing.
func BenchmarkCompute(b *testing.B) {
	w := newWorld(b, busyDay)
	w.receiveMany(60)
	st, a := w.l.View(), w.l.Almanac()
	for b.Loop() {
		if _, err := dispatch.Compute(b.Context(), st, a, w.now, nil, dispatch.ComputeOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkSnapshot is the translation alone.
func BenchmarkSnapshot(b *testing.B) {
	w := newWorld(b, busyDay)
	w.receiveMany(60)
	st, a := w.l.View(), w.l.Almanac()
	for b.Loop() {
		if _, err := dispatch.Snapshot(st, a, w.now, nil, dispatch.SnapshotOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
