package log

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tickover/queue"
)

// FuzzBlock: whatever bytes a block of the store has, its records are taken
// apart within them, and one with a right sum is one that the server wrote.
func FuzzBlock(f *testing.F) {
	good := blockOf(1, "shop.larkmoor", []byte("{}"))
	f.Add(good)
	f.Add(append(good[:len(good)-3], good...))
	f.Add(bytes.Repeat([]byte{0xff}, 64))
	f.Fuzz(func(t *testing.T, b []byte) {
		sum := blockSum(1)
		for at := int64(0); at < int64(len(b)); {
			r, fault := cut(b, at, sum)
			if fault == faultNone && (r.size <= 0 || at+int64(r.size) > int64(len(b))) {
				t.Fatalf("a record of %d bytes at %d of %d", r.size, at, len(b))
			}
			_ = headerValue(r.header, headerFormat)
			if fault != faultNone {
				if at = nextRecord(b, at+1, 1, sum); at < 0 {
					return
				}
				continue
			}
			at += int64(r.size)
		}
	})
}

// blockOf is one record as the store writes it.
func blockOf(seq uint64, subject string, body []byte) []byte {
	size := recordHeadBytes + len(subject) + len(body) + recordSumBytes
	b := make([]byte, recordHeadBytes, size)
	le := binary.LittleEndian
	le.PutUint32(b, uint32(size))
	le.PutUint64(b[4:], seq)
	le.PutUint16(b[20:], uint16(len(subject)))
	b = append(append(b, subject...), body...)
	h := blockSum(1)
	h.Write(b[4:20])
	h.Write([]byte(subject))
	h.Write(body)
	return h.Sum(b)
}

func TestFuzzedBlockIsOne(t *testing.T) {
	b := blockOf(1, "shop.larkmoor", []byte("{}"))
	if r, fault := cut(b, 0, blockSum(1)); fault != faultNone || string(r.subject) != "shop.larkmoor" || string(r.body) != "{}" {
		t.Errorf("%v %q %q", fault, r.subject, r.body)
	}
}

// FuzzMessage: whatever lies on the log's subjects, it is an entry of that site
// or an error that says what is wrong.
func FuzzMessage(f *testing.F) {
	f.Add("shop.larkmoor", "1", "", "", []byte(`{"events":[]}`))
	f.Add("shop.a.b", "999", "x", "2026-02-30", []byte{})
	f.Add("shop.*", "-1", "", "", []byte(`{"subject":"`))
	f.Fuzz(func(t *testing.T, subject, format, prev, stored string, body []byte) {
		h := http.Header{headerFormat: {format}, headerPrev: {prev}, headerStored: {stored}}
		r, err := rawOf(subject, func(k string) string {
			if v := h[k]; len(v) > 0 {
				return v[0]
			}
			return ""
		}, body, 7, time.Unix(0, 0))
		var en *queue.Entry
		if err == nil {
			en, err = r.decode()
		}
		var damage *DamageError
		switch {
		case err == nil:
			if subject != "shop."+string(en.Site) {
				t.Errorf("an entry of site %q on %q", en.Site, subject)
			}
		case !errors.As(err, &damage) && !errors.Is(err, queue.ErrNewerFormat):
			t.Errorf("neither damage nor a newer format: %v", err)
		}
	})
}

// FuzzMark: whatever the high-water mark's file has, it is read or refused.
func FuzzMark(f *testing.F) {
	f.Add([]byte("tickover-mark 1 seq=00000000000000000007 clean=1 hash=- sum=00000000\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for slot := range 2 {
			if pos, clean, ok := parseMark(b, slot); ok && markSum(pos, clean) == 0 {
				t.Log("a sum of nought")
			}
		}
	})
}

// FuzzBackup: whatever is in a backup's file, checking it ends with what is
// wrong.
func FuzzBackup(f *testing.F) {
	dir := f.TempDir()
	pack := func(members ...string) []byte {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		t := tar.NewWriter(z)
		for i := 0; i+1 < len(members); i += 2 {
			if err := t.WriteHeader(&tar.Header{Name: members[i], Size: int64(len(members[i+1])), Mode: 0o600}); err != nil {
				f.Fatal(err)
			}
			if _, err := t.Write([]byte(members[i+1])); err != nil {
				f.Fatal(err)
			}
		}
		if err := errors.Join(t.Close(), z.Close()); err != nil {
			f.Fatal(err)
		}
		return b.Bytes()
	}
	// The members are fuzzed, not the compression around them.
	f.Add(`{"layout":1,"format":1}`, "entries/000001.jsonl", "{}\n", `{}`)
	f.Add(`{"layout":99}`, "README.txt", "", "")
	f.Add(`{}`, "../../etc/passwd", "x", `{"entries":-1}`)
	path := filepath.Join(dir, "backup")
	f.Fuzz(func(t *testing.T, manifest, name, data, summary string) {
		if len(name) > 90 || len(name) == 0 || bytes.ContainsAny([]byte(name), "\x00") {
			return
		}
		if err := os.WriteFile(path, pack("manifest.json", manifest, name, data, "summary.json", summary), 0o600); err != nil {
			t.Fatal(err)
		}
		n := 0
		_, err := readBackup(context.Background(), path, checkOptions{visit: func(*scanned) error { n++; return nil }})
		if err == nil && n != 0 {
			t.Errorf("%d entries out of nothing that was signed", n)
		}
	})
}
