package lazy

// Solver searches one problem. It is not safe for concurrent use.
type Solver struct {
	engine
	learner
	names
	p       *Problem
	start   []int32   // by activity: variable of its start
	length  []int32   // by activity: variable of its duration, -1 for a constant
	modes   []int32   // by activity: its choice, -1 for a single mode
	keep    [][]int32 // by activity: the modes that are not dominated
	end     int32     // variable of the makespan
	rules   []rule
	ruleOf  [][]int32 // by direction
	choices []choice
	stocks  []stock
	sums    []cumulative
	wakes   [][]int32 // by direction: who must look
	dirty   []bool
	queue   [2][]int32
	list    []lit
	why     []lit
	holders []holder
	// confined are the limits of Confine.
	confined []lit

	best     []int32 // by variable: the last schedule
	proved   bool
	descents int
	restarts int
	pause    int // descents until the next restart
	forget   int // clauses until the next reduction
}

// Status is how a run ended.
type Status int

// The ends of a run.
const (
	Limit     Status = iota + 1 // the descents or the caller's patience are used up
	Found                       // a better schedule
	Exhausted                   // proved: there is no better schedule
	Refuted                     // proved: there is none within Confine
)

// New compiles a problem. Its error says what is wrong with it.
func New(p *Problem) (*Solver, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	s := &Solver{p: p}
	s.compile()
	s.ready()
	return s, nil
}

// markDirty queues propagator w: choices and stocks first, then resources.
func (s *Solver) markDirty(w int32) {
	if s.dirty[w] {
		return
	}
	s.dirty[w] = true
	k := 0
	if int(w) >= len(s.choices)+len(s.stocks) {
		k = 1
	}
	s.queue[k] = append(s.queue[k], w)
}

func (s *Solver) clearDirty() {
	for k := range s.queue {
		for _, w := range s.queue[k] {
			s.dirty[w] = false
		}
		s.queue[k] = s.queue[k][:0]
	}
}

// propagateNext runs one queued propagator; more says that there was one.
func (s *Solver) propagateNext() (ok, more bool) {
	for k := range s.queue {
		q := s.queue[k]
		if len(q) == 0 {
			continue
		}
		w := q[0]
		s.queue[k] = append(q[:0], q[1:]...)
		s.dirty[w] = false
		c, t := int32(len(s.choices)), int32(len(s.choices)+len(s.stocks))
		switch {
		case w < c:
			return s.propagateChoice(w), true
		case w < t:
			return s.propagateStock(w - c), true
		}
		return s.propagateCumulative(&s.sums[w-t]), true
	}
	return true, false
}

// Below asks for schedules that end before a makespan.
func (s *Solver) Below(makespan int64) {
	s.backTo(0)
	if !s.set(2*s.end+1, int32(1-makespan), reason{}) {
		s.proved = true
	}
}

// Guide has the search prefer the values of a schedule: starts, and modes as
// indices into Activity.Modes.
func (s *Solver) Guide(start []int64, mode []int) {
	if s.best == nil {
		s.best = make([]int32, len(s.lb)/2)
	}
	for i, x := range s.start {
		s.best[x] = int32(start[i])
		if s.modes[i] < 0 {
			continue
		}
		c := &s.choices[s.modes[i]]
		for k := range c.n {
			s.best[c.x+k] = 0
			if int(s.keep[i][k]) == mode[i] {
				s.best[c.x+k] = 1
				for _, a := range c.attrs {
					s.best[a.x] = a.val[k]
				}
			}
		}
	}
}

// Descents is the number of ways down so far: conflicts and schedules.
func (s *Solver) Descents() int { return s.descents }

// Lower is a proved lower limit on the makespan, given the limits of Below.
func (s *Solver) Lower() int64 { return int64(s.root[2*s.end]) }

// Schedule is the last one found: starts and modes.
func (s *Solver) Schedule() (start []int64, mode []int) {
	start, mode = make([]int64, len(s.start)), make([]int, len(s.start))
	for i, x := range s.start {
		start[i] = int64(s.best[x])
		mode[i] = int(s.keep[i][0])
		if k := s.modes[i]; k >= 0 {
			c := &s.choices[k]
			for m := range c.n {
				if s.best[c.x+m] == 1 {
					mode[i] = int(s.keep[i][m])
				}
			}
		}
	}
	return start, mode
}

// Restarts follow the sequence of Luby, Sinclair & Zuckerman (Information
// Processing Letters 47, 1993) in steps of so many descents.
const restartStep = 100

