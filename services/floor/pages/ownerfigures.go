package pages

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/services/floor/locale"
)

// ownerChart is bars of what came and what left, a pair for each day or week.
type ownerChart struct {
	Name   string
	Width  int // px
	Height int
	Base   int // y of the axis
	Bars   []barPair
	Weekly bool
	Open   bool // the table is shown at once
}

type barPair struct {
	flow.Bucket
	X, Mid, Bar       int // of the left bar, the right one, and their width
	TextX, TextMid    int // of the numbers above them
	ArrivedH, LeftH   int
	Day, Date         string // below the axis; empty: left out
	Name              string // in the table
	ToArrived, ToLeft string
	ToDue, ToKept     string
	Numbers           bool
}

// Top is the y of a bar of a height, Above that of the number over it.
func (c ownerChart) Top(h int) int   { return c.Base - h }
func (c ownerChart) Above(h int) int { return c.Base - h - 4 }

const (
	barsMaxHeight = 110 // px
	barsBase      = 130
	chartHeight   = 168
	daysCharted   = 35 // windows up to this long show a bar for each day
)

func (page *ownerPage) charts(d *flow.Data, days []flow.Interval) {
	b := page.Base
	if len(days) <= daysCharted {
		page.Charts = append(page.Charts, page.chart(b.T("By day"), flow.Count(d.Visits, days), false))
	}
	if weeks := page.W.weeks(b.Loc); len(weeks) > 1 {
		page.Charts = append(page.Charts, page.chart(b.T("By week"), flow.Count(d.Visits, weeks), true))
	}
}

func (page *ownerPage) chart(name string, buckets []flow.Bucket, weekly bool) ownerChart {
	b := page.Base
	c := ownerChart{Name: name, Height: chartHeight, Base: barsBase, Weekly: weekly, Open: len(buckets) <= 8}
	column, gap := 72, 10
	switch n := len(buckets); {
	case n > 35:
		column, gap = 30, 3
	case n > 8:
		column, gap = 42, 4
	}
	c.Width = column * len(buckets)
	most := 1
	for _, x := range buckets {
		most = max(most, x.Arrived, x.Left)
	}
	for i, x := range buckets {
		first, last := x.Start.In(b.Loc), x.End.Add(-time.Second).In(b.Loc)
		to := func(of flow.Of) string {
			return fmt.Sprintf("/owner/units?from=%s&to=%s&of=%s", first.Format(time.DateOnly), last.Format(time.DateOnly), of)
		}
		p := barPair{
			Bucket: x, X: i*column + gap, Mid: i*column + column/2, Bar: column/2 - gap - 1,
			TextX: i*column + (column/2+gap)/2, TextMid: i*column + column/2 + (column/2-gap)/2,
			ArrivedH: x.Arrived * barsMaxHeight / most, LeftH: x.Left * barsMaxHeight / most,
			ToArrived: to(flow.Arrived), ToLeft: to(flow.Left), ToDue: to(flow.Due), ToKept: to(flow.Kept), Numbers: column >= 42, Name: b.Date(first, "Mon 2 Jan"),
		}
		if weekly {
			p.Name = b.Date(first, "2 Jan 2006")
		}
		if column >= 42 || i%3 == 0 {
			p.Date = b.Date(first, "2 Jan")
			if !weekly {
				p.Day = b.Date(first, "Mon")
			}
		}
		c.Bars = append(c.Bars, p)
	}
	return c
}

// loadGroup is the resources of one kind.
type loadGroup struct {
	Name  string
	Loads []loadRow
}

type loadRow struct {
	flow.Load
	Person bool
	Name   string
	Parts  []loadPart
}

// loadPart is a state's piece of the bar.
type loadPart struct {
	State flow.State
	Class string
	Text  string
	Time  time.Duration
	Share float64
	X, W  string // percent of the bar
	To    string // empty: no units stand behind it
}

var loadGroups = []struct {
	name  string
	kinds []queue.ResourceKind
}{
	{locale.Mark("Interfaces"), []queue.ResourceKind{queue.Interface}},
	{locale.Mark("Benches"), []queue.ResourceKind{queue.Bench}},
	{locale.Mark("Chargers"), []queue.ResourceKind{queue.Charger}},
	{locale.Mark("Outdoors"), []queue.ResourceKind{queue.Pad, queue.Loop}},
}

func (page *ownerPage) loads(d *flow.Data) {
	b := page.Base
	for _, g := range loadGroups {
		out := loadGroup{Name: b.Word(g.name)}
		for _, l := range page.R.Loads {
			if r := b.Shop.Resource(queue.ResourceID(l.Resource)); r != nil && slices.Contains(g.kinds, r.Kind) {
				out.Loads = append(out.Loads, page.load(l, r.Name, false))
			}
		}
		if len(out.Loads) > 0 {
			page.Loads = append(page.Loads, out)
		}
	}
	people := loadGroup{Name: b.T("Technicians")}
	for _, l := range page.R.Loads {
		if t := b.Shop.Technician(queue.PersonID(l.Resource)); t != nil {
			people.Loads = append(people.Loads, page.load(l, t.Name, true))
		}
	}
	page.Loads = append(page.Loads, people)
}

