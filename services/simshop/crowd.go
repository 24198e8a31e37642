package simshop

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tickover/queue"
	"tickover/scheduler/calendar"
	"tickover/services/bench"
	"tickover/services/dispatch"
)

// Crowd is the people of a simulated shop in front of services that somebody
// else runs, moved step by step on one goroutine: for simulations that hold
// more than a shop. It is not safe for concurrent use.
type Crowd struct {
	*world
	lost map[queue.Hold]time.Time // steps that nobody is at: since when they were noticed
}

// Around says what the people of a Crowd have around them.
type Around struct {
	// Floor may answer later than it seems to: what it reports as done counts
	// for the people when they see it in View.
	Floor Floor
	// Plan is the plan that the pages show; nil: none yet.
	Plan func() *dispatch.Plan
	// Station is what hangs at a bench, pad or loop; nil: nothing.
	Station func(dispatch.Station) *bench.Station
	// Prefix begins the ids of the people's commands.
	Prefix string
}

// NewCrowd returns the people of a shop whose file is in effect, at o.From.
// Options that concern log and planning are not used.
func NewCrowd(ctx context.Context, o Options, a Around) (*Crowd, error) {
	if err := o.defaults(); err != nil {
		return nil, err
	}
	if a.Floor == nil || a.Plan == nil || a.Floor.Almanac() == nil || o.From.IsZero() {
		return nil, errors.New("simulated people: a floor with a shop file, a plan and a moment to begin at are needed")
	}
	c := &Crowd{newWorld(ctx, o, a.Floor, a.Plan), map[queue.Hold]time.Time{}}
	c.now, c.live, c.prefix, c.station = o.From, true, a.Prefix, a.Station
	c.adoptAll()
	c.midnight(calendar.DateOf(o.From, o.Shop.Location()))
	return c, nil
}

// Next is when somebody is going to do something.
func (c *Crowd) Next() time.Time {
	at, _ := c.due.Next() // the next midnight at the latest
	return at
}

// Step does what is due by now.
func (c *Crowd) Step(now time.Time) {
	for {
		x, ok := c.due.Before(now.Add(1))
		if !ok {
			break
		}
		c.now = x.At
		x.What()
	}
	c.now = now
}

// Look lets everybody look at plan and state, because one of them changed.
func (c *Crowd) Look(now time.Time) {
	c.now = now
	c.rounds()
	c.considerAll()
}

// Hear tells the people of calls and alarms.
func (c *Crowd) Hear(now time.Time, alerts []bench.Alert) {
	c.now = now
	for i := range alerts {
		if !alerts[i].Cleared {
			c.alert(&alerts[i])
		}
	}
}

// lostAfter is how long a step may be nobody's before somebody sees to it, of
// those that wonder.
const lostAfter = 10 * time.Minute

// FindLost lets people see to what runs or is accepted in their name and they
// don't know of: a command that was thought lost was recorded after all, or
// one that was thought recorded was not. To be called now and then.
func (c *Crowd) FindLost(now time.Time) {
	c.now = now
	was := c.lost
	c.lost = map[queue.Hold]time.Time{}
	for _, u := range c.floor.View().OpenUnits() {
		for i := range u.Steps {
			st, key := &u.Steps[i], queue.Hold{Unit: u.ID, Step: u.Steps[i].ID}
			mine := st.Status == queue.Todo && st.Accepted != nil || st.Status == queue.Running
			j := c.jobs[key]
			if !mine || j != nil && (j.who != nil || c.ours(j)) {
				continue
			}
			since, known := was[key]
			if !known {
				since = now
			}
			c.lost[key] = since
			if now.Sub(since) >= lostAfter {
				c.seeTo(key, st)
			}
		}
	}
}

func (c *Crowd) seeTo(key queue.Hold, st *queue.Step) {
	who := st.Technician
	if st.Status == queue.Todo {
		who = st.Accepted.Technician
	}
	for _, p := range c.people {
		switch here, _ := c.present(p); {
		case p.id != who || !here && !c.still:
		case st.Status == queue.Todo:
			_ = c.do(p.id, &queue.ReturnStep{Unit: key.Unit, Step: key.Step, Reason: "was not begun"})
		default:
			c.adoptRun(p, key, st)
		}
	}
}

// Calm ends what arrives and what goes wrong: the people finish what is there.
func (c *Crowd) Calm() { c.still, c.o.Without = true, AllFaults }

// Busy says who is at which step, and at what time somebody does something
// next, for whoever looks for what hangs.
func (c *Crowd) Busy() string {
	out := ""
	for _, p := range c.people {
		if p.busy != nil {
			out += fmt.Sprintf(" %s at %s/%s", p.id, p.busy.key.Unit, p.busy.key.Step)
		}
	}
	for _, u := range c.floor.View().OpenUnits() {
		for i := range u.Steps {
			if j := c.jobs[queue.Hold{Unit: u.ID, Step: u.Steps[i].ID}]; j != nil {
				out += fmt.Sprintf(" [%s/%s in stretch %d, walking %t, ends %s, called %s, forgotten %t]", u.ID, u.Steps[i].ID, j.stretch, j.walking,
					j.offEnd.Format(time.DateTime), j.called.Format(time.DateTime), j.forgot)
			}
		}
	}
	return out
}
