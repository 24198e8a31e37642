package week

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"tickover/scheduler/calendar"
	"tickover/scheduler/model"
)

// Size narrows what is drawn; the zero value of a field is drawn or usual.
type Size struct {
	// Benches; 0: 2 to 12 in turn.
	Benches int
	// Days of arrivals from Monday on; 0: six, Saturday a short one.
	Days int
	// LoadPercent of the scarcest of technicians, interfaces and pads; 0:
	// drawn from loadMin to loadMax.
	LoadPercent int
	// Luck numbers another draw of what nobody can foresee, how long things
	// take and what surprises there are, for the same shop, units and promises.
	Luck int
}

// The load of a week in season, in percent. Below it hands and interfaces are
// often free and any order does; above it every queue grows for ever.
const (
	loadMin = 80
	loadMax = 100
)

// drainDays are calendar days after the arrivals in which the rest is done.
const drainDays = 28

// Draw draws the week of a number: another shop, other units. Shops, mixes and
// times of work are common practice, no source.
func Draw(seed uint64, number int, s Size) *Week {
	d := &drawer{
		r: rand.New(rand.NewPCG(seed, uint64(number))),
		w: &Week{Seed: seed, Number: number, Winter: number%2 == 0, Luck: s.Luck, Benches: s.Benches, LoadPercent: s.LoadPercent, days: s.Days},
	}
	w := d.w
	if w.days == 0 {
		w.days = 6
	}
	if w.Benches == 0 {
		w.Benches = 2 + number*7%11
	}
	if w.LoadPercent == 0 {
		w.LoadPercent = loadMin + d.r.IntN(loadMax-loadMin+1)
	}
	d.hours()
	d.resources()
	d.technicians()
	w.shop.Weights = model.ShopWeights()
	d.arrivals()
	if s.Luck > 0 {
		d.r = rand.New(rand.NewPCG(seed^uint64(s.Luck)<<32, uint64(number)))
	}
	d.surprises()
	w.compile()
	return w
}

type drawer struct {
	r *rand.Rand
	w *Week
	// hands are the technicians' minutes in the week.
	hands Time
}

func (d *drawer) one(percent int) bool { return d.r.IntN(100) < percent }

func (d *drawer) between(from, to Time) Time { return from + Time(d.r.IntN(int(to-from)+1)) }

// weekly are spans on weekdays and on Saturday.
func weekly(weekdays, saturday []calendar.ClockSpan) calendar.Weekly {
	var out calendar.Weekly
	for day := time.Monday; day <= time.Friday; day++ {
		out[day] = weekdays
	}
	out[time.Saturday] = saturday
	return out
}

func span(from, to int) calendar.ClockSpan {
	return calendar.ClockSpan{From: calendar.ClockTime(from), To: calendar.ClockTime(to)}
}

func clock(hour, minute int) int { return 60*hour + minute }

// place is where all shops are: hill country at 55.6° N. No week drawn changes
// its clocks.
func (w *Week) place() calendar.Place {
	zone := time.UTC
	if !w.Winter {
		zone = time.FixedZone("summer time", 3600)
	}
	return calendar.Place{LatitudeDeg: 55.6, LongitudeDeg: -2.8, ElevationM: 210, Location: zone}
}

// hours draws the date and expands the site's calendars.
func (d *drawer) hours() {
	w := d.w
	first := calendar.Date{Year: 2026, Month: time.June, Day: 1}
	if w.Winter {
		first = calendar.Date{Year: 2026, Month: time.November, Day: 23}
	}
	first = first.AddDays(7 * d.r.IntN(4)) // a Monday
	place := w.place()
	from, to := first.At(0, place.Location), first.AddDays(w.days+drainDays).At(0, place.Location)
	w.shop.Origin = from
	w.shop.Horizon = d.ticks(to)
	hours := calendar.Hours{Weekly: weekly([]calendar.ClockSpan{span(clock(8, 0), clock(17, 30))}, []calendar.ClockSpan{span(clock(8, 30), clock(13, 0))})}
	quiet := []calendar.ClockSpan{span(0, clock(9, 0)), span(clock(12, 30), clock(13, 30)), span(clock(18, 30), clock(24, 0))}
	outdoor := calendar.Outdoor{
		Place: place, Shop: &hours, Quiet: calendar.Hours{Weekly: weekly(quiet, quiet)},
		Daylight: calendar.DaylightRule{Light: calendar.SunriseToSunset, AfterStart: 10 * time.Minute, BeforeEnd: 20 * time.Minute},
	}
	w.open, w.outdoor = d.intervals(hours.Expand(place.Location, from, to)), d.intervals(outdoor.Windows(from, to))
	for _, iv := range w.open {
		if iv.Start < Time(w.days)*day {
			w.end = iv.End
		}
	}
	w.shop.Calendars = []model.Calendar{{ID: "open", Name: "opening hours", Open: w.open}}
}

func (d *drawer) ticks(t time.Time) Time { return Time(t.Sub(d.w.shop.Origin) / time.Minute) }

// intervals are rounded inwards to whole minutes.
func (d *drawer) intervals(s calendar.Set) []model.Interval {
	out := []model.Interval{}
	for _, v := range s {
		iv := model.Interval{Start: d.ticks(v.Start.Add(time.Minute - 1)), End: d.ticks(v.End)}
		if iv.Start < iv.End {
			out = append(out, iv)
		}
	}
	return out
}