func (page *ownerPage) load(l flow.Load, name string, person bool) loadRow {
	b := page.Base
	row := loadRow{Load: l, Name: name, Person: person}
	if name == "" {
		row.Name = l.Resource
	}
	x := 0.0
	for s := flow.HandsOn; s <= flow.Idle; s++ {
		if person && (s == flow.HandsOff || s == flow.Locked) {
			continue
		}
		p := loadPart{State: s, Class: s.String(), Text: b.stateText(s, person), Time: l.Of(s), Share: l.Share(s)}
		p.X, p.W = fmt.Sprintf("%.2f%%", 100*x), fmt.Sprintf("%.2f%%", 100*p.Share)
		x += p.Share
		if s <= flow.Locked && p.Time > 0 {
			p.To = page.W.Units(flow.Query{Of: flow.Using, Resource: l.Resource, State: s})
		}
		row.Parts = append(row.Parts, p)
	}
	return row
}

func (b *Base) stateText(s flow.State, person bool) string {
	switch {
	case person && s == flow.HandsOn:
		return b.T("at work on a unit")
	case person && s == flow.Down:
		return b.T("absent")
	case person:
		return b.T("free, or at other work")
	}
	switch s {
	case flow.HandsOn:
		return b.T("hands-on")
	case flow.HandsOff:
		return b.T("hands-off")
	case flow.Locked:
		return b.T("locked, nothing happens")
	case flow.Down:
		return b.T("down")
	}
	return b.T("free")
}

// causeRow is what units waited for.
type causeRow struct {
	flow.CauseTime
	Text, To string
	W        string // of its bar
	Share    float64
}

var causeTexts = map[flow.Cause]string{
	flow.ForInterface: locale.Mark("an interface"), flow.ForBench: locale.Mark("a bench"), flow.ForCharger: locale.Mark("a charger"),
	flow.ForPad: locale.Mark("the run-up pad"), flow.ForLoop: locale.Mark("the test-ride loop"),
	flow.ForDaylight: locale.Mark("daylight, or the end of quiet hours"), flow.ForTechnician: locale.Mark("a technician"),
	flow.ForParts: locale.Mark("parts"), flow.ForRest: locale.Mark("a time that has to pass after another step"),
	flow.ForClosing: locale.Mark("the shop to open, or to be open long enough"), flow.Held: locale.Mark("the foreman, who held the unit back"),
	flow.Unknown: locale.Mark("not known: nothing that was recorded stood in the way"),
}

// causes sorts the waits by length. Nights would dwarf all others: the time for
// which the shop was shut stands apart.
func (page *ownerPage) causes() {
	total := time.Duration(0)
	for _, c := range page.R.Waits {
		if c.Cause != flow.ForClosing {
			total += c.Time
		}
	}
	for _, c := range page.R.Waits {
		row := causeRow{CauseTime: c, Text: page.Word(causeTexts[c.Cause]), To: page.W.Units(flow.Query{Of: flow.Waiting, Cause: c.Cause})}
		if c.Cause == flow.ForClosing {
			page.Closed = &row
			continue
		}
		row.Share = float64(c.Time) / float64(total)
		row.W = fmt.Sprintf("%.2f%%", 100*row.Share)
		page.Causes = append(page.Causes, row)
	}
	slices.SortStableFunc(page.Causes, func(a, b causeRow) int { return int(b.Time/time.Second) - int(a.Time/time.Second) })
}

// poolRow is one candidate for the bottleneck.
type poolRow struct {
	flow.Active
	Name          string
	To            string
	SoleW, ShiftX string
	ShiftW        string
	Range         string // ± of the mean
}

// poolsShown bounds the list of candidates; all are in the CSV.
const poolsShown = 6

// pools lists the candidates by how long each was the momentary bottleneck: of
// things that stand in for each other the average period alone misleads, since
// a pool that was full once for an hour would come first.
func (page *ownerPage) pools(all []flow.Pool) {
	b, n := page.Base, &page.R.Bottleneck
	byShare := slices.Clone(n.Pools)
	slices.SortStableFunc(byShare, func(x, y flow.Active) int { return cmp.Compare(y.Sole+y.Shifting, x.Sole+x.Shifting) })
	for _, a := range byShare[:min(len(byShare), poolsShown)] {
		row := poolRow{Active: a, Name: b.poolName(all, a.Pool), To: page.W.Units(flow.Query{Of: flow.Using, Resource: a.Pool})}
		row.SoleW, row.ShiftX, row.ShiftW = fmt.Sprintf("%.2f%%", 100*a.Sole), fmt.Sprintf("%.2f%%", 100*a.Sole), fmt.Sprintf("%.2f%%", 100*a.Shifting)
		if a.Error > 0 {
			row.Range = b.Length(time.Duration(1.96 * float64(a.Error)))
		}
		page.Pools = append(page.Pools, row)
	}
	page.verdict(all)
	if !page.W.Running {
		return
	}
	page.WhyNow = b.T("At this moment nothing is short: something is free of every kind.")
	if n.Now != "" {
		page.WhyNow = b.T("At this moment: %s. None has been free for %s of opening time.", b.poolName(all, n.Now), b.Length(n.NowFor))
	}
}

