package pages

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/experience"
)

// lengthsPage is how long work takes, as it was learnt.
type lengthsPage struct {
	*Base
	Quantile float64
	Learnt   *experience.Lengths // nil: nothing yet
	Works    []lengthWork
	Flags    []lengthFlag
	MoreOdd  int // flags that are not shown
	Warm     []warmRow
	Airs     []int // °C, the columns of Warm
}

// lengthWork is one operation.
type lengthWork struct {
	Op        *queue.Operation
	Stretches []lengthStretch
}

// lengthStretch is one stretch with all models together and its parts.
type lengthStretch struct {
	experience.Row
	Parts []experience.Row // models, then people
	Strip strip
	Notes []string
}

// strip draws lengths on a line: from the shortest in ten to the longest in ten,
// the middle, what is planned and what is listed. X are in percent.
type strip struct{ From, Wide, Mid, Planned, Listed string }

type lengthFlag struct {
	experience.Flag
	Op      *queue.Operation
	Counted string
}

type warmRow struct {
	Model string
	N     int
	Times []string
}

// warmAirs are the temperatures outside that warm-ups are told for.
var warmAirs = []int{-5, 5, 15, 25}

const flagsShown = 20

// lengthsAt is what was learnt by the page's moment.
func (p *Pages) lengthsAt(ctx context.Context, b *Base) (*experience.Lengths, error) {
	if b.Then == nil {
		return p.o.Lengths.Lengths(), nil
	}
	return p.record.Lengths(ctx, b.moment())
}

func (p *Pages) lengths(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("How long work takes"), "owner"
	if err := foremanOnly(b); err != nil {
		return "", nil, err
	}
	l, err := p.lengthsAt(r.Context(), b)
	if err != nil {
		return "", nil, err
	}
	page := &lengthsPage{Base: b, Quantile: b.Shop.PlanningQuantile(), Learnt: l, Airs: warmAirs}
	page.works(l.Rows(b.Shop, page.Quantile))
	if l == nil {
		return "lengths", page, nil
	}
	for _, f := range l.Flags[:min(len(l.Flags), flagsShown)] {
		page.Flags = append(page.Flags, lengthFlag{f, b.Shop.Operation(f.Row.Operation), page.counted(&f)})
	}
	page.MoreOdd = len(l.Flags) - len(page.Flags)
	page.warm(l.Warm())
	return "lengths", page, nil
}

func (p *lengthsPage) works(rows []experience.Row) {
	var work *lengthWork
	for _, r := range rows {
		if work == nil || work.Op.ID != r.Operation {
			p.Works = append(p.Works, lengthWork{Op: p.Shop.Operation(r.Operation)})
			work = &p.Works[len(p.Works)-1]
		}
		if r.Model == "" && r.Technician == "" {
			work.Stretches = append(work.Stretches, lengthStretch{Row: r, Strip: stripOf(&r), Notes: p.notes(&r)})
			continue
		}
		s := &work.Stretches[len(work.Stretches)-1]
		s.Parts = append(s.Parts, r)
	}
}

func stripOf(r *experience.Row) strip {
	low, high := r.Estimate.Quantile(.1), r.Estimate.Quantile(.9)
	most := max(high, r.Listed, r.Planned) * 11 / 10
	x := func(d time.Duration) string {
		return strconv.FormatFloat(100*float64(d)/float64(max(most, 1)), 'f', 1, 64) + "%"
	}
	return strip{x(low), x(high - low), x(r.Median), x(r.Planned), x(r.Listed)}
}

