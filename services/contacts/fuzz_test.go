package contacts

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// FuzzLoad: whatever a line of a backup has, it is a person (or somebody
// erased) of one site under one id, the same when it is written again, or an
// error; and what a page shows of them is found without trouble.
func FuzzLoad(f *testing.F) {
	f.Add([]byte(`{"site":"larkmoor","id":"c-1","person":{"id":"c-1","name":"Ann Orme","phone":"+44 1632 960123","changed":"2026-03-02T08:00:00Z"}}`))
	f.Add([]byte(`{"site":"larkmoor","id":"c-2"}`))
	f.Add([]byte(`{"site":"*","id":">"}`))
	f.Add([]byte(`{"site":"a","id":"b","person":{"name":"\u0000\ud800","email":"a\u0301"}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		l, err := parse(b)
		if err != nil {
			return
		}
		if s := l.subject(); strings.Count(s, ".") != 2 || strings.ContainsAny(s, "*> \r\n\t") {
			t.Fatalf("subject %q", s)
		}
		again, err := json.Marshal(l)
		if err != nil {
			t.Fatal(err)
		}
		same, err := parse(again)
		if err != nil || !cmp.Equal(l, same) {
			t.Fatalf("%v: %s", err, cmp.Diff(l, same))
		}
		if l.Person != nil {
			_ = l.Person.check()
			_ = named(fold(l.Person.Name), strings.Fields(fold(l.Person.Email)))
		}
	})
}