// verdict puts both methods in sentences.
func (page *ownerPage) verdict(all []flow.Pool) {
	b, pools := page.Base, page.Pools
	if len(pools) == 0 {
		page.Why = b.T("Nothing was ever busy with no other free: nothing limited the shop in this time.")
		return
	}
	first := &pools[0]
	page.Why = b.T("The tightest spot: %s. For %s of opening time it alone held up the rest, and for %s together with others.",
		first.Name, b.Percent(first.Sole, 0), b.Percent(first.Shifting, 0))
	longest := &page.R.Bottleneck.Pools[0]
	name := b.poolName(all, longest.Pool)
	switch {
	case longest.Pool == first.Pool:
		page.Average = b.T("By the average busy period it is the same: none was free for %s at a time.", b.Length(longest.Mean))
	case page.R.Bottleneck.Sure:
		page.Average = b.T("By the average busy period it would be: %s. None was free for %s at a time.", name, b.Length(longest.Mean))
	default:
		next := &page.R.Bottleneck.Pools[1]
		page.Average = b.T("By the average busy period it would be: %s, with none free for %s at a time; but %s, with %s, is too close to be sure.",
			name, b.Length(longest.Mean), b.poolName(all, next.Pool), b.Length(next.Mean))
	}
}

// position puts the shop between the best and the practical worst case.
func (page *ownerPage) position(d *flow.Data) {
	p, ok := flow.Where(d, page.W.Window)
	if !ok {
		return
	}
	b := page.Base
	day := func(perHour float64) string { return b.Number(8*perHour, 1) }
	best, practical := p.Best(p.W), p.Practical(p.W)
	switch {
	case p.PerH < practical:
		page.Lies = b.T("With %s units in the shop on average, %s left in eight opening hours: fewer than the %s of a line where all is as random as it can be. At best it could be %s; what is lost is waiting that a plan can take out.",
			b.Number(p.W, 1), day(p.PerH), day(practical), day(best))
	default:
		page.Lies = b.T("With %s units in the shop on average, %s left in eight opening hours: between the %s of a line where all is as random as it can be and the %s at best.",
			b.Number(p.W, 1), day(p.PerH), day(practical), day(best))
	}
}

// membersNamed is up to how many things are called by their names.
const membersNamed = 4

// poolName says what a pool is: things by their names or by what they are,
// people by what they can do.
func (b *Base) poolName(pools []flow.Pool, id string) string {
	kind, what, _ := strings.Cut(id, "/")
	if kind == "skill" {
		if what == "" {
			return b.T("all technicians")
		}
		return b.T("technicians who can %s", b.listed(what))
	}
	i := slices.IndexFunc(pools, func(p flow.Pool) bool { return p.ID == id })
	if i < 0 {
		return id
	}
	if members := pools[i].Members; len(members) <= membersNamed {
		names := make([]string, len(members))
		for k, m := range members {
			names[k] = b.Thing(queue.ResourceID(m))
		}
		return strings.Join(names, ", ")
	}
	if what = strings.Trim(what, ","); what != "" {
		return b.T("%s (%s)", b.Word(kind), b.listed(what))
	}
	return b.Word(kind)
}

// listed writes "prep,fit" as a list.
func (b *Base) listed(s string) string {
	var out []string
	for _, part := range strings.Split(s, ",") {
		if part != "" {
			out = append(out, b.Word(part))
		}
	}
	return strings.Join(out, ", ")
}

// what says which number the units stand behind.
func (b *Base) what(pools []flow.Pool, q flow.Query) string {
	switch q.Of {
	case flow.Arrived:
		return b.T("Units that arrived")
	case flow.Left:
		return b.T("Units that left")
	case flow.Present:
		return b.T("Units that were in the shop")
	case flow.AtEnd:
		return b.T("Units in the shop at the end")
	case flow.Due:
		return b.T("Units whose promise fell due")
	case flow.Kept:
		return b.T("Units whose promise was kept")
	case flow.Missed:
		return b.T("Units whose promise was missed")
	case flow.FirstDue:
		return b.T("Units whose first promise fell due")
	case flow.FirstKept:
		return b.T("Units whose first promise was kept")
	case flow.Waiting:
		return b.T("Units that waited for: %s", b.Word(causeTexts[q.Cause]))
	}
	name := b.Thing(queue.ResourceID(q.Resource))
	t := b.Shop.Technician(queue.PersonID(q.Resource))
	switch {
	case t != nil:
		return b.T("Units that %s worked on", t.Name)
	case strings.Contains(q.Resource, "/"):
		return b.T("Units that kept busy: %s", b.poolName(pools, q.Resource))
	case q.State == flow.Locked:
		return b.T("Units that held %s while nothing happened", name)
	case q.State == flow.HandsOff:
		return b.T("Units that %s was hands-off with", name)
	}
	return b.T("Units that were worked on at %s", name)
}
