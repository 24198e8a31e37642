package said_test

import (
	"encoding/json"
	"reflect"
	"testing"
	"time"

	"tickover/queue/said"
)

var now = time.Date(2026, 2, 17, 9, 30, 0, 0, time.UTC)

func TestEnglish(t *testing.T) {
	for want, give := range map[string]said.Text{
		"":                        {},
		"100 % done":              said.Say("100 % done"),
		"i1 is taken until 10:40": said.Say("%s is taken until %s", "i1", said.When(now.Add(70*time.Minute), now)),
		"opens tomorrow 09:30":    said.Say("opens %s", said.When(now.AddDate(0, 0, 1), now)),
		"opens Fri 09:30":         said.Say("opens %s", said.When(now.AddDate(0, 0, 3), now)),
		"opens Mon 16 Feb 09:30":  said.Say("opens %s", said.When(now.AddDate(0, 0, -1), now)),
		"takes 40 min":            said.Say("takes %s", 40*time.Minute),
		"takes 3 h 10 min":        said.Say("takes %v", said.Length(190*time.Minute)),
		"a, b and c":              said.List("%s, %s", "%s and %s", said.Say("a"), said.Say("b"), said.Say("c")),
		"2 of closed: rain":       said.Say("%d of %s", 2, said.Say("closed: %s", "rain")),
	} {
		if got := give.String(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestTravels: what goes over the wire is said as before.
func TestTravels(t *testing.T) {
	give := said.Say("%s of %d: %s, %s, %.1f", "T-1", 3, said.Say("closed %s", said.When(now, now)), 40*time.Minute, 2.5)
	b, err := json.Marshal(give)
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"say":"%s of %d: %s, %s, %.1f","with":["T-1",3,{"say":"closed %s","with":[{"at":"2026-02-17T09:30:00Z"}]},{"seconds":2400},2.5]}`
	if string(b) != want {
		t.Errorf("got  %s\nwant %s", b, want)
	}
	var got said.Text
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(got)
	if err != nil || string(again) != want {
		t.Errorf("after another way: %s %v", again, err)
	}
	if got.String() != "T-1 of 3: closed Tue 17 Feb 09:30, 40 min, 2.5" {
		t.Errorf("%q", got)
	}
}

func FuzzText(f *testing.F) {
	f.Add([]byte(`{"say":"%s of %d","with":["T-1",3,{"at":"2026-02-17T09:30:00Z"},{"seconds":1},{"say":"x"}]}`))
	f.Add([]byte(`{"say":"x","with":[null]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var a, c said.Text
		if json.Unmarshal(b, &a) != nil {
			return
		}
		again, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(again, &c); err != nil || !reflect.DeepEqual(a, c) {
			t.Fatalf("%s became %#v, was %#v (%v)", again, c, a, err)
		}
		_ = a.String()
	})
}

func TestUnreadable(t *testing.T) {
	for _, b := range []string{`7`, `{"say":7}`, `{"say":"%s","with":[[1]]}`, `{"say":"%s","with":[true]}`, `{"say":"%s","with":[{"at":"noon"}]}`} {
		var got said.Text
		if err := json.Unmarshal([]byte(b), &got); err == nil || !got.IsZero() {
			t.Errorf("%s: %v %+v", b, err, got)
		}
	}
}
