package simshop

import (
	"time"

	"tickover/queue"
)

// job is a step in the hands of the simulated people.
type job struct {
	key     queue.Hold
	op      *queue.Operation
	runs    int     // the step's, to see that it is still ours
	who     *person // walks to it, or works on it; nil in hands-off time
	last    *person
	walking bool
	stretch int
	left    time.Duration // hands-on time that is left in the stretch
	offEnd  time.Time     // when the machine is done
	called  time.Time     // when the station called somebody back; zero: not yet
	late    time.Duration // how late whoever is called comes
	forgot  bool          // done, but nobody has pressed the button
	failsAt int           // the stretch at whose end it fails; -1: it succeeds
	why     string
	turn    uint64 // counts hand-overs, so that an older appointment is void
}

// nextHandsOn is the next hands-on stretch after the present one, -1 if none.
func (j *job) nextHandsOn() int {
	for k := j.stretch + 1; k < len(j.op.Stretches); k++ {
		if j.op.Stretches[k].HandsOn {
			return k
		}
	}
	return -1
}

// begin starts the step once the person has got there.
func (w *world) begin(p *person, j *job, start *queue.StartStep) {
	_, st := w.step(j.key)
	if p.played.Load() || st == nil || st.Status != queue.Todo || st.Accepted == nil || st.Accepted.Technician != p.id {
		w.drop(j) // somebody else was there first
		return
	}
	if err := w.do(p.id, start); err != nil {
		if w.do(p.id, &queue.ReturnStep{Unit: j.key.Unit, Step: j.key.Step, Reason: "could not be started: " + short(err)}) != nil {
			w.tally.odd++
		}
		w.drop(j)
		return
	}
	u, st := w.step(j.key)
	j.runs, j.walking = st.Runs, false
	w.used(u, j.op)
	w.decideFate(j, st)
	w.handsOn(j, 0)
}

func short(err error) string {
	s := err.Error()
	if len(s) > 200 {
		s = s[:200]
	}
	return s
}

// drop forgets a job: it is over, or somebody else's.
func (w *world) drop(j *job) {
	j.turn++
	if w.jobs[j.key] == j {
		delete(w.jobs, j.key)
	}
	if j.who != nil && j.who.busy == j {
		w.free(j.who)
	}
}

// ours tells whether the step still runs as the simulation left it; if a human
// has gone on with it, it is his.
func (w *world) ours(j *job) bool {
	_, st := w.step(j.key)
	taken := j.who != nil && j.who.played.Load()
	if !taken && st != nil && st.Status == queue.Running && st.Runs == j.runs && st.Stretch == j.stretch {
		return true
	}
	w.drop(j)
	return false
}

// handsOn begins the k-th stretch with j.who; stretch 0 has begun already.
func (w *world) handsOn(j *job, k int) {
	p := j.who
	if k > j.stretch {
		if !w.ours(j) {
			return
		}
		if w.do(p.id, &queue.AdvanceStep{Unit: j.key.Unit, Step: j.key.Step, Stretch: k, Technician: p.id}) != nil {
			w.drop(j)
			return
		}
	}
	j.stretch, j.walking = k, false
	w.luck("hands on", j.key, j.runs, k)
	j.left = scaled(w.truly(j.op, k), p.pace*w.lognormal(0.15))
	w.goOn(j)
}

// goOn works until the stretch is over, or, if it may pause, until the next
// break or the end of the shift.
func (w *world) goOn(j *job) {
	j.turn++
	turn := j.turn
	piece, then := j.left, w.now
	if j.op.Stretches[j.stretch].Splittable {
		here, back := w.present(j.who)
		if !here {
			w.at(back, func() {
				if j.turn == turn {
					w.goOn(j)
				}
			})
			return
		}
		if until, ok := w.hoursOf(j.who).OpenUntil(w.now); ok {
			piece = min(piece, until.Sub(w.now))
		}
	} else {
		w.tally.overtime += piece - w.hoursOf(j.who).Clip(then, then.Add(piece)).Total()
	}
	w.at(then.Add(piece), func() {
		if j.turn != turn {
			return
		}
		if j.left -= piece; j.left > 0 {
			w.goOn(j)
			return
		}
		w.stretchOver(j)
	})
}

// takeOver goes on with the work of somebody who is not there.
func (w *world) takeOver(p *person, j *job) bool {
	if !w.ours(j) {
		return false
	}
	if j.who.busy == j {
		j.who.busy = nil
	}
	j.who, j.last, p.busy = p, p, j
	w.goOn(j)
	return true
}

