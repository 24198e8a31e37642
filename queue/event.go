package queue

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	fastjson "github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	jsonv1 "github.com/go-json-experiment/json/v1"
)

// asWritten reads what encoding/json has written: a time.Duration is a number
// of nanoseconds.
var asWritten = jsonv1.FormatDurationAsNano(true)

// FormatVersion is the version of the entries that this program writes. A log
// with a larger one was written by a newer program and is refused.
const FormatVersion = 1

// Bounds of one entry. An entry is one command's events; the largest command
// is an import of many units, which is cut into entries of at most this size.
const (
	EntryEventsMax = 256
	EntryBytesMax  = 900 << 10
)

var (
	// ErrNewerFormat: the log holds something that a newer version wrote.
	ErrNewerFormat = errors.New("written by a newer version of the program")
	// ErrChain: an event does not follow the one before it.
	ErrChain = errors.New("event chain broken")
	// ErrMalformed: bytes that are no entry of this log.
	ErrMalformed = errors.New("malformed entry")
)

// Hash is the hex SHA-256 of an event's or an entry's bytes as stored. The
// empty hash stands before the first.
type Hash string

// HashOf returns the hash of stored bytes.
func HashOf(b []byte) Hash {
	sum := sha256.Sum256(b)
	return Hash(hex.EncodeToString(sum[:]))
}

// Event is one fact from the floor: a CloudEvents 1.0 event.
//
// Time is when it happened on the floor, Received when the queue heard of it;
// durations come from the first, order from the log. ClockSuspect marks a Time
// that the queue does not believe (ahead of Received, or before what it must
// follow, by more than the shop file allows): Received is used instead.
type Event struct {
	ID       string    // "<command id>.<index>", unique in the log
	Site     SiteID    // CloudEvents source "/sites/<site>"
	Subject  Subject   // the aggregate: one unit, or the shop
	Time     time.Time // UTC
	Received time.Time // UTC
	Actor    PersonID  // who said so; empty for the program itself
	Command  CommandID
	N        uint64 // the aggregate's counter, from 1
	Prev     Hash   // hash of the aggregate's event N-1
	// ClockSuspect: see above.
	ClockSuspect bool
	Type         EventType
	Data         Data // nil for a kind that this version does not know

	raw     jsontext.Value // the data of an unknown kind, kept as it is
	encoded []byte         // the stored bytes, once sealed
	hash    Hash           // of the stored bytes; set by encoding and decoding
}

// Hash returns the hash of the event's stored bytes; empty before it was
// encoded or decoded.
func (e *Event) Hash() Hash { return e.hash }

// When is the time that durations are computed from.
func (e *Event) When() time.Time {
	if e.ClockSuspect {
		return e.Received
	}
	return e.Time
}

// EventType is "<what>.<verb>", for example "flash.started" or
// "test-ride.passed". In the log it carries its version: "flash.started.v1".
type EventType string

// typeVersion is the version of every event type this program writes.
const typeVersion = 1

func (t EventType) split() (what, verb string) {
	what, verb, _ = strings.Cut(string(t), ".")
	return what, verb
}

// Subject names an aggregate: "shop" or "unit/<id>".
type Subject string

// ShopSubject is the aggregate of what concerns no single unit.
const ShopSubject Subject = "shop"

// UnitSubject is the aggregate of one unit.
func UnitSubject(id UnitID) Subject { return Subject("unit/" + string(id)) }

// Unit returns the unit's id, or false for the shop.
func (s Subject) Unit() (UnitID, bool) {
	id, ok := strings.CutPrefix(string(s), "unit/")
	return UnitID(id), ok
}

// envelope is an Event's JSON: CloudEvents 1.0 with extension attributes
// (lower-case letters and digits, as the standard asks).
type envelope struct {
	SpecVersion  string         `json:"specversion"`
	ID           string         `json:"id"`
	Source       string         `json:"source"`
	Type         string         `json:"type"`
	Subject      Subject        `json:"subject"`
	Time         time.Time      `json:"time"`
	ContentType  string         `json:"datacontenttype"`
	Received     time.Time      `json:"received"`
	Actor        PersonID       `json:"actor,omitempty"`
	Command      CommandID      `json:"command"`
	N            uint64         `json:"n"`
	Prev         Hash           `json:"prev,omitempty"`
	ClockSuspect bool           `json:"clocksuspect,omitempty"`
	Data         jsontext.Value `json:"data"` // read when its type is known
}

const sourcePrefix = "/sites/"

// seal fixes the event's stored bytes and its hash; the event is not changed
// after that.
func (e *Event) seal() (err error) {
	if e.encoded == nil {
		e.encoded, err = e.MarshalJSON()
	}
	return err
}

// MarshalJSON encodes the event and remembers the hash of the bytes.
func (e *Event) MarshalJSON() ([]byte, error) {
	if e.encoded != nil {
		return e.encoded, nil
	}
	raw := e.raw
	if e.Data != nil {
		var err error
		if raw, err = json.Marshal(e.Data); err != nil {
			return nil, fmt.Errorf("encode %s: %w", e.Type, err)
		}
	}
	b, err := json.Marshal(envelope{
		SpecVersion: "1.0", ID: e.ID, Source: sourcePrefix + string(e.Site),
		Type:    string(e.Type) + ".v" + strconv.Itoa(typeVersion),
		Subject: e.Subject, Time: e.Time.UTC(), ContentType: "application/json",
		Received: e.Received.UTC(), Actor: e.Actor, Command: e.Command,
		N: e.N, Prev: e.Prev, ClockSuspect: e.ClockSuspect, Data: raw,
	})
	if err != nil {
		return nil, err
	}
	e.hash = HashOf(b)
	return b, nil
}

