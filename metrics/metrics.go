// Package metrics holds the shop's Prometheus collectors: their names, their
// help and how they are fed.
//
//	reg := prometheus.NewRegistry()
//	m := metrics.New(reg, words)        // words: the enumerations used as labels
//	m.SetShop(resources, operations)    // again when the shop file changes
//	m.Event("flash.done")
//	http.Handle("/metrics", metrics.Handler(reg, sample))
//
// The package knows nothing of queues and plans: it takes strings, numbers and
// durations. services/meter turns log entries and plans into calls.
//
// What it guarantees:
//
//  1. Every name starts with "tickover_", carries a base unit, and passes
//     promlint; testdata/names.golden lists names, labels and help.
//  2. Series of known labels start at zero, so that a first increment shows.
//  3. Labels are enumerations or names out of the shop file, never units,
//     steps or people: the number of series is bounded by the shop file.
//
// All methods may be called concurrently.
//
// Everything here is derived and starts anew with the process; counters count
// what this process folded, the log has the rest. What each person did is in
// the log for the work's sake and is deliberately not a metric.
package metrics

import (
	"runtime"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
)

// Namespace is the first part of every name.
const Namespace = "tickover"

// Words are the enumerations that appear as labels; each starts at zero.
type Words struct {
	EventTypes  []string // "flash.done"
	Interlocks  []string // "I1"
	Codes       []string // codes of refusals that are no interlock
	Ownerships  []string // "new"
	Constraints []string // "C1"
}

// Values of labels that this package owns.
const (
	// Of a refusal by no interlock, or a violation of no constraint.
	None = "none"

	PlanCommitted = "committed" // in force, with all steps
	PlanPartial   = "partial"   // in force; some steps do not fit
	PlanFailed    = "failed"    // no plan came out
	PlanUnchanged = "unchanged" // looked at; nothing that matters had changed

	PromiseKept   = "kept"
	PromiseMissed = "missed"

	LeftDelivered = "delivered"
	LeftShowroom  = "showroom"

	OutcomeDone    = "done"
	OutcomeFailed  = "failed"
	OutcomeSkipped = "skipped"
	OutcomeVoided  = "voided"
)

// StepState says where a step of an open unit stands.
type StepState string

// The states of a step.
const (
	StepBlocked StepState = "blocked" // a step before it, a part or a hold is missing
	StepReady   StepState = "ready"   // may start, waits for people or things
	StepRunning StepState = "running"
)

// HeldState says what a resource that is held is held for.
type HeldState string

// What a held resource is held for.
const (
	HandsOn  HeldState = "hands_on"  // somebody works
	HandsOff HeldState = "hands_off" // the machine works by itself
	Waiting  HeldState = "waiting"   // hands-off time is over, nobody has come
)

// Metrics are the collectors of one shop. For several shops in one process
// wrap the Registerer with a label of the site.
type Metrics struct {
	events       *prometheus.CounterVec
	suspect      prometheus.Counter
	unknown      prometheus.Counter
	refusals     *prometheus.CounterVec
	overrides    *prometheus.CounterVec
	stepsNow     *prometheus.GaugeVec
	stepsEnded   *prometheus.CounterVec
	stepTime     *prometheus.HistogramVec
	unitsNow     prometheus.Gauge
	unitsArrived *prometheus.CounterVec
	unitsLeft    *prometheus.CounterVec
	unitStay     prometheus.Histogram
	promises     *prometheus.CounterVec
	overdue      prometheus.Gauge
	audit        prometheus.Counter

	held   *prometheus.CounterVec
	inUse  *prometheus.GaugeVec
	closed *prometheus.GaugeVec

	plans      *prometheus.CounterVec
	planTime   prometheus.Histogram
	planCost   *prometheus.GaugeVec
	unplaced   *prometheus.GaugeVec
	planLate   prometheus.Gauge
	planSteps  prometheus.Gauge
	planSeq    prometheus.Gauge
	planAt     prometheus.Gauge
	violations *prometheus.CounterVec

	logLast prometheus.Gauge
	volume  prometheus.Gauge
	free    prometheus.Gauge
	applied *prometheus.GaugeVec

	mu         sync.Mutex
	resources  map[Resource]bool
	operations map[string]bool
	words      Words
}

