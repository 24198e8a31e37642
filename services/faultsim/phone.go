package faultsim

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"tickover/queue"
)

// phone is somebody's device with its outbox, as static/outbox.js keeps it: a
// press is a command with its id and time; they are sent one after the other,
// in order; a refusal stops what follows for that unit until its person retries
// or drops it. It is on the device's disk, so that nothing but its person ends
// it.
type phone struct {
	s     *sim
	site  *site
	who   queue.PersonID
	skew  time.Duration // how far its clock is ahead
	until time.Time     // out of reach up to then
	list  []*press

	sending *press // waits for an answer
	pause   time.Duration
	timer   uint64 // counts, so that an older one is void
}

// press is one command of a person.
type press struct {
	phone   *phone
	cmd     queue.Command // as it is sent
	true    queue.Command // with the time at which it happened
	under   queue.Conditions
	about   string // unit; what has none stands alone
	step    queue.StepID
	refused bool
	settled bool // recorded, or dropped
	tries   int
	waits   uint64 // the answer that is waited for
}

// The pauses and patience of static/outbox.js.
const (
	answerWait = 20 * time.Second
	pauseMin   = 2 * time.Second
	pauseMax   = time.Minute
)

// press adds a command to the outbox and sends what can be sent.
func (p *phone) press(cmd queue.Command, under queue.Conditions) *press {
	x := &press{phone: p, cmd: cmd, true: cmd, under: under}
	x.cmd.At = cmd.At.Add(p.skew)
	x.about, x.step = aboutOf(&cmd)
	p.list = append(p.list, x)
	p.site.pending = append(p.site.pending, x)
	p.site.touched()
	p.s.pressed(x)
	p.pause = pauseMin
	p.flush()
	return x
}

// aboutOf is the unit and step that a command is about.
func aboutOf(cmd *queue.Command) (string, queue.StepID) {
	switch a := cmd.Action.(type) {
	case *queue.AcceptStep:
		return string(a.Unit), a.Step
	case *queue.ReturnStep:
		return string(a.Unit), a.Step
	case *queue.StartStep:
		return string(a.Unit), a.Step
	case *queue.AdvanceStep:
		return string(a.Unit), a.Step
	case *queue.FinishStep:
		return string(a.Unit), a.Step
	case *queue.ReportProblem:
		return string(a.Unit), a.Step
	case *queue.SkipStep:
		return string(a.Unit), a.Step
	case *queue.HandOver:
		return string(a.Unit), ""
	case *queue.AmendUnit:
		return string(a.Unit), ""
	}
	return "command " + string(cmd.ID), ""
}

// flush sends the next command that may be sent, if there is a network.
func (p *phone) flush() {
	if p.sending != nil {
		return
	}
	stopped := map[string]bool{}
	for _, x := range p.list {
		if x.refused {
			stopped[x.about] = true
		}
	}
	for _, x := range p.list {
		if !x.refused && !stopped[x.about] {
			p.send(x)
			return
		}
	}
}

// again tries later.
func (p *phone) again() {
	p.timer++
	mine := p.timer
	d := time.Duration(float64(p.pause) * (0.8 + 0.4*p.s.rand.Float64()))
	p.pause = min(pauseMax, 2*p.pause)
	if p.s.now.Add(d).Before(p.until) {
		d = p.until.Sub(p.s.now) // it has nothing to try before
	}
	p.s.after(d, func() {
		if p.timer == mine {
			p.flush()
		}
	})
}

// send waits for one answer, as long as it may take.
func (p *phone) send(x *press) {
	s := p.s
	if s.now.Before(p.until) || s.now.Before(p.site.cut) {
		p.again()
		return
	}
	p.sending = x
	x.tries++
	x.waits++
	wait := x.waits
	end := func(f func()) func() {
		return func() {
			if p.sending == x && x.waits == wait {
				p.sending = nil
				f()
			}
		}
	}
	s.after(answerWait, end(p.again))
	p.request(x, func(err error) { end(func() { p.answered(x, err) })() })
}

// request brings a press to some floor replica and its answer back; both may
// be lost, late or doubled.
func (p *phone) request(x *press, answer func(error)) {
	s := p.s
	f := s.floors[s.rand.IntN(len(s.floors))]
	try := x.tries
	arrive := func() {
		f.handle(x, try, func(err error) {
			back := s.air()
			if s.hit(Lost, 0.02) {
				return
			}
			s.after(back, func() {
				if s.now.Before(p.until) || s.now.Before(p.site.cut) {
					return
				}
				p.told(x, err)
				answer(err)
			})
		})
	}
	d := s.air()
	if s.hit(Late, 0.02) {
		d = s.between(10*time.Second, 10*time.Minute)
	}
	if !s.hit(Lost, 0.02) {
		s.after(d, arrive)
	}
	if s.hit(Doubled, 0.02) {
		s.after(d+s.between(0, 5*time.Minute), arrive)
	}
}

// told is judged for every answer that arrives, also for one that nobody waits
// for any more.
func (p *phone) told(x *press, err error) {
	var refusal *queue.Refusal
	switch {
	case err == nil:
		p.s.acknowledged(x)
	case errors.As(err, &refusal):
		p.s.count("refusals that a phone was told", 1)
	}
}

func (p *phone) answered(x *press, err error) {
	var refusal *queue.Refusal
	switch {
	case err == nil:
		p.pause = pauseMin
		p.remove(func(y *press) bool { return y == x })
	case errors.As(err, &refusal):
		p.s.say("%s: %s is refused: %v", p.who, x.cmd.ID, err)
		x.refused = true
		p.site.touched()
		p.s.after(p.s.between(time.Minute, 30*time.Minute), func() { p.decide(x) })
	default: // try again
		p.again()
		return
	}
	p.flush()
}

// decide is what the person wants with what was refused.
func (p *phone) decide(x *press) {
	if x.settled || !x.refused {
		return
	}
	if p.s.hit(allFaults, 0.25) {
		x.refused = false
	} else {
		// What followed on this step was meant to follow it.
		from := false
		p.remove(func(y *press) bool {
			from = from || y == x
			return from && y.about == x.about && y.step == x.step
		})
	}
	p.site.touched()
	p.flush()
}

func (p *phone) remove(which func(*press) bool) {
	var rest []*press
	for _, y := range p.list {
		if which(y) {
			y.settled = true
		} else {
			rest = append(rest, y)
		}
	}
	p.list = rest
	p.site.touched()
}

func (x *press) String() string {
	kind := strings.TrimPrefix(fmt.Sprintf("%T", x.cmd.Action), "*queue.")
	return fmt.Sprintf("%s %s %s/%s by %s at %s", x.cmd.ID, kind, x.about, x.step, x.phone.who, x.cmd.At.Format("15:04:05"))
}
