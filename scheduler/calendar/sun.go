package calendar

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Place is where the sun is looked at from.
type Place struct {
	LatitudeDeg  float64 // north positive, -90 to 90
	LongitudeDeg float64 // east positive, -180 to 180
	// ElevationM is the height above the sea in metres. Sunrise and sunset
	// ignore it, as published tables do.
	ElevationM float64
	Location   *time.Location // nil is UTC
}

// Validate refuses coordinates that are not on the globe.
func (p Place) Validate() error {
	var errs []error
	if !(math.Abs(p.LatitudeDeg) <= 90) {
		errs = append(errs, fmt.Errorf("latitude %v: want degrees from -90 to 90, north positive", p.LatitudeDeg))
	}
	if !(math.Abs(p.LongitudeDeg) <= 180) {
		errs = append(errs, fmt.Errorf("longitude %v: want degrees from -180 to 180, east positive", p.LongitudeDeg))
	}
	return errors.Join(errs...)
}

// Light says which height of the sun counts as daylight.
type Light uint8

const (
	// SunriseToSunset: the upper limb is above the horizon, with mean
	// refraction; the centre's zenith distance is below 90°50′.
	SunriseToSunset Light = iota + 1
	// CivilTwilight: the centre is less than 6° below the horizon.
	CivilTwilight
)

// String is the name used in shop files, labels and JSON.
func (l Light) String() string {
	switch l {
	case SunriseToSunset:
		return "sunrise-sunset"
	case CivilTwilight:
		return "civil-twilight"
	}
	return fmt.Sprintf("Light(%d)", uint8(l))
}

// MarshalText writes [Light.String].
func (l Light) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads what [Light.String] writes.
func (l *Light) UnmarshalText(text []byte) error {
	for _, known := range []Light{SunriseToSunset, CivilTwilight} {
		if string(text) == known.String() {
			*l = known
			return nil
		}
	}
	return fmt.Errorf("daylight %q: want %s or %s", clipped(string(text)), SunriseToSunset, CivilTwilight)
}

// zenith is the zenith distance of the sun's centre, in radians, at which the
// light begins and ends (U.S. Naval Observatory, Almanac for Computers, 1990).
func (l Light) zenith() float64 {
	if l == CivilTwilight {
		return rad(96)
	}
	return rad(90 + 50.0/60)
}

// offsetMax bounds the offsets of a DaylightRule.
const offsetMax = 6 * time.Hour

// DaylightRule says when a place counts as light enough. The zero Light means
// that daylight does not matter.
type DaylightRule struct {
	Light Light
	// AfterStart is waited after the light begins, BeforeEnd is kept free
	// before it ends. Negative values widen the day. Both lie within ±6 h.
	AfterStart, BeforeEnd time.Duration
}

// Validate refuses an unknown light and offsets beyond six hours.
func (r DaylightRule) Validate() error {
	var errs []error
	if r.Light > CivilTwilight {
		errs = append(errs, fmt.Errorf("daylight: unknown rule %s", r.Light))
	}
	for _, d := range []time.Duration{r.AfterStart, r.BeforeEnd} {
		if d.Abs() > offsetMax {
			errs = append(errs, fmt.Errorf("daylight: offset %s is longer than %s", d, offsetMax))
		}
	}
	return errors.Join(errs...)
}

// Daylight is when it is light at p by rule r in [from, to). Bounds are
// rounded to the nearest minute, as in published tables, before the offsets
// are applied. Polar day is one long interval, polar night none. A rule with
// the zero Light is always open. Accuracy: within a minute of the tables of
// the U.S. Naval Observatory to 60° of latitude, see the tests.
func Daylight(p Place, r DaylightRule, from, to time.Time) Set {
	if !boundRange(from, to) {
		return nil
	}
	if r.Light == 0 {
		return NewSet(Interval{from, to})
	}
	loc := orUTC(p.Location)
	const pad = offsetMax + time.Hour
	scanFrom, scanTo := from.Add(-pad), to.Add(pad)
	crossings, up := sunCrossings(p, r.Light, scanFrom, scanTo)
	// Light that was on before the scan or is still on after it has no offset:
	// its true bound lies too far away to matter.
	var s Set
	start := scanFrom
	for _, c := range crossings {
		at := c.At.Round(time.Minute).In(loc)
		if c.Rise {
			start = at.Add(r.AfterStart)
		} else if up {
			s = append(s, Interval{start, at.Add(-r.BeforeEnd)})
		}
		up = c.Rise
	}
	if up {
		s = append(s, Interval{start, scanTo})
	}
	return NewSet(s...).Clip(from, to)
}

// SunEvent is the instant when the light begins or ends.
type SunEvent struct {
	At   time.Time // to about a second; round to the minute, never cut, to compare with tables
	Rise bool      // true when the light begins, false when it ends
}

// SunDay is what the sun does on one local day. Far north and south, and where
// the day's midnight is not the sun's, a day may have no event, one, two sets
// or two rises.
type SunDay struct {
	Events    []SunEvent // in order
	UpAtStart bool       // it was light when the day began
}

// AlwaysUp reports that it never got dark.
func (d SunDay) AlwaysUp() bool { return d.UpAtStart && len(d.Events) == 0 }

// AlwaysDown reports that it never got light.
func (d SunDay) AlwaysDown() bool { return !d.UpAtStart && len(d.Events) == 0 }

// SunEvents is what the sun does at p on day d of the place's own calendar.
func SunEvents(p Place, l Light, d Date) SunDay {
	from, to := d.At(0, p.Location), d.At(minutesPerDay, p.Location)
	crossings, up := sunCrossings(p, l, from, to)
	return SunDay{crossings, up}
}

const (
	scanStep     = 20 * time.Minute
	instantSteps = 24 // bisections of 2·scanStep to well below a second
)

