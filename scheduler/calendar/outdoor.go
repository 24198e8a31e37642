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
}

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
	text := "closed"
	if longest.Reason != "" {
		text += " for " + longest.Reason
	}
	return Shut{CauseClosure, longest.End, text + until(t, longest.End, " until further notice")}, true
}

func (o Outdoor) shopClosed(t time.Time) (Shut, bool) {
	if o.Shop == nil {
		return Shut{}, false
	}
	loc := o.Place.Location
	if o.Shop.Expand(loc, t, t.Add(time.Minute)).Contains(t) {
		return Shut{}, false
	}
	text := "shop closed"
	if e, found := o.Shop.ExceptionOn(DateOf(t, loc)); found && e.Reason != "" {
		text += " (" + e.Reason + ")"
	}
	opens, _ := o.Shop.Expand(loc, t, t.Add(lookAhead)).NextOpen(t)
	return Shut{CauseShopClosed, opens, text + until(t, opens, "")}, true
}

func (o Outdoor) quiet(t time.Time) (Shut, bool) {
	loc := o.Place.Location
	ends, shut := o.Quiet.Expand(loc, t, t.Add(lookAhead)).OpenUntil(t)
	if !shut {
		return Shut{}, false
	}
	text := "quiet hours"
	if e, found := o.Quiet.ExceptionOn(DateOf(t, loc)); found && e.Reason != "" {
		text += " (" + e.Reason + ")"
	}
	if !ends.Before(t.Add(lookAhead)) {
		ends = time.Time{}
	}
	return Shut{CauseQuietHours, ends, text + until(t, ends, "")}, true
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
		return Shut{CauseDark, opens, "before " + o.Daylight.start(opens)}, true
	}
	if !found {
		opens, _ = Daylight(o.Place, o.Daylight, t, t.Add(lookAhead)).NextOpen(t)
	}
	if len(near) > 0 && near[0].Start.Before(t) {
		ended := near.Subtract(NewSet(Interval{t, t.Add(48 * time.Hour)}))
		return Shut{CauseDark, opens, "after " + o.Daylight.end(ended[len(ended)-1].End)}, true
	}
	return Shut{CauseDark, opens, "no daylight today" + until(t, opens, "")}, true
}

// start words the beginning of the daylight window.
func (r DaylightRule) start(opens time.Time) string {
	name := "sunrise"
	if r.Light == CivilTwilight {
		name = "civil dawn"
	}
	event := opens.Add(-r.AfterStart)
	if r.AfterStart == 0 {
		return name + " " + event.Format("15:04")
	}
	return fmt.Sprintf("%s (%s %s %s)", opens.Format("15:04"), name, event.Format("15:04"), signed(r.AfterStart))
}

// end words the end of the daylight window.
func (r DaylightRule) end(ended time.Time) string {
	name := "sunset"
	if r.Light == CivilTwilight {
		name = "civil dusk"
	}
	event := ended.Add(r.BeforeEnd)
	if r.BeforeEnd == 0 {
		return name + " " + event.Format("15:04")
	}
	return fmt.Sprintf("%s (%s %s %s)", ended.Format("15:04"), name, event.Format("15:04"), signed(-r.BeforeEnd))
}

func signed(d time.Duration) string {
	sign := "+"
	if d < 0 {
		sign = "−"
	}
	return fmt.Sprintf("%s %d min", sign, int(d.Abs().Minutes()))
}

// until words an end seen from t: the clock today, the weekday within a week,
// else the date.
func until(t, end time.Time, otherwise string) string {
	if end.IsZero() {
		return otherwise
	}
	end = end.In(t.Location())
	layout := "15:04"
	switch today := DateOf(t, t.Location()); {
	case DateOf(end, t.Location()) == today:
	case DateOf(end, t.Location()).before(today.AddDays(7)):
		layout = "Mon 15:04"
	default:
		layout = "Mon 2 Jan 15:04"
	}
	return " until " + end.Format(layout)
}
