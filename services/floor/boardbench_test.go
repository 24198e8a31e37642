package floor_test

import (
	"bufio"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/floor"
	"tickover/services/floor/browsertest"
	"tickover/services/ledger"
)

// planner plans beside the pages, as the dispatcher does.
type planner struct {
	mu      sync.Mutex
	plan    *dispatch.Plan
	changed chan struct{}
}

func (p *planner) Latest() *dispatch.Plan { p.mu.Lock(); defer p.mu.Unlock(); return p.plan }

func (p *planner) Changed() <-chan struct{} { p.mu.Lock(); defer p.mu.Unlock(); return p.changed }

func (p *planner) run(ctx context.Context, b *testing.B, l *ledger.Ledger, now func() time.Time) {
	core := dispatch.NewCore(dispatch.Options{})
	watch := l.Watch()
	defer watch.Stop()
	for {
		out, err := core.Replan(ctx, l.View(), now())
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			b.Error(err)
			return
		}
		p.mu.Lock()
		p.plan = out.Plan
		close(p.changed)
		p.changed = make(chan struct{})
		p.mu.Unlock()
		select {
		case <-watch.C():
		case <-ctx.Done():
			return
		}
	}
}

// openBoard is a board that somebody has open: it hears of news and asks for
// the page again, as the script does.
type openBoard struct {
	client *http.Client
	url    string
	got    chan fetched
}

type fetched struct {
	event string
	at    time.Time
	page  []byte
}

func (o *openBoard) fetch(ctx context.Context) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, o.url+"/board", nil)
	if err != nil {
		return nil, err
	}
	req.Header.Set("Accept-Encoding", "gzip") // so that the client doesn't unpack it
	req.Header.Set("Tickover-Refresh", "1")
	res, err := o.client.Do(req)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("status %d", res.StatusCode)
	}
	return io.ReadAll(res.Body)
}

// listen reads the events until ctx ends.
func (o *openBoard) listen(ctx context.Context, b *testing.B, ready chan<- struct{}) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, o.url+"/events", nil)
	if err != nil {
		b.Error(err)
		return
	}
	res, err := o.client.Do(req)
	if err != nil {
		b.Error(err)
		return
	}
	defer res.Body.Close()
	lines := bufio.NewScanner(res.Body)
	for lines.Scan() {
		event, ok := strings.CutPrefix(lines.Text(), "event: ")
		switch {
		case !ok:
		case event == "hello":
			ready <- struct{}{}
		case event == "units" || event == "plan":
			page, err := o.fetch(ctx)
			if err != nil {
				if ctx.Err() == nil {
					b.Error(err)
				}
				return
			}
			select {
			case o.got <- fetched{event, time.Now(), page}:
			case <-ctx.Done():
				return
			}
		}
	}
}

// BenchmarkOpenBoards measures, with 200 open units and 100 open boards, from
// the acknowledgement of an event to a board's having the whole new page: of an
// event that moves nothing, as most do, and of one that makes the planner plan
// anew, beside it, on the same processors. cpu is what server, planner and the
// hundred readers have computed by then, which a busy machine does not stretch.
// The bound is p95 under 100 ms. Run it with -benchtime=50x.
func BenchmarkOpenBoards(b *testing.B) {
	b.Run("as-planned", func(b *testing.B) {
		openBoards(b, func(i int) queue.UnitAmended { return queue.UnitAmended{Note: new(fmt.Sprintf("note %d", i))} })
	})
	b.Run("planned-anew", func(b *testing.B) {
		openBoards(b, func(i int) queue.UnitAmended {
			return queue.UnitAmended{Promise: new(morning.Add(time.Duration(30+i%50) * time.Hour))}
		})
	})
}

func openBoards(b *testing.B, change func(i int) queue.UnitAmended) {
	const boards, units = 100, 200
	w := newWorld(b)
	routes := []queue.RouteID{"set-up", "reflash", "accessories", "relearn-only"}
	for i := range units {
		w.do("ruth", &queue.ReceiveUnit{Unit: queue.UnitID(fmt.Sprintf("LM-%04d", i+1)), Arrival: queue.UnitArrived{
			Machine:   queue.Machine{Frame: "KB25-26-00417", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
			Ownership: queue.CustomerUnit, Route: routes[i%len(routes)], Promise: morning.Add(time.Duration(8+i) * time.Hour), Weight: 5,
		}})
	}
	ctx, cancel := context.WithCancel(b.Context())
	p := &planner{changed: make(chan struct{})}
	first := p.Changed()
	var running sync.WaitGroup
	running.Go(func() { p.run(ctx, b, w.l, w.clock.now) })
	<-first
	f, err := floor.New(floor.Options{Ledger: w.l, Log: w.log, Site: w.l.View().Site, Plans: p, Now: w.clock.now})
	if err != nil {
		b.Fatal(err)
	}
	server := httptest.NewServer(f)
	ready := make(chan struct{}, boards)
	open := make([]*openBoard, boards)
	for i := range open {
		open[i] = &openBoard{client: &http.Client{Transport: &http.Transport{}}, url: server.URL, got: make(chan fetched, 8)}
		running.Go(func() { open[i].listen(ctx, b, ready) })
	}
	defer func() {
		cancel()
		f.Close()
		running.Wait()
		for _, o := range open {
			o.client.CloseIdleConnections()
		}
		server.Close()
	}()
	for range boards {
		<-ready
	}
	for _, o := range open {
		await(b, o, "plan") // the one that was there when it opened
	}
	var took, work []time.Duration
	var size, whole int
	b.ResetTimer()
	for i := range b.N {
		w.do("ruth", &queue.AmendUnit{Unit: queue.UnitID(fmt.Sprintf("LM-%04d", i%units+1)), Change: change(i)})
		acked, before := time.Now(), cpuTime(b)
		for k, o := range open {
			got := await(b, o, "units")
			took = append(took, max(0, got.at.Sub(acked)))
			if k == i%boards {
				size, whole = len(got.page), shows(b, got.page, w.l.View().Seq)
			}
		}
		work = append(work, cpuTime(b)-before)
		for _, o := range open {
			await(b, o, "plan")
		}
	}
	b.StopTimer()
	slices.Sort(work)
	slices.Sort(took)
	at := func(q float64) float64 { return float64(took[int(q*float64(len(took)-1))].Microseconds()) / 1000 }
	b.ReportMetric(at(0.5), "p50-ms")
	b.ReportMetric(at(0.95), "p95-ms")
	b.ReportMetric(float64(work[len(work)/2].Microseconds())/1000, "cpu-p50-ms")
	b.ReportMetric(float64(size)/1024, "KB-page")
	b.ReportMetric(float64(whole)/1024, "KB-unpacked")
	b.ReportMetric(0, "ns/op")
}

// cpuTime is what this process has computed so far.
func cpuTime(b *testing.B) time.Duration {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		b.Error(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

func await(b *testing.B, o *openBoard, event string) fetched {
	b.Helper()
	limit := time.After(browsertest.Bound)
	for {
		select {
		case got := <-o.got:
			if got.event == event {
				return got
			}
		case <-limit:
			b.Fatalf("no %s came", event)
		}
	}
}

// shows fails unless the page is of the state.
func shows(b *testing.B, page []byte, seq uint64) int {
	b.Helper()
	z, err := gzip.NewReader(strings.NewReader(string(page)))
	if err != nil {
		b.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		b.Fatal(err)
	}
	if !strings.Contains(string(text), fmt.Sprintf(`data-seq="%d"`, seq)) {
		b.Fatalf("the page is not of entry %d", seq)
	}
	return len(text)
}