// sunCrossings finds every instant in [from, to) when the sun passes the height
// of l, and whether it was above it at from. It scans and bisects: a fixed-point
// iteration per UTC day is wrong where an event falls on the other side of
// midnight, and near the poles a day has any number of events from 0 to 3.
func sunCrossings(p Place, l Light, from, to time.Time) (events []SunEvent, upAtStart bool) {
	if !from.Before(to) {
		return nil, false
	}
	loc := orUTC(p.Location)
	limit := math.Cos(l.zenith())
	height := func(t time.Time) float64 { return sinAltitude(p, t) - limit }
	cross := func(a, b time.Time, rise bool) {
		if at := bisect(height, a, b).In(loc); at.Before(to) {
			events = append(events, SunEvent{at, rise})
		}
	}
	t0, t1 := from, from
	h0 := height(from)
	h1 := h0
	// The scan ends a step late, so that a turning point of the height just
	// before to has a sample on its far side.
	for end := to.Add(scanStep); t1.Before(end); {
		t2 := t1.Add(scanStep)
		h2 := height(t2)
		switch {
		case h1 > 0 != (h2 > 0):
			cross(t1, t2, h2 > 0)
		case h0 > 0 == (h1 > 0) && math.Abs(h1) <= math.Abs(h0) && math.Abs(h1) <= math.Abs(h2):
			// The height turns back near the limit: look for a crossing and
			// its return that the scan stepped over.
			if peak := extremum(height, t0, t2, h1 > 0); height(peak) > 0 != (h1 > 0) {
				cross(t0, peak, h1 <= 0)
				cross(peak, t2, h1 > 0)
			}
		}
		t0, t1, h0, h1 = t1, t2, h1, h2
	}
	return events, height(from) > 0
}

// bisect narrows a change of sign of f in (a, b] to its second side.
func bisect(f func(time.Time) float64, a, b time.Time) time.Time {
	up := f(b) > 0
	for range instantSteps {
		mid := a.Add(b.Sub(a) / 2)
		if f(mid) > 0 == up {
			b = mid
		} else {
			a = mid
		}
	}
	return b.Round(time.Millisecond)
}

// extremum narrows the lowest (or highest) point of f between a and b.
func extremum(f func(time.Time) float64, a, b time.Time, lowest bool) time.Time {
	for range instantSteps {
		third := b.Sub(a) / 3
		c, d := a.Add(third), b.Add(-third)
		if (f(c) < f(d)) == lowest {
			b = d
		} else {
			a = c
		}
	}
	return a.Add(b.Sub(a) / 2)
}

// sinAltitude is the sine of the geometric altitude of the sun's centre at p.
func sinAltitude(p Place, t time.Time) float64 {
	const j2000 = 946_728_000 // 2000-01-01 12:00 UTC, in Unix seconds
	seconds := float64(t.Unix()-j2000) + float64(t.Nanosecond())/1e9
	s := sunAt(seconds / 86400 / 36525)
	dayFraction := math.Mod(seconds/86400+0.5, 1)
	hourAngle := 2*math.Pi*dayFraction + s.equationOfTime + rad(p.LongitudeDeg) - math.Pi
	lat := rad(p.LatitudeDeg)
	return math.Sin(lat)*math.Sin(s.declination) + math.Cos(lat)*math.Cos(s.declination)*math.Cos(hourAngle)
}

// sun is the apparent position of the sun, angles in radians.
type sun struct {
	meanLongitude     float64
	meanAnomaly       float64
	eccentricity      float64
	centre            float64 // equation of the centre
	trueLongitude     float64
	apparentLongitude float64
	rightAscension    float64
	declination       float64
	equationOfTime    float64 // apparent minus mean solar time, as an angle
}

// sunAt computes the sun for T Julian centuries after J2000.0 by the
// low-accuracy method of Meeus, Astronomical Algorithms, 2nd ed., chapter 25
// (0.01°), with the equation of time by formula 28.3, which NOAA's solar
// calculator uses too. The difference between UT and dynamical time, about a
// minute, moves the sun by 0.001° and is ignored.
func sunAt(T float64) sun {
	var s sun
	l0 := rad(280.46646 + T*(36000.76983+T*0.0003032))
	m := rad(357.52911 + T*(35999.05029-T*0.0001537))
	e := 0.016708634 - T*(0.000042037+T*0.0000001267)
	c := rad((1.914602-T*(0.004817+T*0.000014))*math.Sin(m) +
		(0.019993-T*0.000101)*math.Sin(2*m) + 0.000289*math.Sin(3*m))
	node := rad(125.04 - 1934.136*T)

	s.meanLongitude, s.meanAnomaly, s.eccentricity, s.centre = l0, m, e, c
	s.trueLongitude = l0 + c
	s.apparentLongitude = s.trueLongitude - rad(0.00569+0.00478*math.Sin(node))
	meanObliquity := 23 + 26.0/60 + 21.448/3600 - T*(46.8150+T*(0.00059-T*0.001813))/3600
	obliquity := rad(meanObliquity + 0.00256*math.Cos(node))

	sinLon, cosLon := math.Sincos(s.apparentLongitude)
	s.rightAscension = math.Atan2(math.Cos(obliquity)*sinLon, cosLon)
	s.declination = math.Asin(math.Sin(obliquity) * sinLon)

	y := math.Pow(math.Tan(obliquity/2), 2)
	sinM := math.Sin(m)
	s.equationOfTime = y*math.Sin(2*l0) - 2*e*sinM + 4*e*y*sinM*math.Cos(2*l0) -
		y*y/2*math.Sin(4*l0) - 5.0/4*e*e*math.Sin(2*m)
	return s
}

func rad(deg float64) float64 { return deg * math.Pi / 180 }