// UnmarshalJSON decodes an event. Errors wrap [ErrMalformed] or
// [ErrNewerFormat].
func (e *Event) UnmarshalJSON(b []byte) error {
	var v envelope
	if err := fastjson.Unmarshal(b, &v); err != nil {
		return fmt.Errorf("%w: %v", ErrMalformed, err)
	}
	switch {
	case v.SpecVersion != "1.0":
		return fmt.Errorf("%w: specversion %q, want \"1.0\"", ErrMalformed, v.SpecVersion)
	case v.ID == "" || v.Type == "" || v.Subject == "":
		return fmt.Errorf("%w: id, type and subject must not be empty", ErrMalformed)
	}
	name, version, err := cutVersion(v.Type)
	if err != nil {
		return fmt.Errorf("%w: event %s: %v", ErrMalformed, v.ID, err)
	}
	*e = Event{
		ID: v.ID, Site: SiteID(strings.TrimPrefix(v.Source, sourcePrefix)),
		Subject: v.Subject, Time: v.Time, Received: v.Received, Actor: v.Actor,
		Command: v.Command, N: v.N, Prev: v.Prev, ClockSuspect: v.ClockSuspect,
		Type: name, hash: HashOf(b),
	}
	data := newData(name)
	if data == nil {
		e.raw = bytes.Clone(v.Data)
		return nil
	}
	if version > typeVersion {
		return fmt.Errorf("%w: event %s is %s, this program knows version %d of it", ErrNewerFormat, v.ID, v.Type, typeVersion)
	}
	if err := fastjson.Unmarshal(v.Data, data, asWritten); err != nil {
		return fmt.Errorf("%w: event %s (%s): %v", ErrMalformed, v.ID, v.Type, err)
	}
	e.Data = data
	return nil
}

func cutVersion(t string) (EventType, int, error) {
	i := strings.LastIndex(t, ".v")
	if i <= 0 {
		return "", 0, fmt.Errorf("type %q has no version", t)
	}
	n, err := strconv.Atoi(t[i+2:])
	if err != nil || n < 1 {
		return "", 0, fmt.Errorf("type %q has no version", t)
	}
	return EventType(t[:i]), n, nil
}

// Entry is one message of the log: all events of one command, stored together
// or not at all.
type Entry struct {
	Seq    uint64    // position in the stream; 0 before it is stored
	Stored time.Time // the log's own time; zero before it is stored
	Site   SiteID
	Prev   Hash // hash of the site's entry before this one
	Events []Event

	hash Hash
}

// Hash returns the hash of the entry's stored bytes; empty before it was
// encoded or decoded.
func (en *Entry) Hash() Hash { return en.hash }

// Command is the command that caused the entry; every event of it has the same.
func (en *Entry) Command() CommandID {
	if len(en.Events) == 0 {
		return ""
	}
	return en.Events[0].Command
}

// Encode returns the entry's stored bytes: a CloudEvents batch. The hash of the
// entry is the hash of these bytes together with Prev, which travels in the
// message's header.
func (en *Entry) Encode() ([]byte, error) {
	if len(en.Events) == 0 {
		return nil, fmt.Errorf("%w: no events", ErrMalformed)
	}
	if len(en.Events) > EntryEventsMax {
		return nil, fmt.Errorf("entry of command %s has %d events, at most %d are allowed", en.Command(), len(en.Events), EntryEventsMax)
	}
	buf := append(make([]byte, 0, 512*len(en.Events)), '[')
	for i := range en.Events {
		b, err := en.Events[i].MarshalJSON()
		if err != nil {
			return nil, err
		}
		if i > 0 {
			buf = append(buf, ',')
		}
		buf = append(buf, b...)
	}
	buf = append(buf, ']')
	if len(buf) > EntryBytesMax {
		return nil, fmt.Errorf("entry of command %s has %d bytes, at most %d are allowed", en.Command(), len(buf), EntryBytesMax)
	}
	en.hash = entryHash(en.Prev, buf)
	return buf, nil
}

// DecodeEntry reads stored bytes. prev is the header's hash of the site's entry
// before it. Errors wrap [ErrMalformed] or [ErrNewerFormat].
func DecodeEntry(b []byte, prev Hash) (Entry, error) {
	if en, ok := decodeCanonical(b, prev); ok {
		return en, nil
	}
	return decodeAny(b, prev)
}

// decodeAny reads an entry in any form of JSON.
func decodeAny(b []byte, prev Hash) (Entry, error) {
	var raws []jsontext.Value
	if err := fastjson.Unmarshal(b, &raws); err != nil {
		return Entry{}, fmt.Errorf("%w: %v", ErrMalformed, err)
	}
	if len(raws) == 0 || len(raws) > EntryEventsMax {
		return Entry{}, fmt.Errorf("%w: %d events", ErrMalformed, len(raws))
	}
	en := Entry{Prev: prev, Events: make([]Event, len(raws)), hash: entryHash(prev, b)}
	for i, raw := range raws {
		if err := en.Events[i].UnmarshalJSON(raw); err != nil {
			return Entry{}, err
		}
		if en.Events[i].Command != en.Events[0].Command || en.Events[i].Site != en.Events[0].Site {
			return Entry{}, fmt.Errorf("%w: events of different commands or sites in one entry", ErrMalformed)
		}
	}
	en.Site = en.Events[0].Site
	return en, nil
}

func entryHash(prev Hash, b []byte) Hash {
	h := sha256.New()
	h.Write([]byte(prev))
	h.Write(b)
	return Hash(hex.EncodeToString(h.Sum(nil)))
}
