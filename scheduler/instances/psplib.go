package instances

import (
	"bufio"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"tickover/scheduler/model"
)

// Project reads the PSPLIB formats .sm and .mm (Kolisch & Sprecher, EJOR 96,
// 1996): projects with renewable and non-renewable resources, one or several
// modes an activity.
func Project(name string, r io.Reader) (*model.Problem, error) {
	q := &psplib{name: name, p: makespan()}
	in := bufio.NewScanner(r)
	in.Buffer(nil, 1<<20)
	for in.Scan() {
		q.line++
		if err := q.read(in.Text()); err != nil {
			return nil, fmt.Errorf("%s:%d: %w", name, q.line, err)
		}
	}
	if err := in.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return q.problem()
}

type psplib struct {
	name       string
	line       int
	p          *model.Problem
	section    string
	renewable  int
	consumable int
	jobs       int
	successors map[int][]int
	modes      map[int][]model.Mode
	job        int // whose modes are being read
	capacities []int64
}

var (
	headline = regexp.MustCompile(`^(PRECEDENCE RELATIONS|REQUESTS/DURATIONS|RESOURCEAVAILABILITIES|PROJECT INFORMATION)`)
	count    = regexp.MustCompile(`^\s*-?\s*(jobs|renewable|nonrenewable|doubly constrained)\b[^:]*:\s*(\d+)`)
)

func (q *psplib) read(text string) error {
	if m := headline.FindStringSubmatch(text); m != nil {
		q.section = m[1]
		return nil
	}
	if m := count.FindStringSubmatch(text); m != nil {
		v, err := strconv.Atoi(m[2])
		if err != nil || v > countMax {
			return fmt.Errorf("%s %s is not a count", m[1], m[2])
		}
		return q.counted(m[1], v)
	}
	row, ok := integers(text)
	if !ok || len(row) == 0 {
		return nil // rulers and column heads
	}
	switch q.section {
	case "PRECEDENCE RELATIONS":
		return q.precedence(row)
	case "REQUESTS/DURATIONS":
		return q.request(row)
	case "RESOURCEAVAILABILITIES":
		q.capacities = append(q.capacities, row...)
	}
	return nil
}

func (q *psplib) counted(what string, v int) error {
	switch what {
	case "jobs":
		q.jobs = v
	case "renewable":
		q.renewable = v
	case "nonrenewable":
		q.consumable = v
	case "doubly constrained":
		if v > 0 {
			return fmt.Errorf("doubly constrained resources are not supported")
		}
	}
	return nil
}

// integers are the numbers of a line of numbers only.
func integers(text string) ([]int64, bool) {
	var out []int64
	for _, f := range strings.Fields(text) {
		v, err := strconv.ParseInt(f, 10, 64)
		if err != nil {
			return nil, false
		}
		out = append(out, v)
	}
	return out, true
}

func (q *psplib) precedence(row []int64) error {
	if len(row) < 3 || row[0] < 1 || row[0] > int64(q.jobs) || int64(len(row)) != 3+row[2] {
		return fmt.Errorf("a job's number, modes and successors do not add up: %v", row)
	}
	if q.successors == nil {
		q.successors = map[int][]int{}
	}
	for _, s := range row[3:] {
		q.successors[int(row[0])] = append(q.successors[int(row[0])], int(s))
	}
	return nil
}

func (q *psplib) request(row []int64) error {
	switch want := 2 + q.renewable + q.consumable; len(row) {
	case want + 1:
		q.job = int(row[0])
		row = row[1:]
	case want:
	default:
		return fmt.Errorf("%d numbers; want %d, or one more on a job's first line", len(row), want)
	}
	if q.job < 1 || q.job > q.jobs {
		return fmt.Errorf("job %d of %d", q.job, q.jobs)
	}
	m := model.Mode{Stretches: []model.Stretch{{Duration: model.Time(row[1])}}}
	for k, amount := range row[2:] {
		if amount > 0 {
			m.Needs = append(m.Needs, model.Need{Resources: []model.ResourceID{resourceID(k)}, Amount: amount})
		}
	}
	if q.modes == nil {
		q.modes = map[int][]model.Mode{}
	}
	q.modes[q.job] = append(q.modes[q.job], m)
	return nil
}

func resourceID(k int) model.ResourceID { return model.ResourceID(fmt.Sprintf("r%02d", k+1)) }

func (q *psplib) problem() (*model.Problem, error) {
	p := q.p
	switch {
	case q.jobs == 0:
		return nil, fmt.Errorf("%s: no line states the number of jobs", q.name)
	case len(q.capacities) != q.renewable+q.consumable:
		return nil, fmt.Errorf("%s: %d availabilities for %d resources", q.name, len(q.capacities), q.renewable+q.consumable)
	}
	for k, c := range q.capacities {
		p.Resources = append(p.Resources, model.Resource{ID: resourceID(k), Kind: "resource", Capacity: c, Consumable: k >= q.renewable})
	}
	p.Jobs = []model.Job{{ID: "project", Due: model.Unlimited, Weight: 1}}
	id := func(j int) model.ActivityID { return model.ActivityID(fmt.Sprintf("a%04d", j)) }
	for j := 1; j <= q.jobs; j++ {
		if len(q.modes[j]) == 0 {
			return nil, fmt.Errorf("%s: job %d has no duration", q.name, j)
		}
		p.Activities = append(p.Activities, model.Activity{ID: id(j), Job: "project", Modes: q.modes[j]})
		for _, s := range q.successors[j] {
			p.Lags = append(p.Lags, model.Lag{From: id(j), To: id(s)})
		}
	}
	return closeHorizon(p), nil
}
