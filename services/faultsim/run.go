package faultsim

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"maps"
	"math/rand/v2"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/view"
	"tickover/scheduler/calendar"
	"tickover/services/dispatch"
	"tickover/services/simshop"
)

// Options of a run. Shop must be set.
type Options struct {
	// Shop is each site's, under another name.
	Shop     *queue.Shop
	ShopFile queue.Hash
	Seed     uint64
	// Days with faults, of each site; 0: 1. After them the shops finish what
	// they have without any.
	Days  int
	Sites int // up to 4; 0: 2
	// Load scales what arrives; 0: 0.6.
	Load float64
	// Start is the first day; zero: a day of the year by the seed.
	Start calendar.Date
	Break Broken // empty: nothing
	// Say, if set, is told of each line of the trace.
	Say func(line string)
}

// Result says what a run came to.
type Result struct {
	Options Options
	Faults  Faults // that the seed drew
	// Trace is the hash of all that happened, in order.
	Trace string
	// Failures are what must not be; after the first ones the run stops.
	Failures []string
	Counts   map[string]int // what was done, went wrong and was judged
	last     []string
}

// Failed reports whether anything was as it must not be.
func (r *Result) Failed() bool { return len(r.Failures) > 0 }

// Report tells of a failed run, and how to repeat it.
func (r *Result) Report() string {
	var b strings.Builder
	fmt.Fprintf(&b, "seed %d, %d days, faults: %s\n", r.Options.Seed, r.Options.Days, r.Faults)
	fmt.Fprintf(&b, "repeat with: go test ./services/faultsim -run TestFaults -seed %d -days %d\nlast of the trace:\n", r.Options.Seed, r.Options.Days)
	for _, line := range r.last {
		fmt.Fprintf(&b, "  %s\n", line)
	}
	for _, f := range r.Failures {
		fmt.Fprintf(&b, "FAILED %s\n", f)
	}
	return b.String()
}

// Sum tells of what was counted.
func Sum(counts map[string]int) string {
	var b strings.Builder
	for _, what := range slices.Sorted(maps.Keys(counts)) {
		fmt.Fprintf(&b, "%9d %s\n", counts[what], what)
	}
	return b.String()
}

const (
	failuresMax = 5
	linesKept   = 60
	// drainDays bounds how long the shops may take to finish what they have:
	// parts are days late at times.
	drainDays = 21
	// settleTime is how long everything may take to agree once it is quiet.
	settleTime = 30 * time.Minute
)

// sim is a deployment.
type sim struct {
	kernel
	o      Options
	rand   *rand.Rand
	faults Faults
	sum    hash.Hash
	res    Result

	log         *logServer
	views       *viewServer
	buckets     *buckets
	sites       []*site
	servers     []*server
	starts      map[*server]func()
	floors      []*floor
	dispatchers []*dispatcher
}

// Run simulates a deployment. The same options give the same Result.
func Run(o Options) (res Result) {
	o.Days = max(1, o.Days)
	if o.Sites == 0 {
		o.Sites = 2
	}
	if o.Load == 0 {
		o.Load = 0.6
	}
	s := &sim{o: o, rand: rand.New(rand.NewPCG(o.Seed, 0x6661756c74)), sum: sha256.New(), starts: map[*server]func(){}}
	s.res.Counts = map[string]int{}
	defer func() {
		if v := recover(); v != nil {
			s.fail("broken invariant: %v\n%s", v, debug.Stack())
		}
		for _, v := range s.servers {
			s.crash(v.host)
		}
		s.res.Options, s.res.Trace = o, hex.EncodeToString(s.sum.Sum(nil))
		res = s.res
	}()
	s.run()
	return s.res
}

func (s *sim) run() {
	start := s.o.Start
	if start == (calendar.Date{}) {
		start = simshop.DemoStart.AddDays(7 * s.rand.IntN(45))
	}
	loc := s.o.Shop.Location()
	s.now = start.At(0, loc)
	for i := range faultNames {
		if !s.chance(0.2) {
			s.faults |= 1 << i
		}
	}
	s.res.Faults = s.faults
	s.say("seed %d from %s, faults: %s", s.o.Seed, start, s.faults)
	s.log = &logServer{s: s, mem: logtest.NewMemAt(func() time.Time { return s.now }), up: true, sent: map[string]time.Time{}}
	s.views = &viewServer{s: s, mem: new(view.Mem), up: true}
	s.buckets = &buckets{s: s, leases: map[string]leaseAt{}}
	names := []queue.SiteID{"larkmoor", "fellside", "northgate", "brackenhill"}
	for i := range s.o.Sites {
		s.newSite(names[i], *s.o.Shop, s.o.ShopFile)
	}
	s.begin()
	s.until(start, s.o.Days, nil)
	if s.stop() {
		return
	}
	s.heal()
	quiet := time.Time{}
	why := ""
	s.until(start.AddDays(s.o.Days), drainDays, func() bool {
		switch why = s.unfinished(); {
		case why != "":
			quiet = time.Time{}
		case quiet.IsZero():
			quiet = s.now
		}
		if why == "" {
			why = s.converged()
			return why == "" || s.now.Sub(quiet) > settleTime
		}
		return false
	})
	if why != "" && !s.stop() {
		s.fail("faults ended, and yet: %s", why)
	}
	s.final()
}