var families = []string{"family kr", "family vl", "family fr"}

// resources: interfaces and pads are few for what the technicians could do, so
// that now the one, now the other is what a week lacks.
func (d *drawer) resources() {
	w := d.w
	w.Interfaces = 1 + d.r.IntN(2)*min(1, w.Benches/7) + min(1, w.Benches/11)
	w.Chargers = w.Interfaces + 1 + d.r.IntN(2)
	w.Pads = 1
	if w.Benches >= 9 {
		w.Pads += d.r.IntN(2)
	}
	add := func(r model.Resource) { w.shop.Resources = append(w.shop.Resources, r) }
	for i := range w.Benches {
		add(model.Resource{ID: id("bench", i), Kind: "bench", Capacity: 1, Tags: benchTags(i, w.Benches)})
	}
	for i := range w.Interfaces {
		tags := slices.Clone(families)
		if w.Interfaces > 1 { // each lacks one family; each family has two
			tags = slices.Delete(tags, i%3, i%3+1)
		}
		add(model.Resource{ID: id("interface", i), Kind: "interface", Capacity: 1, Tags: tags})
	}
	for i := range w.Chargers {
		add(model.Resource{ID: id("charger", i), Kind: "charger", Capacity: 1})
	}
	for i := range w.Pads {
		add(model.Resource{ID: id("pad", i), Kind: "pad", Capacity: 1, Within: true, Open: w.outdoor})
	}
	add(model.Resource{ID: "loop", Kind: "loop", Capacity: 2, Within: true, Open: w.outdoor})
}

func id(kind string, i int) model.ResourceID {
	return model.ResourceID(fmt.Sprintf("%s %02d", kind, i+1))
}

// benchTags: about half have a lift, most have electricity, one in five is the
// wash bay; the smallest shop does everything on its two.
func benchTags(i, n int) []string {
	if n == 2 {
		return [][]string{{"electrical", "lift"}, {"electrical", "wash"}}[i]
	}
	return [][]string{{"electrical", "lift"}, {"electrical"}, {"wash"}, {"lift"}, {"electrical", "lift"}}[i%5]
}

var skills = []string{"check", "engine", "fit", "flash", "prep", "ride"}

func (d *drawer) technicians() {
	w := d.w
	w.Technicians = min(8, max(2, (w.Benches*8+5)/10+d.r.IntN(3)-1))
	place := w.place()
	from, to := w.shop.Origin, w.shop.Origin.Add(time.Duration(w.shop.Horizon)*time.Minute)
	for i := range w.Technicians {
		t := model.Worker{ID: model.WorkerID(fmt.Sprintf("technician %d", i+1))}
		for k, s := range skills {
			// Everybody assembles, the first does everything, and the second
			// what the first does at the interface, the engine and the loop.
			if i == 0 || s == "prep" || i == 1 && k != 0 && k != 2 || d.one(60) {
				t.Skills = append(t.Skills, s)
			}
		}
		begin := clock(8, 30*d.r.IntN(2))
		shifts := []calendar.ClockSpan{span(begin, clock(17, 30*d.r.IntN(2)))}
		var saturday []calendar.ClockSpan
		if i < 2 || d.one(60) {
			saturday = []calendar.ClockSpan{span(clock(8, 30), clock(13, 0))}
		}
		lunch := clock(12, 15*(i%4))
		breaks := []calendar.ClockSpan{span(clock(10, 15*(i%2)), clock(10, 15*(i%2)+15)), span(lunch, lunch+45)}
		t.Shifts = d.intervals(calendar.Hours{Weekly: weekly(shifts, saturday)}.Expand(place.Location, from, to))
		t.Breaks = d.intervals(calendar.Hours{Weekly: weekly(breaks, nil)}.Expand(place.Location, from, to))
		w.shop.Workers = append(w.shop.Workers, t)
		d.hands += covered(without(t.Shifts, t.Breaks...), 0, w.end)
	}
}

// surprises are drawn last, so that they never change what arrives.
func (d *drawer) surprises() {
	w := d.w
	morning := func() (opens, closes Time) {
		iv := w.open[d.r.IntN(max(1, after(w.open, w.end-1)))]
		return iv.Start, iv.End
	}
	none := surprise{worker: -1, resource: -1}
	if d.one(60) && w.Technicians > 2 {
		opens, _ := morning()
		x := none
		x.worker, x.reason, x.known = d.r.IntN(w.Technicians), "ill", opens-15
		x.Interval = model.Interval{Start: opens - 15, End: opens + 4*60 + 15}
		w.surprises = append(w.surprises, x)
	}
	if d.one(50) {
		opens, _ := morning() // found dead in the morning
		x := none
		x.resource, x.reason, x.known = w.Benches+d.r.IntN(w.Interfaces), "its laptop does not start", opens-15
		x.Interval = model.Interval{Start: opens - 15, End: opens + d.between(90, 300)}
		w.surprises = append(w.surprises, x)
	}
	for range d.r.IntN(3) { // rain, seen coming half an hour ahead
		opens, closes := morning()
		start := d.between(opens+60, closes-60)
		for r := range w.shop.Resources {
			if w.shop.Resources[r].Within {
				w.surprises = append(w.surprises, surprise{
					known: start - 30, Interval: model.Interval{Start: start, End: start + 90}, reason: "weather", worker: -1, resource: r,
				})
			}
		}
	}
}
