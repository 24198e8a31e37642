// Package record answers from a site's log for the pages and the API alike: the
// shop as of any moment, a machine's record, hands-on work and what a campaign
// took. So both give the same figures.
//
//	r := record.New(record.Options{Ledger: l, History: reader, Now: time.Now})
//	m, err := r.AsOf(ctx, "2026-02-17T10:30", words)
//	x, err := r.Machine(ctx, m, "kb25 26 00417", nil)
//
// All methods may be called concurrently. What is kept is bounded: see package
// past and package timesheet; of one earlier moment the work is kept too,
// because somebody who looks back asks several things of it.
package record

import (
	"context"
	"errors"
	"strings"
	"sync"
	"time"

	"tickover/queue"
	"tickover/services/almanac"
	"tickover/services/claims"
	"tickover/services/floor/answer"
	"tickover/services/floor/history"
	"tickover/services/floor/locale"
	"tickover/services/ledger"
	"tickover/services/past"
	"tickover/services/timesheet"
)

// AsOfParam is the query parameter with the moment that something is asked for.
const AsOfParam = "asof"

// Options say what to answer from.
type Options struct {
	Ledger  *ledger.Ledger
	History history.Reader
	Now     func() time.Time
}

// Record answers from one site's log.
type Record struct {
	o    Options
	past *past.Past
	work *timesheet.Sheet // of now

	mu      sync.Mutex
	seq     uint64           // of the entry that earlier ends with
	earlier *timesheet.Sheet // up to a past moment
	whole   *timesheet.Sheet // that dropped nothing; nil: nobody asked
}

// New returns a record that has read nothing yet.
func New(o Options) *Record {
	return &Record{
		o: o, work: timesheet.New(o.History.Log, o.History.Site),
		past: past.New(past.Options{Log: o.History.Log, Site: o.History.Site}),
	}
}

// Warm reads the log once, so that the first look back is quick. It gives way
// to whoever asks meanwhile.
func (r *Record) Warm(ctx context.Context) error { return r.past.Warm(ctx) }

// Moment is when a question is answered for, with the shop as it was then.
type Moment struct {
	At    time.Time
	Text  string // as it was asked for; empty: now
	State *queue.State
}

// Past reports that the moment is gone by.
func (m Moment) Past() bool { return m.Text != "" }

// Now is this moment.
func (r *Record) Now() Moment { return Moment{At: r.o.Now(), State: r.o.Ledger.View()} }

// AsOf is the moment that is asked for in a query, as 2026-02-17T10:30 in the
// shop's zone or with one of its own (RFC 3339); empty: now. The error is an
// *answer.Problem, in the words given, or the log's.
func (r *Record) AsOf(ctx context.Context, text string, l *locale.Locale) (Moment, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return r.Now(), nil
	}
	now, loc := r.o.Now(), time.UTC
	if sh := r.o.Ledger.View().Shop; sh != nil {
		loc = sh.Location()
	}
	said := func(t time.Time) string {
		return l.T("%s, %s", l.Date(t.In(loc), "Mon 2 Jan 2006"), l.Clock(t.In(loc)))
	}
	at, ok := momentOf(text, loc)
	switch {
	case !ok:
		return Moment{}, answer.Malformed(AsOfParam, text, l.T("%q is no moment", text), "Write it as 2026-02-17T10:30, in the shop's time.")
	case at.After(now):
		return Moment{}, answer.Malformed(AsOfParam, text, "that moment has not come yet", l.T("Choose one that has passed; it is %s now.", said(now)))
	}
	st, err := r.past.At(ctx, at)
	var before *past.BeforeError
	switch {
	case errors.As(err, &before):
		return Moment{}, answer.Malformed(AsOfParam, text, "nothing had been recorded by then", l.T("Choose a later moment: the record begins on %s.", said(before.Begins)))
	case errors.Is(err, past.ErrEmpty), err == nil && st.Shop == nil:
		return Moment{}, answer.Malformed(AsOfParam, text, "the shop was not set up by then", "Choose a later moment.")
	case err != nil:
		return Moment{}, err
	}
	return Moment{at, text, st}, nil
}

// momentOf reads a moment: with its zone, or on the shop's clock.
func momentOf(text string, loc *time.Location) (time.Time, bool) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, true
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, text, loc); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

// Almanac has the hours of the shop file in effect at the moment.
func (r *Record) Almanac(m Moment) *almanac.Almanac {
	if m.Past() && m.State.Shop != nil {
		if a, err := almanac.New(m.State.Shop); err == nil {
			return a // an impossible shop never took effect
		}
	}
	return r.o.Ledger.Almanac()
}

// Work is the hands-on work up to the moment.
func (r *Record) Work(ctx context.Context, m Moment) (*timesheet.Sheet, error) {
	s := r.work
	if m.Past() {
		r.mu.Lock()
		if r.earlier == nil || r.seq != m.State.Seq {
			r.seq, r.earlier = m.State.Seq, timesheet.New(past.Until(r.o.History.Log, m.State.Seq), r.o.History.Site)
		}
		s = r.earlier
		r.mu.Unlock()
	}
	return s, s.CatchUp(ctx)
}

// Claim is what a campaign took.
func (r *Record) Claim(ctx context.Context, m Moment, c *queue.Campaign) ([]claims.Line, error) {
	s, err := r.Work(ctx, m)
	if err != nil {
		return nil, err
	}
	if oldest := claims.Oldest(m.State, c, m.At); oldest.Before(s.Since()) {
		if s, err = r.all(ctx, m); err != nil {
			return nil, err
		}
	}
	return claims.Sheet(m.State, c, s, m.At), nil
}

// all is the work up to the moment, of which nothing was dropped.
func (r *Record) all(ctx context.Context, m Moment) (*timesheet.Sheet, error) {
	if m.Past() {
		s := timesheet.Whole(past.Until(r.o.History.Log, m.State.Seq), r.o.History.Site)
		return s, s.CatchUp(ctx)
	}
	r.mu.Lock()
	if r.whole == nil {
		r.whole = timesheet.Whole(r.o.History.Log, r.o.History.Site)
	}
	s := r.whole
	r.mu.Unlock()
	return s, s.CatchUp(ctx)
}
