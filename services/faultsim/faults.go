package faultsim

import (
	"fmt"
	"strings"
	"time"

	"tickover/queue"
	"tickover/queue/view"
	"tickover/scheduler/calendar"
)

// Faults is a set of kinds of faults.
type Faults uint

// The kinds. Each run leaves some out, so that what one of them hides from the
// others is seen too.
const (
	Lost         Faults = 1 << iota // requests, answers and alarms
	Late                            // messages overtake each other
	Doubled                         // requests and offers
	Crashes                         // of processes, which know nothing afterwards
	Pauses                          // of processes, which don't notice
	Clocks                          // of machines jump
	PhoneClocks                     // of phones are wrong
	Offline                         // phones out of reach, for hours
	Cuts                            // the shop's line
	SlowDisk                        // of the log's server
	FullDisk                        // of the log's server
	Outages                         // the log's server starts again: plans and offers are gone
	ViewLoss                        // the store of views is away, flushed, or started from an old dump
	BadSnapshots                    // missing, old, damaged
	allFaults    Faults = 1<<iota - 1
)

var faultNames = []string{"lost", "late", "doubled", "crashes", "pauses", "clocks", "phone-clocks", "offline", "cuts", "slow-disk", "full-disk", "outages", "view-loss", "bad-snapshots"}

func (f Faults) String() string {
	var out []string
	for i, name := range faultNames {
		if f&(1<<i) != 0 {
			out = append(out, name)
		}
	}
	return strings.Join(out, " ")
}

// hit draws whether a fault strikes.
func (s *sim) hit(f Faults, p float64) bool {
	return s.rand.Float64() < p && s.faults&f != 0
}

func (s *sim) chance(p float64) bool { return s.rand.Float64() < p }

// between draws a duration in [a, b).
func (s *sim) between(a, b time.Duration) time.Duration {
	return a + time.Duration(s.rand.Int64N(int64(b-a)))
}

// wire is the way between two machines, air that between a phone and a machine.
func (s *sim) wire() time.Duration { return s.between(200*time.Microsecond, 6*time.Millisecond) }
func (s *sim) air() time.Duration  { return s.between(20*time.Millisecond, 400*time.Millisecond) }

// day draws what goes wrong on a day, most of it while the shops are open.
func (s *sim) day(day calendar.Date) {
	loc := s.sites[0].shop.Location()
	at := func(do func()) {
		minute := 7*60 + s.rand.IntN(12*60)
		if s.chance(0.15) {
			minute = s.rand.IntN(24 * 60)
		}
		s.after(day.At(0, loc).Add(time.Duration(minute)*time.Minute+s.between(0, time.Minute)).Sub(s.now), func() {
			if s.faults != 0 {
				do()
			}
		})
	}
	often := func(f Faults, p float64, do func()) {
		for ; p > 0; p-- {
			if s.hit(f, p) {
				at(do)
			}
		}
	}
	// A dispatcher that stood still and goes on is what fencing is for.
	pauses := map[bool]float64{false: 0.7, true: 3}
	for _, v := range s.servers {
		often(Crashes, 0.7, func() { s.crashed(v) })
		often(Pauses, pauses[v.leads], func() {
			v.until = s.now.Add(s.between(2*time.Second, 5*time.Minute))
			s.say("%s stands still up to %s", v.name, v.until.Format(time.TimeOnly))
			s.count("processes that stood still", 1)
		})
		often(Clocks, 0.3, func() { s.jumped(v) })
	}
	for _, x := range s.sites {
		for _, p := range x.phones {
			often(Offline, 0.35, func() {
				p.until = s.now.Add(s.between(2*time.Minute, 5*time.Hour))
				s.say("%s's phone is out of reach up to %s", p.who, p.until.Format(time.TimeOnly))
				s.count("phones out of reach", 1)
			})
			often(PhoneClocks, 0.15, func() {
				p.skew = s.wrong()
				s.say("%s's phone is wrong by %s", p.who, p.skew)
				s.count("phones with a wrong clock", 1)
				s.after(s.between(time.Minute, 6*time.Hour), func() { p.skew = 0 })
			})
		}
		often(Cuts, 0.4, func() {
			x.cut = s.now.Add(s.between(10*time.Second, time.Hour))
			s.say("the line of %s is cut up to %s", x.id, x.cut.Format(time.TimeOnly))
			s.count("lines cut", 1)
		})
	}
	often(SlowDisk, 0.8, func() {
		s.say("the log's disk is slow")
		s.count("times of a slow disk", 1)
		s.log.slow = true
		s.after(s.between(time.Minute, 30*time.Minute), func() { s.log.slow = false })
	})
	often(FullDisk, 0.3, func() {
		s.say("the log's disk is full")
		s.count("times of a full disk", 1)
		s.log.mem.SetLimit(1)
		s.after(s.between(10*time.Second, 20*time.Minute), func() { s.log.mem.SetLimit(0) })
	})
	often(Outages, 0.6, s.outage)
	at(s.views.dump)
	often(ViewLoss, 1.3, func() {
		s.views.up = false
		s.after(s.between(0, 10*time.Minute), func() { s.views.up = true })
		if s.chance(0.8) {
			s.views.flush()
		}
	})
}

