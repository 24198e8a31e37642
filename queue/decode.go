package queue

import (
	"bytes"
	"time"
	"unicode/utf8"

	fastjson "github.com/go-json-experiment/json"
)

// decodeCanonical reads an entry in exactly the form that Encode writes: its
// keys in its order, no space, no escaped characters in the envelope. It
// reports false for anything else, be it valid or not; the general decoder
// then judges. A start without a snapshot decodes the whole log, and this form
// is read in one pass instead of three.
func decodeCanonical(b []byte, prev Hash) (Entry, bool) {
	c := cursor{b: b}
	en := Entry{Prev: prev, Events: make([]Event, 0, 4)}
	for sep := "["; c.lit(sep); sep = "," {
		if len(en.Events) == EntryEventsMax {
			return Entry{}, false
		}
		start := c.at
		e, ok := c.event()
		if !ok {
			return Entry{}, false
		}
		e.hash = HashOf(b[start:c.at])
		if len(en.Events) > 0 {
			if first := &en.Events[0]; e.Command != first.Command || e.Site != first.Site {
				return Entry{}, false
			}
		}
		en.Events = append(en.Events, e)
	}
	if len(en.Events) == 0 || !c.lit("]") || c.at != len(b) {
		return Entry{}, false
	}
	en.Site, en.hash = en.Events[0].Site, entryHash(prev, b)
	return en, true
}

// cursor walks over an entry's bytes.
type cursor struct {
	b  []byte
	at int
}

// lit passes over a text, or stays.
func (c *cursor) lit(s string) bool {
	end := c.at + len(s)
	if end > len(c.b) || string(c.b[c.at:end]) != s {
		return false
	}
	c.at = end
	return true
}

// text passes over what comes before and reads up to the next quotation mark:
// a string without escapes.
func (c *cursor) text(before string) ([]byte, bool) {
	if !c.lit(before) {
		return nil, false
	}
	n := bytes.IndexByte(c.b[c.at:], '"')
	if n < 0 {
		return nil, false
	}
	s := c.b[c.at : c.at+n]
	for _, ch := range s {
		if ch < ' ' || ch == '\\' {
			return nil, false
		}
	}
	if !utf8.Valid(s) {
		return nil, false // and c stands where nothing fits any more
	}
	c.at += n + 1
	return s, true
}

// number passes over what comes before and reads a whole number.
func (c *cursor) number(before string) (n uint64, ok bool) {
	if !c.lit(before) {
		return 0, false
	}
	start := c.at
	for ; c.at < len(c.b) && c.b[c.at] >= '0' && c.b[c.at] <= '9'; c.at++ {
		n = n*10 + uint64(c.b[c.at]-'0')
	}
	digits := c.at - start
	return n, digits > 0 && digits <= 18 && (digits == 1 || c.b[start] != '0')
}

// instant passes over what comes before and reads a time in UTC as time.Time
// writes it. The time package itself takes more forms.
func (c *cursor) instant(before string) (t time.Time, ok bool) {
	const form = "0000-00-00T00:00:00"
	s, ok := c.text(before)
	if !ok || len(s) <= len(form) || s[len(s)-1] != 'Z' {
		return t, false
	}
	for i, ch := range s[:len(s)-1] {
		want := byte('0')
		if i < len(form) {
			want = form[i]
		} else if i == len(form) {
			want = '.'
		}
		if digit := ch >= '0' && ch <= '9'; digit != (want == '0') || !digit && ch != want {
			return t, false
		}
	}
	return t, t.UnmarshalText(s) == nil
}

// object returns the JSON object that begins here, by its brackets; whether it
// is valid inside is left to its decoder.
func (c *cursor) object() ([]byte, bool) {
	start, depth := c.at, 0
	for ; c.at < len(c.b); c.at++ {
		switch c.b[c.at] {
		case '{':
			depth++
		case '}':
			if depth--; depth == 0 {
				c.at++
				return c.b[start:c.at], true
			}
		case '"':
			for c.at++; c.at < len(c.b) && c.b[c.at] != '"'; c.at++ {
				if c.b[c.at] == '\\' {
					c.at++
				}
			}
		}
		if depth == 0 {
			return nil, false
		}
	}
	return nil, false
}

// event reads one event; the fields stand in the order of envelope.
func (c *cursor) event() (e Event, ok bool) {
	all := true
	field := func(before string) string {
		s, ok := c.text(before)
		all = all && ok && len(s) > 0
		return string(s)
	}
	e.ID = field(`{"specversion":"1.0","id":"`)
	e.Site = SiteID(field(`,"source":"` + sourcePrefix))
	name, version, err := cutVersion(field(`,"type":"`))
	if !all || err != nil || version > typeVersion {
		return e, false
	}
	e.Type = name
	e.Subject = Subject(field(`,"subject":"`))
	if e.Time, ok = c.instant(`,"time":"`); !ok {
		return e, false
	}
	if e.Received, ok = c.instant(`,"datacontenttype":"application/json","received":"`); !ok {
		return e, false
	}
	if actor, ok := c.text(`,"actor":"`); ok {
		e.Actor = PersonID(actor)
	}
	e.Command = CommandID(field(`,"command":"`))
	if e.N, ok = c.number(`,"n":`); !ok || !all {
		return e, false
	}
	if prev, ok := c.text(`,"prev":"`); ok {
		e.Prev = Hash(prev)
	}
	e.ClockSuspect = c.lit(`,"clocksuspect":true`)
	if !c.lit(`,"data":`) {
		return e, false
	}
	raw, ok := c.object()
	if e.Data = newData(e.Type); !ok || e.Data == nil || !c.lit("}") {
		return e, false
	}
	return e, fastjson.Unmarshal(raw, e.Data, asWritten) == nil
}