// notes are what has to be known of a row beside its numbers.
func (p *lengthsPage) notes(r *experience.Row) []string {
	var out []string
	if r.N == 0 {
		return []string{p.T("Never seen: planned as listed, with wide limits.")}
	}
	say := func(why experience.Why, text string) {
		if r.Counts[why] > 0 {
			out = append(out, text)
		}
	}
	say(experience.NotSigned, p.T("%d probably not signed off", r.Counts[experience.NotSigned]))
	say(experience.Stopped, p.T("%d stopped in the middle", r.Counts[experience.Stopped]))
	say(experience.FarOut, p.T("%d far longer than the rest", r.Counts[experience.FarOut]))
	say(experience.WaitedOut, p.T("%d over before somebody came", r.Counts[experience.WaitedOut]))
	say(experience.Clock, p.T("%d with a wrong clock", r.Counts[experience.Clock]))
	if d := r.Estimate.Drift; d.Seen {
		if d.Ratio > 1 {
			out = append(out, p.T("The newest %d take longer than before: %s times.", d.N, p.Number(d.Ratio, 2)))
		} else {
			out = append(out, p.T("The newest %d take less than before: %s times.", d.N, p.Number(d.Ratio, 2)))
		}
	}
	if r.Estimate.Fit.Refused {
		out = append(out, p.T("They do not spread as assumed (log-normal): take the long ones with care."))
	}
	return out
}

func (p *lengthsPage) counted(f *experience.Flag) string {
	switch f.Why {
	case experience.Clock:
		return p.T("not at all: a clock was wrong")
	case experience.NotSigned:
		return p.T("as at least %s: probably nobody signed it off", p.Exact(f.Counted))
	case experience.Stopped:
		return p.T("as at least %s: it stopped in the middle", p.Exact(f.Counted))
	case experience.FarOut:
		return p.T("as at least %s: far longer than the rest", p.Exact(f.Counted))
	}
	return p.T("as at most %s: it was over before somebody came", p.Exact(f.Counted))
}

func (p *lengthsPage) warm(by map[string]experience.Warmth) {
	for _, model := range slices.Sorted(maps.Keys(by)) {
		w := by[model]
		row := warmRow{Model: model, N: w.N}
		if w.Learnt {
			for _, air := range warmAirs {
				if d, ok := w.Time(float64(air), w.TargetC); ok {
					row.Times = append(row.Times, p.Exact(d))
				} else {
					row.Times = append(row.Times, p.T("does not get there"))
				}
			}
		}
		p.Warm = append(p.Warm, row)
	}
}

// Part names a part of a stretch's lengths.
func (p *lengthsPage) Part(r experience.Row) string {
	if r.Technician != "" {
		return p.Name(r.Technician)
	}
	return r.Model
}

// Kind says what a stretch is.
func (p *lengthsPage) Kind(s lengthStretch) string {
	kind := p.T("hands-off")
	if s.HandsOn {
		kind = p.T("hands-on")
	}
	if s.Of == 1 {
		return kind
	}
	return p.T("%s, part %d of %d", kind, s.Stretch+1, s.Of)
}

// lengthsCSV writes the lengths as a table.
func (p *Pages) lengthsCSV(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	l, err := p.lengthsAt(r.Context(), b)
	if err == nil {
		err = foremanOnly(b)
	}
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	p.table(w, b.named("lengths"), experience.Table(l.Rows(b.Shop, b.Shop.PlanningQuantile())))
}

// named is what a file of today is called.
func (b *Base) named(what string) string {
	return fmt.Sprintf("tickover-%s-%s", what, b.Now.In(b.Loc).Format(time.DateOnly))
}

// LengthSays tells where the planned length of a step comes from.
func (b *Base) LengthSays(l *dispatch.StepLength) string {
	planned, listed := b.Minutes(time.Duration(l.PlannedS)*time.Second), b.Minutes(time.Duration(l.ListedS)*time.Second)
	switch {
	case l.Floor:
		return b.T("Planned with the %s that are listed: less was seen, but whether it may start is judged by the listed time.", listed)
	case l.ByModel:
		return b.N("Planned with %[2]s, learnt from %[1]d time on this model; listed are %[3]s.", "Planned with %[2]s, learnt from %[1]d times on this model; listed are %[3]s.", l.Seen, l.Seen, planned, listed)
	}
	return b.N("Planned with %[2]s, learnt from %[1]d time on other models; listed are %[3]s.", "Planned with %[2]s, learnt from %[1]d times on other models; listed are %[3]s.", l.Seen, l.Seen, planned, listed)
}