// stretchOver goes on to what comes after the present stretch.
func (w *world) stretchOver(j *job) {
	if !w.ours(j) {
		return
	}
	k := j.stretch + 1
	switch {
	case j.failsAt == j.stretch || k == len(j.op.Stretches):
		w.finish(j)
	case j.op.Stretches[k].HandsOn:
		w.handsOn(j, k)
	default:
		w.handsOff(j, k)
	}
}

// handsOff leaves the machine to itself. Nobody leaves a running engine, or
// what can't wait: the person stays with it.
func (w *world) handsOff(j *job, k int) {
	p := j.who
	if w.do(p.id, &queue.AdvanceStep{Unit: j.key.Unit, Step: j.key.Step, Stretch: k}) != nil {
		w.drop(j)
		return
	}
	x := &j.op.Stretches[k]
	j.stretch, j.last = k, p
	w.luck("hands off", j.key, j.runs, k)
	length := w.lognormal(0.04)
	if j.op.Kind == queue.Relearn {
		length *= coldness(airC(w.now))
	}
	j.offEnd = w.now.Add(scaled(w.truly(j.op, k), length))
	next := j.nextHandsOn()
	if j.op.Engine || x.MaxWait >= 0 || next < 0 {
		w.stayWith(j, next)
		return
	}
	j.turn++
	j.called, j.late = time.Time{}, 0
	if w.happens(Lateness, 0.1) {
		j.late = w.between(3*time.Minute, 20*time.Minute)
	}
	j.who = nil
	w.free(p)
	w.at(w.now.Add(x.Duration-w.floor.View().Shop.Limits.CallBefore), w.look) // the station calls then
	w.at(j.offEnd, w.considerAll)
}

// stayWith waits beside the machine until it is done.
func (w *world) stayWith(j *job, next int) {
	j.turn++
	turn := j.turn
	w.at(j.offEnd, func() {
		if j.turn == turn && w.ours(j) {
			w.afterHandsOff(j, next)
		}
	})
}

// attend walks to a machine that is about to be done.
func (w *world) attend(p *person, j *job, k int) bool {
	if !w.ours(j) {
		return false
	}
	j.who, j.last, p.busy, j.walking = p, p, j, true
	j.turn++
	turn := j.turn
	w.luck("attend", j.key, j.runs, k)
	there := w.now.Add(w.between(walkMin, walkMax))
	if j.offEnd.After(there) {
		there = j.offEnd
	}
	w.at(there, func() {
		if j.turn == turn && w.ours(j) {
			w.afterHandsOff(j, k)
		}
	})
	return true
}

func (w *world) afterHandsOff(j *job, next int) {
	if next < 0 || (j.failsAt >= 0 && j.failsAt < next) {
		w.finish(j)
		return
	}
	w.handsOn(j, next)
}

// finish signs the step off, sometimes late, and sometimes only at the second
// try.
func (w *world) finish(j *job) {
	p := j.who
	w.luck("forget", j.key, j.runs)
	if w.happens(Forgetting, 0.05) {
		j.forgot = true
		j.turn++
		turn := j.turn
		w.in(w.between(forgetMin, forgetMax), func() {
			if j.turn == turn {
				w.signOff(j, p, 0)
			}
		})
		return
	}
	w.signOff(j, p, 0)
}

// signOffTries bounds how often a sign-off is tried.
const signOffTries = 3

func (w *world) signOff(j *job, p *person, tried int) {
	if !w.ours(j) {
		return
	}
	u, st := w.step(j.key)
	done := &queue.FinishStep{
		Unit: j.key.Unit, Step: j.key.Step, Technician: p.id, Evidence: w.readings(u, st, j.op, false),
		Failed: j.failsAt >= 0, Reason: j.why,
	}
	w.luck("sign off", j.key, j.runs, tried)
	if tried == 0 && !done.Failed && w.happens(Typos, 0.05) {
		if w.mistype(p, j, done) {
			w.in(w.between(20*time.Second, 90*time.Second), func() { w.signOff(j, p, 1) })
			return
		}
	}
	cmd := w.command(p.id, done)
	w.luck("dead spot", j.key, j.runs, tried)
	if w.happens(DeadSpots, 0.02) {
		w.in(w.between(time.Minute, 12*time.Minute), func() {
			if w.ours(j) {
				w.signedOff(j, p, tried, w.send(cmd))
			}
		})
		return
	}
	w.signedOff(j, p, tried, w.send(cmd))
}

func (w *world) signedOff(j *job, p *person, tried int, err error) {
	if err != nil && tried < signOffTries && w.fatal == nil {
		w.tally.odd++
		w.in(retry, func() { w.signOff(j, p, tried+1) })
		return
	}
	w.drop(j)
}