// Resource is a thing of the shop file as a label.
type Resource struct {
	ID   string
	Kind string // "bench"
}

// Buckets. A plan is expected within tens of milliseconds; steps last minutes
// to hours, stays hours to weeks.
var (
	planBuckets = []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10}
	stepBuckets = []float64{60, 180, 300, 600, 900, 1200, 1800, 2700, 3600, 5400, 7200, 14400, 28800, 86400}
	stayBuckets = []float64{3600, 2 * 3600, 4 * 3600, 8 * 3600, 16 * 3600, 24 * 3600, 2 * 86400, 4 * 86400, 7 * 86400, 14 * 86400, 28 * 86400}
)

// maker registers collectors under the namespace.
type maker struct {
	reg       prometheus.Registerer
	subsystem string
}

func (k maker) counters(name, help string, labels ...string) *prometheus.CounterVec {
	c := prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: Namespace, Subsystem: k.subsystem, Name: name, Help: help}, labels)
	k.reg.MustRegister(c)
	return c
}

func (k maker) counter(name, help string) prometheus.Counter {
	c := prometheus.NewCounter(prometheus.CounterOpts{Namespace: Namespace, Subsystem: k.subsystem, Name: name, Help: help})
	k.reg.MustRegister(c)
	return c
}

func (k maker) gauges(name, help string, labels ...string) *prometheus.GaugeVec {
	g := prometheus.NewGaugeVec(prometheus.GaugeOpts{Namespace: Namespace, Subsystem: k.subsystem, Name: name, Help: help}, labels)
	k.reg.MustRegister(g)
	return g
}

func (k maker) gauge(name, help string) prometheus.Gauge {
	g := prometheus.NewGauge(prometheus.GaugeOpts{Namespace: Namespace, Subsystem: k.subsystem, Name: name, Help: help})
	k.reg.MustRegister(g)
	return g
}

func (k maker) histograms(name, help string, buckets []float64, labels ...string) *prometheus.HistogramVec {
	h := prometheus.NewHistogramVec(prometheus.HistogramOpts{Namespace: Namespace, Subsystem: k.subsystem, Name: name, Help: help, Buckets: buckets}, labels)
	k.reg.MustRegister(h)
	return h
}

func (k maker) histogram(name, help string, buckets []float64) prometheus.Histogram {
	h := prometheus.NewHistogram(prometheus.HistogramOpts{Namespace: Namespace, Subsystem: k.subsystem, Name: name, Help: help, Buckets: buckets})
	k.reg.MustRegister(h)
	return h
}

// New registers the collectors. It panics when the registry has them already.
func New(reg prometheus.Registerer, w Words) *Metrics {
	m := &Metrics{resources: map[Resource]bool{}, operations: map[string]bool{}, words: w}
	m.makeQueue(maker{reg, "queue"})
	m.makeResource(maker{reg, "resource"})
	m.makeDispatch(maker{reg, "dispatch"})
	m.logLast = maker{reg, "log"}.gauge("last_sequence", "Sequence of the last entry that is known to be in the log.")
	m.volume = maker{reg, "log"}.gauge("volume_bytes", "Size of the disk that the log lies on; 0 when it can't be told.")
	m.free = maker{reg, "log"}.gauge("volume_free_bytes", "Free space on that disk for the program.")
	m.applied = maker{reg, "view"}.gauges("applied_sequence", "Sequence of the last entry applied, by view; behind the log's by its lag.", "view")
	m.zero()
	return m
}

