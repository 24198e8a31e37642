// Package said carries a message to where it is known who reads it: the
// English format, as in gettext the key of the message, and the values that go
// into it. Whoever shows it puts it in the reader's language and clock; String
// is the English for those who know nothing of the reader.
//
// It guarantees that a text survives JSON with all that is needed to say it,
// and that one which can't be read is never shown half.
package said

import (
	"bytes"
	"encoding/json"
	"fmt"
	"time"

	fastjson "github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	jsonv1 "github.com/go-json-experiment/json/v1"
)

// Text is a message and what goes into it. The zero value says nothing.
//
//	said.Say("%s is taken until %s", "Interface 1", said.When(end, now))
type Text struct {
	Format string `json:"say,omitempty"`
	// Args are as of fmt.Sprintf: strings and numbers are data, to be shown as
	// they are; a [Text] is said, a [Moment] told by the reader's clock, a
	// [Length] or a time.Duration in minutes and hours.
	Args []any `json:"with,omitempty"`
}

// Say makes a text.
func Say(format string, args ...any) Text { return Text{format, args} }

// IsZero reports that there is nothing to say.
func (t Text) IsZero() bool { return t.Format == "" }

// Words are the format and its values.
func (t Text) Words() (format string, args []any) { return t.Format, t.Args }

// String says it in English.
func (t Text) String() string { return English(t.Format, t.Args) }

// English puts a message together as it stands.
func English(format string, args []any) string {
	if len(args) == 0 {
		return format // no format: a word may have a percent sign
	}
	plain := make([]any, len(args))
	for i, a := range args {
		switch a := a.(type) {
		case time.Duration:
			plain[i] = Length(a).String()
		case float64: // of a %d, from JSON
			plain[i] = whole(a)
		default:
			plain[i] = a
		}
	}
	return fmt.Sprintf(format, plain...)
}

func whole(f float64) any {
	if n := int64(f); float64(n) == f {
		return n
	}
	return f
}

// List makes one text of several, with the separator, "%s; %s" or "%s, %s"; the
// last two are joined by the last one.
func List(separator, last string, texts ...Text) Text {
	switch len(texts) {
	case 0:
		return Text{}
	case 1:
		return texts[0]
	}
	out := texts[0]
	for i, t := range texts[1:] {
		if i == len(texts)-2 {
			separator = last
		}
		out = Say(separator, out, t)
	}
	return out
}

// Moment is a time as people say it: the clock today, else with its day.
type Moment struct {
	At time.Time `json:"at"`
	// english is how it was said when the message was made.
	english string
}

// When is a time as it is said at now; both in the shop's zone.
func When(t, now time.Time) Moment {
	t = t.In(now.Location())
	m := Moment{At: t, english: t.Format("Mon 2 Jan 15:04")}
	day := func(t time.Time) time.Time { return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC) }
	switch days := int(day(t).Sub(day(now)) / (24 * time.Hour)); {
	case days == 0:
		m.english = t.Format("15:04")
	case days == 1:
		m.english = t.Format("tomorrow 15:04")
	case days > 1 && days < 7:
		m.english = t.Format("Mon 15:04")
	}
	return m
}

// Equal: the same instant, however it was said.
func (m Moment) Equal(o Moment) bool { return m.At.Equal(o.At) }

// String is the time in English, by 24 hours.
func (m Moment) String() string {
	if m.english == "" {
		return m.At.Format("Mon 2 Jan 15:04")
	}
	return m.english
}

// Length is a length of time.
type Length time.Duration

// String is the length in English, rounded to the minute: "40 min", "3 h 10 min".
func (l Length) String() string {
	switch m := int(time.Duration(l).Round(time.Minute) / time.Minute); {
	case m < 0:
		return "−" + (-l).String()
	case m < 60:
		return fmt.Sprintf("%d min", m)
	case m%60 == 0:
		return fmt.Sprintf("%d h", m/60)
	default:
		return fmt.Sprintf("%d h %d min", m/60, m%60)
	}
}

// asAlways writes what encoding/json writes.
var asAlways = jsonv1.DefaultOptionsV1()

// MarshalJSON writes {"seconds": 2400}.
func (l Length) MarshalJSON() ([]byte, error) { return fastjson.Marshal(l, asAlways) }