// Run searches for a better schedule, for at most limit descents and until
// over says so.
func (s *Solver) Run(limit int, over func() bool) Status {
	for end := s.descents + limit; ; {
		if s.proved {
			return Exhausted
		}
		if !s.propagate() {
			s.descents++
			s.pause--
			if !s.learn() {
				s.proved = true
				return Exhausted
			}
			if s.descents >= end {
				s.backTo(0)
				return Limit
			}
			continue
		}
		if s.level() == 0 {
			s.settle()
		}
		if s.pause <= 0 {
			s.restart()
			continue
		}
		if over() {
			s.backTo(0)
			return Limit
		}
		l, ok := s.confine()
		if ok && s.fails(l) {
			s.descents++
			s.backTo(0)
			return Refuted
		}
		if !ok {
			l, ok = s.choose()
		}
		if !ok {
			s.descents++
			s.record()
			return Found
		}
		s.decide(l)
	}
}

// Window limits where a run looks: activity i starts at Earliest[i] or later
// and at Latest[i] or before, and is done in Mode[i]. A negative value is no
// limit, nor is a mode that never fits or that another one dominates. All three
// are as long as Problem.Activities.
type Window struct {
	Earliest, Latest []int64
	Mode             []int
}

// Confine has the next runs look only within a window; the zero Window lifts
// it.
func (s *Solver) Confine(w Window) {
	s.backTo(0)
	s.confined = s.confined[:0]
	for i := range w.Mode {
		if k := s.modes[i]; k >= 0 && w.Mode[i] >= 0 {
			c := &s.choices[k]
			for m := range c.n {
				if int(s.keep[i][m]) == w.Mode[i] {
					s.confined = append(s.confined, lit{2 * (c.x + m), 1})
				}
			}
		}
		if t := w.Latest[i]; t >= 0 {
			s.confined = append(s.confined, lit{2*s.start[i] + 1, int32(-t)})
		}
		if t := w.Earliest[i]; t >= 0 {
			s.confined = append(s.confined, lit{2 * s.start[i], int32(t)})
		}
	}
}

// confine is the first limit of Confine that does not hold yet.
func (s *Solver) confine() (lit, bool) {
	for _, l := range s.confined {
		if !s.holds(l) {
			return l, true
		}
	}
	return lit{}, false
}

// namesMax bounds the literals with an activity: beyond it all are forgotten.
const namesMax = 1 << 17

func (s *Solver) restart() {
	s.backTo(0)
	if len(s.names.lit) > namesMax {
		s.names.reset()
	}
	s.restarts++
	s.pause = restartStep * luby(s.restarts)
	if len(s.clauses) > s.forget {
		s.reduce()
		s.forget = len(s.clauses) + 1000
	}
}

func luby(i int) int {
	for k := 1; ; k++ {
		switch {
		case i == 1<<k-1:
			return 1 << (k - 1)
		case i < 1<<k-1:
			i -= 1<<(k-1) - 1
			k = 0
		}
	}
}

// record keeps the schedule that all bounds have met in and asks for a better
// one.
func (s *Solver) record() {
	if s.best == nil {
		s.best = make([]int32, len(s.lb)/2)
	}
	for x := range s.best {
		s.best[x] = s.lo(int32(x))
	}
	s.Below(int64(s.best[s.end]))
}

// choose is the literal to decide next: the most active one of those that
// clauses speak of, as in the best schedule, else the earliest start that is
// open, with its mode before it.
func (s *Solver) choose() (lit, bool) {
	if l, ok := s.pick(); ok {
		return l, true
	}
	first := -1
	for i, x := range s.start {
		if s.lo(x) == s.hi(x) && (s.modes[i] < 0 || s.decided(s.modes[i])) {
			continue
		}
		if first < 0 || s.lo(x) < s.lo(s.start[first]) || s.lo(x) == s.lo(s.start[first]) && s.hi(x) < s.hi(s.start[first]) {
			first = i
		}
	}
	if first < 0 {
		if s.lo(s.end) < s.hi(s.end) {
			return lit{2*s.end + 1, -s.lo(s.end)}, true
		}
		return lit{}, false
	}
	if k := s.modes[first]; k >= 0 && !s.decided(k) {
		return lit{2 * s.mode(k), 1}, true
	}
	return lit{2*s.start[first] + 1, -s.lo(s.start[first])}, true
}

func (s *Solver) decided(k int32) bool {
	c := &s.choices[k]
	for x := c.x; x < c.x+c.n; x++ {
		if s.lo(x) == 1 {
			return true
		}
	}
	return false
}

// mode is the best schedule's if it is open, else the first open one.
func (s *Solver) mode(k int32) int32 {
	c := &s.choices[k]
	first := int32(-1)
	for x := c.x; x < c.x+c.n; x++ {
		if s.hi(x) == 1 && (first < 0 || s.best != nil && s.best[x] == 1) {
			first = x
		}
	}
	return first
}
