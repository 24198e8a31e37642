package floor_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/services/floor/live"
)

// stream is an open stream of events.
type stream struct {
	t      *testing.T
	res    *http.Response
	lines  *bufio.Scanner
	cancel context.CancelFunc
}

// event is one message.
type event struct {
	id   uint64
	kind string
	data map[string]any
}

func (w *world) listen(t *testing.T, lastID string) *stream {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, w.server.URL+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	res, err := w.client.Do(req)
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	s := &stream{t, res, bufio.NewScanner(res.Body), cancel}
	t.Cleanup(s.close)
	return s
}

func (s *stream) close() { s.cancel(); s.res.Body.Close() }

// next waits for a message of the kind, passing over others.
func (s *stream) next(kind string) event {
	s.t.Helper()
	var e event
	for s.lines.Scan() {
		name, value, _ := strings.Cut(s.lines.Text(), ": ")
		switch name {
		case "id":
			e.id, _ = strconv.ParseUint(value, 10, 64)
		case "event":
			e.kind = value
		case "data":
			e.data = map[string]any{}
			if err := json.Unmarshal([]byte(value), &e.data); err != nil {
				s.t.Fatalf("data %q: %v", value, err)
			}
		case "":
			if e.kind == kind {
				return e
			}
			e = event{}
		}
	}
	s.t.Fatalf("no message %q before the end (%v)", kind, s.lines.Err())
	return e
}

func units(e event) string {
	b, _ := json.Marshal(e.data["units"])
	return string(b)
}

func TestEventsTellWhatChanged(t *testing.T) {
	w := newWorld(t)
	s := w.listen(t, "")
	if ct := s.res.Header.Get("Content-Type"); s.res.StatusCode != 200 || ct != "text/event-stream" {
		t.Fatalf("%d %q", s.res.StatusCode, ct)
	}
	if h := s.next("hello"); h.id != w.l.View().Seq || h.data["resumed"] != false {
		t.Errorf("hello %+v", h)
	}
	w.arrive("LM-1", "reflash")
	if e := s.next("units"); units(e) != `["LM-1"]` || e.id != w.l.View().Seq {
		t.Errorf("event %+v", e)
	}
	if e := s.next("plan"); e.data["seq"] != float64(w.l.View().Seq) {
		t.Errorf("plan %+v", e)
	}
	w.do("ruth", &queue.Close{Resource: "p1", From: morning, Until: morning.Add(time.Hour), Reason: "ice"})
	if e := s.next("units"); units(e) != `[]` || e.data["shop"] != true {
		t.Errorf("closure: %+v", e)
	}
}

// TestEventsResume: who comes back with the last id is told what changed since,
// also by a program that was started anew.
func TestEventsResume(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	s := w.listen(t, "")
	last := s.next("hello").id
	s.close()
	w.arrive("LM-2", "reflash")
	w.arrive("LM-3", "reflash")
	w.do("ruth", &queue.ReportProblem{Unit: "LM-2", Step: "flash", Reason: "x"})
	resume := func() {
		t.Helper()
		s := w.listen(t, strconv.FormatUint(last, 10))
		defer s.close()
		if h := s.next("hello"); h.data["resumed"] != true {
			t.Errorf("hello %+v", h)
		}
		if e := s.next("units"); units(e) != `["LM-2","LM-3"]` || e.id != w.l.View().Seq {
			t.Errorf("since %d: %+v", last, e)
		}
	}
	resume()
	w.open(w.l.View().Site) // the program starts again
	w.serve(live.Bounds{})
	resume()
	if r := w.send(http.MethodGet, "/events", "", nil, "Last-Event-ID", "latest"); r.status != http.StatusBadRequest {
		t.Errorf("an id that is none: %d %s", r.status, r.body)
	}
	// An id from a log that was longer (restored from a backup): from now on.
	ahead := w.listen(t, "999999")
	if h := ahead.next("hello"); h.id != w.l.View().Seq {
		t.Errorf("hello %+v", h)
	}
}

func TestStreamsAreBounded(t *testing.T) {
	w := newWorld(t)
	w.serve(live.Bounds{StreamsMax: 2, Heartbeat: 10 * time.Millisecond})
	a, b := w.listen(t, ""), w.listen(t, "")
	a.next("hello")
	b.next("hello")
	if r := w.get("/events"); r.status != http.StatusServiceUnavailable || r.header.Get("Retry-After") == "" {
		t.Errorf("a third stream: %d", r.status)
	}
	for a.lines.Scan() { // heartbeats
		if a.lines.Text() == ": still here" {
			break
		}
	}
	if err := a.lines.Err(); err != nil {
		t.Errorf("no heartbeat: %v", err)
	}
	w.floor.Close()
	for b.lines.Scan() { // to its end
	}
	if err := b.lines.Err(); err != nil {
		t.Errorf("the stream did not end well: %v", err)
	}
}

// stuck is a reader that takes nothing any more.
type stuck struct {
	header    http.Header
	deadlines int
	writes    int
}

func (s *stuck) Header() http.Header                { return s.header }
func (s *stuck) WriteHeader(int)                    {}
func (s *stuck) Flush()                             {}
func (s *stuck) SetReadDeadline(time.Time) error    { return nil }
func (s *stuck) SetWriteDeadline(t time.Time) error { s.deadlines++; return nil }
func (s *stuck) Write(b []byte) (int, error) {
	if s.writes++; s.writes > 2 {
		return 0, os.ErrDeadlineExceeded
	}
	return len(b), nil
}

func TestSlowReaderIsDropped(t *testing.T) {
	w := newWorld(t)
	streams := live.NewStreams(w.l, nil, nil, live.Bounds{})
	r := &stuck{header: http.Header{}}
	req, err := http.NewRequest(http.MethodGet, "/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		streams.ServeHTTP(r, req)
		close(done)
	}()
	limit := time.After(time.Minute)
	for i := 0; ; i++ { // until the write that fails
		select {
		case <-limit:
			t.Fatal("a reader that takes nothing is not dropped")
		case <-done:
			if r.deadlines != r.writes {
				t.Errorf("%d writes, %d with a deadline", r.writes, r.deadlines)
			}
			if streams.Open() != 0 {
				t.Error("its place is still taken")
			}
			return
		case <-time.After(time.Millisecond): // it shares the processors with others
			w.arrive(queue.UnitID("LM-"+strconv.Itoa(i)), "reflash")
		}
	}
}

// TestAlertsAreTold: what the bench workers raise reaches the stream.
func TestAlertsAreTold(t *testing.T) {
	w := newWorld(t)
	alerts := &alertList{changed: make(chan struct{})}
	streams := live.NewStreams(w.l, nil, alerts, live.Bounds{})
	server := startServer(t, streams)
	w.server = server
	t.Cleanup(streams.Close)
	s := w.listen(t, "")
	if e := s.next("alerts"); len(e.data["alerts"].([]any)) != 0 {
		t.Errorf("at first %+v", e)
	}
	alerts.raise(live.Alert{Kind: live.CallBack, Unit: "LM-1", Step: "flash", Text: "come back"})
	if e := s.next("alerts"); len(e.data["alerts"].([]any)) != 1 {
		t.Errorf("then %+v", e)
	}
	s.close()
	if _, err := s.res.Body.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("closed stream: %v", err)
	}
}