// MarshalJSONTo is MarshalJSON for an encoder: a plan has thousands of texts.
func (l Length) MarshalJSONTo(enc *jsontext.Encoder) error {
	return write(enc, jsontext.BeginObject, jsontext.String("seconds"), jsontext.Int(int64(time.Duration(l)/time.Second)), jsontext.EndObject)
}

// MarshalJSON writes {"say": format, "with": [values]}: strings and numbers as
// they are, {"at": instant}, {"seconds": length}, and texts within.
func (t Text) MarshalJSON() ([]byte, error) { return fastjson.Marshal(t, asAlways) }

// MarshalJSONTo is MarshalJSON for an encoder: a plan has thousands of texts.
func (t Text) MarshalJSONTo(enc *jsontext.Encoder) error {
	if err := write(enc, jsontext.BeginObject); err != nil {
		return err
	}
	if t.Format != "" {
		if err := write(enc, jsontext.String("say"), jsontext.String(t.Format)); err != nil {
			return err
		}
	}
	if len(t.Args) > 0 {
		if err := write(enc, jsontext.String("with"), jsontext.BeginArray); err != nil {
			return err
		}
		for _, a := range t.Args {
			if err := encodeValue(enc, a); err != nil {
				return err
			}
		}
		if err := write(enc, jsontext.EndArray); err != nil {
			return err
		}
	}
	return write(enc, jsontext.EndObject)
}

func encodeValue(enc *jsontext.Encoder, a any) error {
	switch a := a.(type) {
	case string:
		return write(enc, jsontext.String(a))
	case Text:
		return a.MarshalJSONTo(enc)
	case Length:
		return a.MarshalJSONTo(enc)
	case time.Duration:
		return Length(a).MarshalJSONTo(enc)
	case Moment, int, int64, float64:
		return fastjson.MarshalEncode(enc, a)
	case interface{ Words() (string, []any) }:
		format, args := a.Words()
		return Text{format, args}.MarshalJSONTo(enc)
	case fmt.Stringer: // a word of an enumeration
		return Text{Format: a.String()}.MarshalJSONTo(enc)
	}
	return write(enc, jsontext.String(fmt.Sprint(a))) // a name of another type
}

func write(enc *jsontext.Encoder, tokens ...jsontext.Token) error {
	for _, x := range tokens {
		if err := enc.WriteToken(x); err != nil {
			return err
		}
	}
	return nil
}

// depthMax bounds texts within texts.
const depthMax = 16

// UnmarshalJSON reads what MarshalJSON writes.
func (t *Text) UnmarshalJSON(b []byte) error { return t.read(b, 0) }

func (t *Text) read(b []byte, depth int) error {
	var w struct {
		Format string            `json:"say"`
		Args   []json.RawMessage `json:"with"`
	}
	if depth > depthMax {
		return fmt.Errorf("text: more than %d texts within another", depthMax)
	}
	if err := json.Unmarshal(b, &w); err != nil {
		return fmt.Errorf("text: %w", err)
	}
	out := Text{Format: w.Format}
	for _, raw := range w.Args {
		a, err := value(raw, depth)
		if err != nil {
			return err
		}
		out.Args = append(out.Args, a)
	}
	*t = out
	return nil
}

func value(raw json.RawMessage, depth int) (any, error) {
	if !bytes.HasPrefix(raw, []byte("{")) {
		var a any
		if err := json.Unmarshal(raw, &a); err != nil {
			return nil, fmt.Errorf("text: %w", err)
		}
		switch a := a.(type) {
		case string:
			return a, nil
		case float64:
			return whole(a), nil
		}
		return nil, fmt.Errorf("text: %.40s is no value", raw)
	}
	var kind struct {
		At      *time.Time `json:"at"`
		Seconds *int64     `json:"seconds"`
	}
	if err := json.Unmarshal(raw, &kind); err != nil {
		return nil, fmt.Errorf("text: %w", err)
	}
	switch {
	case kind.At != nil:
		return Moment{At: *kind.At}, nil
	case kind.Seconds != nil:
		return Length(time.Duration(*kind.Seconds) * time.Second), nil
	}
	var t Text
	err := t.read(raw, depth+1)
	return t, err
}
