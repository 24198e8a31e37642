package calendar

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Outdoor is a place where engines run: a run-up pad or a test-ride loop. It
// is open in daylight, outside quiet hours, outside closures and, if the place
// is tied to them, in the shop's hours.
type Outdoor struct {
	Place    Place
	Shop     *Hours // nil: not tied to the shop's hours
	Quiet    Hours  // hours without engines
	Daylight DaylightRule
	Closures []Closure
}

// Validate lists every mistake of the parts.
func (o Outdoor) Validate() error {
	errs := []error{o.Place.Validate(), o.Daylight.Validate()}
	if err := o.Quiet.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("quiet hours: %w", err))
	}
	if o.Shop != nil {
		if err := o.Shop.Validate(); err != nil {
			errs = append(errs, fmt.Errorf("opening hours: %w", err))
		}
	}
	return errors.Join(errs...)
}

// Windows is when the place is open in [from, to).
func (o Outdoor) Windows(from, to time.Time) Set {
	s := Daylight(o.Place, o.Daylight, from, to).
		Subtract(o.Quiet.Expand(o.Place.Location, from, to)).
		Subtract(Closed(o.Closures, from, to))
	if o.Shop != nil {
		s = s.Intersect(o.Shop.Expand(o.Place.Location, from, to))
	}
	return s
}

// Cause is why an outdoor place is shut.
type Cause uint8

// The causes, in the order in which [Outdoor.WhyShut] tells them.
const (
	CauseClosure    Cause = iota + 1 // closed by somebody, for weather or work
	CauseShopClosed                  // outside the shop's hours
	CauseDark                        // before or after the daylight of its rule
	CauseQuietHours                  // no engines now
)

// String is the name used in labels and JSON.
func (c Cause) String() string {
	switch c {
	case CauseClosure:
		return "closure"
	case CauseShopClosed:
		return "shop_closed"
	case CauseDark:
		return "dark"
	case CauseQuietHours:
		return "quiet_hours"
	}
	return fmt.Sprintf("Cause(%d)", uint8(c))
}

// MarshalText writes [Cause.String].
func (c Cause) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// Shut is one reason why a place is shut.
type Shut struct {
	Cause Cause
	Until time.Time // when this reason ends; zero: not within five weeks, or open-ended
	Text  string    // for people: "before sunrise 07:52", "quiet hours until 13:00"
	// Format and Args are Text before it was put together, for another
	// language or clock. Times are time.Time.
	Format string
	Args   []any
}

// shut words a reason as seen from t.
func shut(cause Cause, until, t time.Time, format string, args ...any) (Shut, bool) {
	local := make([]any, len(args))
	for i, a := range args {
		local[i] = a
		if at, ok := a.(time.Time); ok {
			local[i] = clockFrom(t, at)
		}
	}
	return Shut{cause, until, fmt.Sprintf(format, local...), format, args}, true
}

// mark marks a format as one that is said in other languages too.
func mark(format string) string { return format }

// lookAhead is how far WhyShut looks for the end of a reason.
const lookAhead = 35 * 24 * time.Hour

// WhyShut lists every reason why the place is shut at t, in the order of
// [Cause]; it is empty when the place is open. The texts are in local time.
func (o Outdoor) WhyShut(t time.Time) []Shut {
	t = t.In(orUTC(o.Place.Location))
	var reasons []Shut
	for _, why := range []func(time.Time) (Shut, bool){o.closure, o.shopClosed, o.dark, o.quiet} {
		if reason, shut := why(t); shut {
			reasons = append(reasons, reason)
		}
	}
	return reasons
}

// Texts joins the texts of reasons to one line.
func Texts(reasons []Shut) string {
	texts := make([]string, len(reasons))
	for i, r := range reasons {
		texts[i] = r.Text
	}
	return strings.Join(texts, "; ")
}

// closure tells the closure that lasts longest, if any holds at t.
func (o Outdoor) closure(t time.Time) (Shut, bool) {
	var longest *Closure
	for i, c := range o.Closures {
		if !c.Contains(t) {
			continue
		}
		if longest == nil || c.End.IsZero() || !longest.End.IsZero() && c.End.After(longest.End) {
			longest = &o.Closures[i]
		}
	}
	if longest == nil {
		return Shut{}, false
	}
	switch end := longest.End; {
	case end.IsZero() && longest.Reason == "":
		return shut(CauseClosure, end, t, mark("closed until further notice"))
	case end.IsZero():
		return shut(CauseClosure, end, t, mark("closed for %s until further notice"), longest.Reason)
	case longest.Reason == "":
		return shut(CauseClosure, end, t, mark("closed until %s"), end)
	default:
		return shut(CauseClosure, end, t, mark("closed for %s until %s"), longest.Reason, end)
	}
}

