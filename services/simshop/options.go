package simshop

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/scheduler/calendar"
)

// Options of a simulated shop. Shop must be set; for the rest zero values work.
type Options struct {
	Shop     *queue.Shop
	ShopFile queue.Hash // of the shop file's bytes
	Seed     uint64
	// Days is the number of calendar days to simulate; 0: 1.
	Days int
	// Start is the first day; zero: DemoStart.
	Start calendar.Date
	// From is the moment to begin at, to go on with a log; zero: the midnight
	// that Start begins with.
	From time.Time
	// Busy is the day on which much more arrives than usual; zero: DemoBusy.
	Busy calendar.Date
	// Waiting are units that wait at the door on the morning of Busy; then
	// little else arrives that day.
	Waiting []queue.ReceiveUnit
	// Log to write to; nil: one in memory. A log with entries is gone on with.
	Log log.Log
	// Schedules is the search effort of each plan, as dispatch.ComputeOptions
	// has it; 0: 100, 1: the first good plan, three times as fast and with
	// twice as many promises missed.
	Schedules int
	// Faults that are switched off.
	Without Faults
	// Load scales what arrives; 0: 1.
	Load float64
	// Stopwatch measures how long planning takes, for the Result only; nil:
	// not measured.
	Stopwatch func() (lap func() time.Duration)
	// Learn lets the planner learn lengths of work from the log, overnight.
	Learn bool
	// SameLuck keys each draw by what it is for (a day, a unit's arrival, a run
	// of a step) instead of drawing one after the other, so that two shops that
	// plan differently meet the same units and the same luck.
	SameLuck bool
	// Truly is how long operations really take, as a factor of what the shop
	// file lists; those that are not named take what it says.
	Truly map[queue.OperationID]float64
	// Counter promises times to who brings units in; nil: from habit.
	Counter Counter
	// Observer, if set, is told of the run as it goes.
	Observer Observer
}

// DemoStart and DemoBusy are the demo's first day, a Monday in late winter,
// and its busiest one, the day after: short, and with twice the usual arrivals.
var (
	DemoStart = calendar.Date{Year: 2026, Month: time.February, Day: 16}
	DemoBusy  = calendar.Date{Year: 2026, Month: time.February, Day: 17}
)

// Faults are things that go wrong, each of which can be switched off.
type Faults uint

// The faults.
const (
	Weather     Faults = 1 << iota // pads and loops shut for a while
	Breakdown                      // an interface is down
	Sickness                       // a technician is out for the day
	LateParts                      // a part comes later than announced
	FailedWork                     // flash, relearn, restart check or test ride fails
	Typos                          // a reading is mistyped, refused, and typed again
	Haste                          // somebody tries a step out of its order
	Forgetting                     // nobody presses done
	Lateness                       // nobody comes when called
	DeadSpots                      // a phone without reception sends later
	Repeats                        // a phone sends twice
	OldMachines                    // machines that no calibration is listed for

	AllFaults = 1<<iota - 1
)

// Counter says by when units are promised that are about to be checked in, one
// time for each; zero: as from habit. The state is that before they come.
type Counter interface {
	Promise(ctx context.Context, st *queue.State, now time.Time, units []queue.ReceiveUnit) ([]time.Time, error)
}

// Observer is told of a run as it goes, on its goroutine.
type Observer interface {
	// Day is called at each midnight, with the day that begins.
	Day(day calendar.Date, soFar Result)
	// Violation is called for each one, with what it is about.
	Violation(at time.Time, words string)
}

// DaysMax bounds a run.
const DaysMax = 3660

func (o *Options) defaults() error {
	if o.Shop == nil {
		return errors.New("simulated shop: no shop file given")
	}
	if o.Days == 0 {
		o.Days = 1
	}
	if o.Days < 0 || o.Days > DaysMax {
		return fmt.Errorf("simulated shop: %d days, 1 to %d are possible", o.Days, DaysMax)
	}
	if o.Start == (calendar.Date{}) {
		o.Start = DemoStart
	}
	if o.Busy == (calendar.Date{}) {
		o.Busy = DemoBusy
	}
	if o.Schedules == 0 {
		o.Schedules = 100
	}
	if o.Load == 0 {
		o.Load = 1
	}
	if o.Load < 0 || o.Load > 20 {
		return fmt.Errorf("simulated shop: load %g, 0 to 20 is possible", o.Load)
	}
	return nil
}

// Result says what a run came to.
type Result struct {
	UnitsArrived  int `json:"units_arrived"`
	UnitsFinished int `json:"units_finished"` // handed over, or in the showroom
	// A promise is kept when a unit's last step ends by it. One that is still
	// open when the run ends and past its promise has missed it.
	PromisesKept   int `json:"promises_kept"`
	PromisesMissed int `json:"promises_missed"`
	// InterlockRefusals counts commands refused by I1…I13.
	InterlockRefusals int `json:"interlock_refusals"`
	// CheckerViolations counts violations of C1…C14 in any plan made, and
	// findings of queue.State.Audit after any entry.
	CheckerViolations int    `json:"checker_violations"`
	Events            uint64 `json:"events"`
	// Planning time; not part of what the seed determines.
	PlanMSP50 float64 `json:"plan_ms_p50"`
	PlanMSP99 float64 `json:"plan_ms_p99"`
	// Objective is J of what happened, in weighted minutes: the planning
	// objective's lateness and flow of every unit that arrived; one that is
	// not ready counts as ready at the end of the run.
	Objective float64 `json:"objective"`

	// ByInterlock splits InterlockRefusals; [queue.I1] is its index.
	ByInterlock [queue.InterlockCount + 1]int `json:"-"`
	// Offered counts steps that were accepted as a station offered them, Calls
	// and Alarms what the stations raised that somebody heeded.
	Offered, Calls, Alarms int `json:"-"`
	// Overtime is the hands-on time of work that does not pause, in breaks and
	// beside the shifts of whoever did it: a length that is planned too short
	// costs it, and nothing else tells.
	Overtime time.Duration `json:"-"`
	// Log is the hash of the last entry, and by the chain of the whole log.
	Log queue.Hash `json:"-"`
}