// begin starts all processes and brings the people in.
func (s *sim) begin() {
	for i := range 2 {
		f := &floor{server: s.server(fmt.Sprintf("floor %d", i+1), false)}
		s.floors = append(s.floors, f)
		s.starts[f.server] = f.start
	}
	for i := range 2 {
		d := &dispatcher{server: s.server(fmt.Sprintf("dispatcher %d", i+1), i == 1)}
		d.server.leads = true
		s.dispatchers = append(s.dispatchers, d)
		s.starts[d.server] = d.start
	}
	for _, x := range s.sites {
		w := &wall{server: s.server("benches of "+string(x.id), true), site: x, order: dispatch.Stations(x.shop)}
		x.bench = w
		s.starts[w.server] = w.start
	}
	for _, v := range s.servers {
		s.starts[v]()
	}
	for i, x := range s.sites {
		x.people(i)
		for _, t := range x.shop.Technicians {
			x.phone(t.ID)
		}
		x.phone("counter")
	}
}

// until lets days pass; after each event done is asked whether that is enough.
func (s *sim) until(from calendar.Date, days int, done func() bool) {
	loc := s.o.Shop.Location()
	for i := range days {
		day := from.AddDays(i)
		if s.faults != 0 {
			s.day(day)
		}
		s.after(day.At(23*60+30, loc).Sub(s.now), func() {
			for _, x := range s.sites {
				x.judge.night()
			}
		})
		end := day.AddDays(1).At(0, loc)
		check := s.now
		for {
			do, ok := s.next(end)
			if !ok {
				break
			}
			do()
			s.mix()
			if s.stop() {
				return
			}
			if done != nil && s.now.Sub(check) > time.Minute {
				if check = s.now; done() {
					return
				}
			}
		}
	}
}

// unfinished says which unit still needs something.
func (s *sim) unfinished() string {
	for _, x := range s.sites {
		for _, u := range x.judge.view().OpenUnits() {
			return fmt.Sprintf("unit %s of %s is not finished:%s; busy:%s", u.ID, x.id, stepsOf(u), x.crowd.Busy())
		}
	}
	return ""
}

func stepsOf(u *queue.Unit) string {
	out := ""
	for i := range u.Steps {
		if st := &u.Steps[i]; !st.Settled() {
			out += fmt.Sprintf(" %s %s", st.ID, st.Status)
			if st.Accepted != nil {
				out += " accepted by " + string(st.Accepted.Technician)
			}
		}
	}
	return out
}

// final folds the log from its beginning once more, and holds every state in
// memory against it.
func (s *sim) final() {
	for _, x := range s.sites {
		st := queue.NewState(x.id)
		err := s.log.mem.Read(ctx, x.id, 0, func(en *queue.Entry) error { _, err := st.Apply(en); return err })
		if err != nil || st.LastEntry != x.judge.state.LastEntry {
			s.fail("site %s: folding the log again: %v", x.id, err)
		}
		for _, u := range st.Units {
			if u.Status != queue.InShop {
				s.count("units finished", 1)
			}
		}
		for _, v := range s.servers {
			if l := v.ledgers[x]; l != nil && !s.stop() {
				x.judge.whole(v, l)
			}
		}
		s.say("%s ends with entry %d, %s", x.id, st.Seq, st.LastEntry)
	}
}

func (s *sim) site(id queue.SiteID) *site {
	return s.sites[slices.IndexFunc(s.sites, func(x *site) bool { return x.id == id })]
}

// stored is called by the log's server for each new entry.
func (s *sim) stored(id queue.SiteID, seq uint64) {
	x := s.site(id)
	x.judge.entry(seq)
	x.touched()
	x.look()
}

func (s *sim) pressed(p *press) {
	s.count("commands", 1)
	p.phone.site.known[p.cmd.ID] = p
	s.say("%s", p)
}

func (s *sim) count(what string, n int) { s.res.Counts[what] += n }

// say adds a line to the trace.
func (s *sim) say(format string, args ...any) {
	line := s.now.UTC().Format("2006-01-02 15:04:05.000 ") + fmt.Sprintf(format, args...)
	s.sum.Write([]byte(line))
	if s.res.last = append(s.res.last, line); len(s.res.last) > linesKept {
		s.res.last = s.res.last[1:]
	}
	if s.o.Say != nil {
		s.o.Say(line)
	}
}

// mix lets every event count in the trace.
func (s *sim) mix() {
	var b [16]byte
	t, n := uint64(s.now.UnixNano()), s.agenda.Made()
	for i := range 8 {
		b[i], b[8+i] = byte(t>>(8*i)), byte(n>>(8*i))
	}
	s.sum.Write(b[:])
}

func (s *sim) fail(format string, args ...any) {
	if len(s.res.Failures) < failuresMax {
		line := s.now.UTC().Format("2006-01-02 15:04:05.000 ") + fmt.Sprintf(format, args...)
		s.res.Failures = append(s.res.Failures, line)
		s.say("FAILED %s", line)
	}
}

func (s *sim) stop() bool { return len(s.res.Failures) > 0 }