func (o Outdoor) shopClosed(t time.Time) (Shut, bool) {
	if o.Shop == nil {
		return Shut{}, false
	}
	loc := o.Place.Location
	if o.Shop.Expand(loc, t, t.Add(time.Minute)).Contains(t) {
		return Shut{}, false
	}
	reason := ""
	if e, found := o.Shop.ExceptionOn(DateOf(t, loc)); found {
		reason = e.Reason
	}
	opens, _ := o.Shop.Expand(loc, t, t.Add(lookAhead)).NextOpen(t)
	switch {
	case reason == "" && opens.IsZero():
		return shut(CauseShopClosed, opens, t, mark("shop closed"))
	case reason == "":
		return shut(CauseShopClosed, opens, t, mark("shop closed until %s"), opens)
	case opens.IsZero():
		return shut(CauseShopClosed, opens, t, mark("shop closed (%s)"), reason)
	}
	return shut(CauseShopClosed, opens, t, mark("shop closed (%s) until %s"), reason, opens)
}

func (o Outdoor) quiet(t time.Time) (Shut, bool) {
	loc := o.Place.Location
	ends, isQuiet := o.Quiet.Expand(loc, t, t.Add(lookAhead)).OpenUntil(t)
	if !isQuiet {
		return Shut{}, false
	}
	reason := ""
	if e, found := o.Quiet.ExceptionOn(DateOf(t, loc)); found {
		reason = e.Reason
	}
	if !ends.Before(t.Add(lookAhead)) {
		ends = time.Time{}
	}
	switch {
	case reason == "" && ends.IsZero():
		return shut(CauseQuietHours, ends, t, mark("quiet hours"))
	case reason == "":
		return shut(CauseQuietHours, ends, t, mark("quiet hours until %s"), ends)
	case ends.IsZero():
		return shut(CauseQuietHours, ends, t, mark("quiet hours (%s)"), reason)
	}
	return shut(CauseQuietHours, ends, t, mark("quiet hours (%s) until %s"), reason, ends)
}

func (o Outdoor) dark(t time.Time) (Shut, bool) {
	if o.Daylight.Light == 0 {
		return Shut{}, false
	}
	loc := o.Place.Location
	today := DateOf(t, loc)
	near := Daylight(o.Place, o.Daylight, today.At(0, loc), t.Add(36*time.Hour))
	if near.Contains(t) {
		return Shut{}, false
	}
	opens, found := near.NextOpen(t)
	if found && DateOf(opens, loc) == today {
		return o.Daylight.before(opens, t)
	}
	if !found {
		opens, _ = Daylight(o.Place, o.Daylight, t, t.Add(lookAhead)).NextOpen(t)
	}
	if len(near) > 0 && near[0].Start.Before(t) {
		ended := near.Subtract(NewSet(Interval{t, t.Add(48 * time.Hour)}))
		return o.Daylight.after(ended[len(ended)-1].End, opens, t)
	}
	if opens.IsZero() {
		return shut(CauseDark, opens, t, mark("no daylight today"))
	}
	return shut(CauseDark, opens, t, mark("no daylight today until %s"), opens)
}

// before words the time before the daylight window.
func (r DaylightRule) before(opens, t time.Time) (Shut, bool) {
	whole, early, late := mark("before sunrise %s"), mark("before %s, %d min before sunrise at %s"), mark("before %s, %d min after sunrise at %s")
	if r.Light == CivilTwilight {
		whole, early, late = mark("before civil dawn %s"), mark("before %s, %d min before civil dawn at %s"), mark("before %s, %d min after civil dawn at %s")
	}
	return beside(opens, opens, t, opens.Add(-r.AfterStart), whole, early, late)
}

// after words the time after the daylight window; opens is the next one.
func (r DaylightRule) after(ended, opens, t time.Time) (Shut, bool) {
	whole, early, late := mark("after sunset %s"), mark("after %s, %d min before sunset at %s"), mark("after %s, %d min after sunset at %s")
	if r.Light == CivilTwilight {
		whole, early, late = mark("after civil dusk %s"), mark("after %s, %d min before civil dusk at %s"), mark("after %s, %d min after civil dusk at %s")
	}
	return beside(ended, opens, t, ended.Add(r.BeforeEnd), whole, early, late)
}

// beside words a limit that lies at, before or after the moment of the sun.
func beside(limit, opens, t, sun time.Time, whole, early, late string) (Shut, bool) {
	minutes := int(limit.Sub(sun).Abs().Minutes())
	switch {
	case limit.Equal(sun):
		return shut(CauseDark, opens, t, whole, limit)
	case limit.Before(sun):
		return shut(CauseDark, opens, t, early, limit, minutes, sun)
	}
	return shut(CauseDark, opens, t, late, limit, minutes, sun)
}

// clockFrom words a time seen from t: the clock on the same day, the weekday
// within a week, else the date.
func clockFrom(t, at time.Time) string {
	at = at.In(t.Location())
	today := DateOf(t, t.Location())
	switch day := DateOf(at, t.Location()); {
	case day == today:
		return at.Format("15:04")
	case today.before(day) && day.before(today.AddDays(7)):
		return at.Format("Mon 15:04")
	}
	return at.Format("Mon 2 Jan 15:04")
}
