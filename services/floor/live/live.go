// Package live tells open pages that something changed: server-sent events at
// /events, written by hand.
//
// It guarantees:
//
//  1. The id of each message is a sequence of the shop's log. A reader that
//     comes back with Last-Event-ID is told every unit that changed since,
//     also after a restart of the program: it is worked out from the state,
//     not remembered.
//  2. A reader never holds anybody up. Changes since the last message are one
//     message, a write that takes longer than WriteTimeout ends the stream, and
//     at most StreamsMax are open.
//  3. A message says what changed, not how: the page asks for the rest.
package live

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/services/dispatch"
	"tickover/services/ledger"
)

// Plans is where the plan in force comes from.
type Plans interface {
	// Latest is the plan in force, nil if there is none yet. Nobody changes it.
	Latest() *dispatch.Plan
	// Changed is closed when a plan comes into force after the call.
	Changed() <-chan struct{}
}

// Alerts is where the calls and alarms of the bench workers come from.
type Alerts interface {
	// Alerts are those that stand, the most urgent first.
	Alerts() []Alert
	// Changed is closed when they change after the call.
	Changed() <-chan struct{}
}

// Alert is a call or an alarm that somebody has to act on.
type Alert struct {
	Kind     AlertKind        `json:"kind"`
	Unit     queue.UnitID     `json:"unit,omitempty"`
	Step     queue.StepID     `json:"step,omitempty"`
	Resource queue.ResourceID `json:"resource,omitempty"`
	Person   queue.PersonID   `json:"person,omitempty"`
	Since    time.Time        `json:"since"`
	Text     string           `json:"text"` // a sentence, in English

	said said.Text
}

// Say gives the alert its sentence.
func (a *Alert) Say(s said.Text) { a.said, a.Text = s, s.String() }

// Sentence is what the alert says; of a message of before that has no more, in
// English.
func (a Alert) Sentence() said.Text {
	if a.said.IsZero() && a.Text != "" {
		return said.Say("%s", a.Text)
	}
	return a.said
}

// AlertKind is what sort of alert it is.
type AlertKind string

// The kinds of alerts.
const (
	Overdue  AlertKind = "overdue"   // a step runs past its expected end
	CallBack AlertKind = "call-back" // hands-off time is about to end, or has
	Problem  AlertKind = "problem"   // somebody reported one
	Overstay AlertKind = "overstay"  // machines stand longer than the shop file's limit
)

// Bounds of a stream; the zero value of each field takes the default.
type Bounds struct {
	StreamsMax   int           // open at once; default 200
	Heartbeat    time.Duration // default 15 s
	WriteTimeout time.Duration // default 10 s
}

func (b Bounds) orDefault() Bounds {
	if b.StreamsMax == 0 {
		b.StreamsMax = 200
	}
	if b.Heartbeat == 0 {
		b.Heartbeat = 15 * time.Second
	}
	if b.WriteTimeout == 0 {
		b.WriteTimeout = 10 * time.Second
	}
	return b
}

// Streams serves /events.
type Streams struct {
	ledger *ledger.Ledger
	plans  Plans
	alerts Alerts
	bounds Bounds
	slots  chan struct{}
	quit   chan struct{}
	// studies are the simulations; nil: none.
	studies Changes
	stop    sync.Once
}

// NewStreams returns the handler of /events.
func NewStreams(l *ledger.Ledger, p Plans, a Alerts, b Bounds) *Streams {
	b = b.orDefault()
	return &Streams{ledger: l, plans: p, alerts: a, bounds: b, slots: make(chan struct{}, b.StreamsMax), quit: make(chan struct{})}
}

// Changes is something else that pages show.
type Changes interface {
	// Changed is closed when it changes after the call.
	Changed() <-chan struct{}
}

// Simulations tells readers, as "studies", when a simulation gets on. It is
// called before the first stream.
func (s *Streams) Simulations(c Changes) { s.studies = c }

// Close ends all open streams, so that a server can stop.
func (s *Streams) Close() { s.stop.Do(func() { close(s.quit) }) }

// Open is the number of open streams.
func (s *Streams) Open() int { return len(s.slots) }

// retryMS is how long a browser waits before it comes back.
const retryMS = 2000

func (s *Streams) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	since, err := position(r)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	select {
	case s.slots <- struct{}{}:
		defer func() { <-s.slots }()
	default:
		w.Header().Set("Retry-After", "10")
		http.Error(w, "Too many pages are open at once. Close some; this one can be reloaded by hand.", http.StatusServiceUnavailable)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // a proxy must not hold messages back
	c := &stream{w: w, rc: http.NewResponseController(w), timeout: s.bounds.WriteTimeout}
	// The stream outlives the server's read timeout; each write has its own.
	if err := c.rc.SetReadDeadline(time.Time{}); err != nil {
		http.Error(w, "this connection can't carry a stream", http.StatusInternalServerError)
		return
	}
	watch := s.ledger.Watch()
	defer watch.Stop()
	if !c.send("retry: %d\n\n", retryMS) {
		return
	}
	s.run(r, c, watch, since)
}

