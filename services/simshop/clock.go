package simshop

import (
	"sync"
	"time"
)

// Clock is a clock that starts at a moment of choice and runs as many times as
// fast as the wall's. All services of a live demo use its Now. It never goes
// back. Safe for concurrent use.
type Clock struct {
	wall func() time.Time

	mu    sync.Mutex
	base  time.Time // simulated
	since time.Time // the wall's time at base
	speed float64
}

// SpeedMax bounds how fast a clock runs.
const SpeedMax = 100_000

// NewClock returns a clock that shows start now and runs at speed, within
// (0, SpeedMax]; 0 and less is 1. wall is time.Now in a program.
func NewClock(start time.Time, speed float64, wall func() time.Time) *Clock {
	c := &Clock{wall: wall, base: start, since: wall()}
	c.speed = bounded(speed)
	return c
}

func bounded(speed float64) float64 {
	if !(speed > 0) {
		return 1
	}
	return min(speed, SpeedMax)
}

// Now is the simulated time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now()
}

func (c *Clock) now() time.Time {
	gone := max(0, c.wall().Sub(c.since))
	return c.base.Add(time.Duration(float64(gone) * c.speed))
}

// SetSpeed changes how fast the clock runs from now on.
func (c *Clock) SetSpeed(speed float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.base, c.since = c.now(), c.wall()
	c.speed = bounded(speed)
}

// Skip moves the clock forward to t; it does nothing if that is past.
func (c *Clock) Skip(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if t.After(c.now()) {
		c.base, c.since = t, c.wall()
	}
}

// Wait is the wall's time until the clock shows t.
func (c *Clock) Wait(t time.Time) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return max(0, time.Duration(float64(t.Sub(c.now()))/c.speed))
}