func (m *Metrics) makeQueue(k maker) {
	m.events = k.counters("events_total", "Events applied, by type.", "type")
	m.suspect = k.counter("clock_suspect_events_total", "Events whose time on the floor was not believed.")
	m.unknown = k.counter("unknown_events_total", "Events of a type that this version does not know.")
	m.refusals = k.counters("refusals_total", "Commands refused, by code and interlock.", "code", "interlock")
	m.overrides = k.counters("overrides_total", "Interlocks that a foreman let pass with a reason.", "interlock")
	m.stepsNow = k.gauges("steps", "Steps of open units that are not settled, by operation and state: the queue's depth.", "operation", "state")
	m.stepsEnded = k.counters("steps_finished_total", "Steps that ended, by operation and outcome.", "operation", "outcome")
	m.stepTime = k.histograms("step_duration_seconds", "Time from a step's start to its sign-off, waiting included, by operation.", stepBuckets, "operation")
	m.unitsNow = k.gauge("units_open", "Units in the shop.")
	m.unitsArrived = k.counters("units_arrived_total", "Units checked in, by ownership.", "ownership")
	m.unitsLeft = k.counters("units_finished_total", "Units that left, by where to.", "outcome")
	m.unitStay = k.histogram("unit_stay_seconds", "Time from a unit's arrival to its leaving.", stayBuckets)
	m.promises = k.counters("promises_total", "Promises of units that left, by result: kept when the last step ended in time.", "result")
	m.overdue = k.gauge("flashes_overdue", "Flashes that run longer than expected by more than the shop file allows; their interfaces stay locked.")
	m.audit = k.counter("audit_failures_total", "Broken invariants found in the queue's state; any is a defect of the program.")
}

func (m *Metrics) makeResource(k maker) {
	m.held = k.counters("held_seconds_total", "Time a resource was held, by what for: hands_on, hands_off, or waiting for somebody to come.", "resource", "kind", "state")
	m.inUse = k.gauges("holds", "Steps that hold the resource now.", "resource", "kind")
	m.closed = k.gauges("closed", "1 while the resource is down or shut for a reason.", "resource", "kind")
}

func (m *Metrics) makeDispatch(k maker) {
	m.plans = k.counters("plans_total", "Plans made, by result.", "result")
	m.planTime = k.histogram("plan_duration_seconds", "Time to make a plan.", planBuckets)
	m.planCost = k.gauges("plan_cost", "Objective J of the plan in force and its parts, in weighted minutes; bound is a proved lower limit.", "part")
	m.unplaced = k.gauges("plan_unplaced_steps", "Steps that do not fit the horizon, by the constraint that stops them.", "constraint")
	m.planLate = k.gauge("plan_late_units", "Units that the plan in force finishes after their promise, or not at all.")
	m.planSteps = k.gauge("plan_steps", "Steps placed in the plan in force.")
	m.planSeq = k.gauge("plan_sequence", "Sequence of the log entry that the plan in force was made from.")
	m.planAt = k.gauge("plan_last_success_timestamp_seconds", "Shop time at which the last plan came into force.")
	m.violations = k.counters("checker_violations_total", "Violations that the independent checker found in plans, by constraint; any is a defect of the program.", "constraint")
}

// zero starts the series of all known words.
func (m *Metrics) zero() {
	for _, t := range m.words.EventTypes {
		m.events.WithLabelValues(t)
	}
	for _, i := range m.words.Interlocks {
		m.refusals.WithLabelValues("interlock", i)
		m.overrides.WithLabelValues(i)
	}
	for _, c := range m.words.Codes {
		m.refusals.WithLabelValues(c, None)
	}
	for _, o := range m.words.Ownerships {
		m.unitsArrived.WithLabelValues(o)
	}
	for _, l := range []string{LeftDelivered, LeftShowroom} {
		m.unitsLeft.WithLabelValues(l)
	}
	for _, r := range []string{PromiseKept, PromiseMissed} {
		m.promises.WithLabelValues(r)
	}
	for _, r := range []string{PlanCommitted, PlanPartial, PlanFailed, PlanUnchanged} {
		m.plans.WithLabelValues(r)
	}
	for _, p := range costParts {
		m.planCost.WithLabelValues(p)
	}
	for _, c := range append([]string{None}, m.words.Constraints...) {
		m.unplaced.WithLabelValues(c)
		m.violations.WithLabelValues(c)
	}
}

// RegisterBuild registers tickover_build_info, once a process.
func RegisterBuild(reg prometheus.Registerer, version, revision string) {
	g := maker{reg, ""}.gauges("build_info", "1; the labels say what runs.", "version", "revision", "goversion")
	g.WithLabelValues(version, revision, runtime.Version()).Set(1)
}