// run tells the stream what changed until its reader goes away.
func (s *Streams) run(r *http.Request, c *stream, watch *ledger.Watch, since *uint64) {
	at := s.ledger.View().Seq
	if since != nil && *since <= at {
		at = *since
	}
	if !c.message(at, "hello", hello{Seq: at, Resumed: since != nil}) {
		return
	}
	beat := time.NewTicker(s.bounds.Heartbeat)
	defer beat.Stop()
	var plan *dispatch.Plan
	planned, alerted, studied := s.planChanges(), s.alertChanges(), s.studyChanges()
	for first := true; ; first = false {
		st := s.ledger.View()
		if st.Seq > at {
			if !c.message(st.Seq, "units", changesSince(st, at)) {
				return
			}
			at = st.Seq
		}
		if p := s.latest(); p != plan && p != nil {
			plan = p
			if !c.message(at, "plan", planNews{Seq: p.Seq, Made: p.Made}) {
				return
			}
		}
		if s.alerts != nil && (first || changed(alerted)) {
			alerted = s.alertChanges()
			if !c.message(at, "alerts", alertNews{append([]Alert{}, s.alerts.Alerts()...)}) {
				return
			}
		}
		select {
		case <-watch.C():
		case <-planned:
			planned = s.planChanges()
		case <-alerted:
		case <-studied:
			studied = s.studyChanges()
			if !c.message(at, "studies", struct{}{}) {
				return
			}
		case <-beat.C:
			if !c.send(": still here\n\n") {
				return
			}
		case <-s.quit:
			return
		case <-r.Context().Done():
			return
		}
	}
}

func (s *Streams) latest() *dispatch.Plan {
	if s.plans == nil {
		return nil
	}
	return s.plans.Latest()
}

func (s *Streams) planChanges() <-chan struct{} {
	if s.plans == nil {
		return nil
	}
	return s.plans.Changed()
}

func (s *Streams) studyChanges() <-chan struct{} {
	if s.studies == nil {
		return nil
	}
	return s.studies.Changed()
}

func (s *Streams) alertChanges() <-chan struct{} {
	if s.alerts == nil {
		return nil
	}
	return s.alerts.Changed()
}

func changed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

type hello struct {
	Seq     uint64 `json:"seq"`
	Resumed bool   `json:"resumed"`
}

// unitNews names the units that changed. Shop: something else than units may
// have changed too (closures, the shop file).
type unitNews struct {
	Seq   uint64         `json:"seq"`
	Units []queue.UnitID `json:"units"`
	Shop  bool           `json:"shop"`
}

type planNews struct {
	Seq  uint64    `json:"seq"`
	Made time.Time `json:"made"`
}

type alertNews struct {
	Alerts []Alert `json:"alerts"`
}

// changesSince works out from the state which units changed after a sequence.
func changesSince(st *queue.State, after uint64) unitNews {
	n := unitNews{Seq: st.Seq, Units: []queue.UnitID{}}
	var last uint64
	for id, u := range st.Units {
		if k := len(u.Entries); k > 0 && u.Entries[k-1] > after {
			n.Units = append(n.Units, id)
			last = max(last, u.Entries[k-1])
		}
	}
	slices.Sort(n.Units)
	n.Shop = last < st.Seq || st.Seq-after > uint64(len(n.Units))
	return n
}

// position reads Last-Event-ID, which a browser sends when it comes back.
func position(r *http.Request) (*uint64, error) {
	id := strings.TrimSpace(r.Header.Get("Last-Event-ID"))
	if id == "" {
		return nil, nil
	}
	n, err := strconv.ParseUint(id, 10, 64)
	if err != nil {
		return nil, fmt.Errorf("Last-Event-ID %.40q is no position in the log: leave it out and load the page again", id)
	}
	return &n, nil
}

// stream is one reader; a write that fails or is too slow ends it.
type stream struct {
	w       http.ResponseWriter
	rc      *http.ResponseController
	timeout time.Duration
}

func (c *stream) message(id uint64, event string, data any) bool {
	b, err := json.Marshal(data)
	return err == nil && c.send("id: %d\nevent: %s\ndata: %s\n\n", id, event, b)
}

func (c *stream) send(format string, args ...any) bool {
	if err := c.rc.SetWriteDeadline(time.Now().Add(c.timeout)); err != nil {
		return false
	}
	if _, err := fmt.Fprintf(c.w, format, args...); err != nil {
		return false
	}
	return c.rc.Flush() == nil
}