// wrong is by how much a clock is wrong that is.
func (s *sim) wrong() time.Duration {
	d := s.between(10*time.Second, 10*time.Minute)
	if s.chance(0.5) {
		d = s.between(10*time.Minute, 14*time.Hour)
	}
	if s.chance(0.5) {
		d = -d
	}
	return d
}

func (s *sim) crashed(v *server) {
	if !v.up {
		return
	}
	s.say("%s crashes", v.name)
	s.count("crashes", 1)
	s.crash(v.host)
	v.ledgers = nil
	down := s.between(500*time.Millisecond, 30*time.Second)
	if s.chance(0.4) {
		down = s.between(30*time.Second, 40*time.Minute)
	}
	s.after(down, func() {
		if !v.up {
			s.say("%s starts", v.name)
			s.starts[v]()
		}
	})
}

func (s *sim) jumped(v *server) {
	v.skew = s.wrong()
	s.say("%s's clock jumps by %s", v.name, v.skew)
	s.count("machines with a wrong clock", 1)
	s.after(s.between(time.Minute, 3*time.Hour), func() { v.skew = 0 })
}

// outage: the log's server starts again. What it acknowledged is there; what it
// kept in memory, plans, offers and leases, may be gone, all of it at once.
func (s *sim) outage() {
	if !s.log.up {
		return
	}
	s.say("the log's server stops")
	s.count("outages of the log's server", 1)
	s.log.up = false
	s.log.gen++
	s.after(s.between(time.Second, 3*time.Minute), func() {
		s.log.up = true
		lost := s.chance(0.5)
		for _, x := range s.sites {
			if lost {
				x.board.plan, x.board.rev = nil, 0
				clear(x.board.work)
			}
		}
		if lost {
			clear(s.buckets.leases)
		}
		s.say("the log's server is back, plans lost: %t", lost)
	})
}

// heal ends all faults.
func (s *sim) heal() {
	s.say("no more faults")
	s.faults = 0
	s.log.up, s.log.slow, s.views.up = true, false, true
	s.log.mem.SetLimit(0)
	for _, v := range s.servers {
		v.skew, v.until = 0, s.now
		if !v.up {
			s.starts[v]()
		}
	}
	for _, x := range s.sites {
		x.cut = s.now
		for _, p := range x.phones {
			p.until, p.skew = s.now, 0
			p.pause = pauseMin
			p.again()
		}
		x.crowd.Calm()
	}
}

// Broken is a defect that a run is given, to see that it is found.
type Broken string

// The defects.
const (
	RepeatsCount       Broken = "a repeat is taken for a new command"
	AcksEarly          Broken = "a command is acknowledged before it is in the log"
	PlansUnfenced      Broken = "a replaced dispatcher may publish its plan"
	OffersUnfenced     Broken = "a bench takes offers of replaced dispatchers"
	ViewsLoseRows      Broken = "the mirror leaves a unit out"
	SnapshotsLoseLocks Broken = "a snapshot has forgotten the locks"
)

// withoutLocks is a snapshot in which nothing is held.
func withoutLocks(b []byte) []byte {
	st, err := queue.UnmarshalSnapshot(b)
	if err != nil {
		return b
	}
	clear(st.Holds)
	out, err := st.MarshalSnapshot()
	if err != nil {
		panic(fmt.Sprint("snapshot without locks: ", err))
	}
	return out
}

var _ view.Store = viewClient{}
