package pages

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/services/promise"
)

// promisesPage holds what is said of units when they arrive against what became
// of them.
type promisesPage struct {
	*Base
	Learns  bool // false: nothing is learnt in this process
	Levels  []promise.Worth
	N       int // answers whose outcome is known
	Open    int
	Sure    promise.Worth // of four in five
	Curve   curve
	Verdict string
}

// curve is a calibration curve on a plane of 320 by 320, up from the bottom
// left.
type curve struct {
	Band string // polygon of the limits
	Line string
	Raw  string
	Dots []chartDot
}

const (
	curveLeft, curveSide = 40.0, 260.0
	curveTop             = 14.0
)

func (p *Pages) answersAt(b *Base) []promise.Answer {
	all := p.o.Learner.Answers()
	if b.Then == nil {
		return all
	}
	all = slices.DeleteFunc(all, func(a promise.Answer) bool { return a.At.After(b.Now) })
	for i := range all {
		if all[i].Ready.After(b.Now) {
			all[i].Ready = time.Time{}
		}
	}
	return all
}

func (p *Pages) promisesKept(_ *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("What promises are worth"), "owner"
	page := &promisesPage{Base: b, Learns: p.o.Learner != nil}
	page.Levels, page.N, page.Open = promise.WorthOf(p.answersAt(b))
	for _, l := range page.Levels {
		if l.Share == .8 {
			page.Sure = l
		}
	}
	page.Curve = curveOf(page.Levels)
	page.Verdict = page.verdict()
	return "promises", page, nil
}

// promisesLeast is how many outcomes it takes to say anything.
const promisesLeast = 20

func (p *promisesPage) verdict() string {
	s := p.Sure
	switch {
	case !p.Learns:
		return p.T("Nothing is learnt of promises here.")
	case p.N < promisesLeast:
		return p.T("Too few units are ready of which a time was worked out when they came: %d. Until there are more, times are said with a usual margin.", p.N)
	case s.Low > .8:
		return p.T("Of times said with four chances in five, %s were kept: times are said later than they need to be.", p.Percent(s.Value, 0))
	case s.High < .8:
		return p.T("Of times said with four chances in five, only %s were kept: something has changed. Promise more room until it is learnt.", p.Percent(s.Value, 0))
	}
	return p.T("Of times said with four chances in five, %s were kept: as it should be.", p.Percent(s.Value, 0))
}

func curveOf(rows []promise.Worth) curve {
	var c curve
	x := func(v float64) string { return at(curveLeft + curveSide*v) }
	y := func(v float64) string { return at(curveTop + curveSide*(1-v)) }
	var line, raw, low, high []string
	for _, r := range rows {
		if r.N == 0 {
			return c
		}
		line, raw = append(line, x(r.Share)+","+y(r.Value)), append(raw, x(r.Share)+","+y(r.Raw))
		low, high = append(low, x(r.Share)+","+y(r.Low)), append(high, x(r.Share)+","+y(r.High))
		c.Dots = append(c.Dots, chartDot{X: x(r.Share), Y: y(r.Value)})
	}
	slices.Reverse(low)
	c.Band, c.Line, c.Raw = strings.Join(append(high, low...), " "), strings.Join(line, " "), strings.Join(raw, " ")
	return c
}

// promisesCSV writes every answer and what became of it.
func (p *Pages) promisesCSV(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	head := []string{"unit", "route", "arrived", "promised", "ready", "earlier_answers"}
	for _, l := range promise.Levels {
		head = append(head, "by_"+strconv.Itoa(int(l*100+.5)))
	}
	rows := [][]string{head}
	stamp := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.In(b.Loc).Format(time.RFC3339)
	}
	for _, a := range p.answersAt(b) {
		row := []string{string(a.Unit), string(a.Route), stamp(a.At), stamp(a.Promise), stamp(a.Ready), strconv.Itoa(a.Past)}
		for _, t := range a.Said {
			row = append(row, stamp(t))
		}
		rows = append(rows, row)
	}
	p.table(w, b.named("promises"), rows)
}
