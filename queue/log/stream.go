package log

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
)

// The stream and its subjects.
const (
	StreamName    = "SHOP"
	subjectPrefix = "shop."
	subjectAll    = "shop.*"
)

// Headers of an entry's message, beside the server's own.
const (
	headerPrev    = "Tickover-Prev"    // hash of the site's entry before
	headerFormat  = "Tickover-Format"  // format version of the entry
	headerProgram = "Tickover-Program" // version of the program that wrote it
	headerCommand = "Tickover-Command" // command id
	headerStored  = "Tickover-Stored"  // of a restored entry: when it was stored first
)

// duplicateWindow is how long the server itself remembers command ids. Repeats
// that come later are recognised by the state, which keeps every command id.
const duplicateWindow = 10 * time.Minute

func subjectOf(site queue.SiteID) string { return subjectPrefix + string(site) }

func siteOf(subject string) (queue.SiteID, bool) {
	s, ok := strings.CutPrefix(subject, subjectPrefix)
	return queue.SiteID(s), ok && CheckSite(queue.SiteID(s)) == nil
}

// streamConfig is how the stream is made: it never drops anything by itself.
func streamConfig(replicas int) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name: StreamName, Description: "the shop's events; the only source of truth",
		Subjects: []string{subjectAll}, Storage: jetstream.FileStorage, Replicas: replicas,
		Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardNew,
		MaxAge: 0, MaxMsgs: -1, MaxBytes: -1, MaxMsgsPerSubject: -1,
		MaxMsgSize: queue.EntryBytesMax + 16<<10,
		DenyDelete: true, DenyPurge: true, Duplicates: duplicateWindow,
	}
}

// checkConfig reports a stream that could lose entries or hides them.
func checkConfig(c jetstream.StreamConfig) error {
	bad := func(what string) error {
		return fmt.Errorf("stream %s: %s; it was not made by this program, or was changed. Nothing was written to it", StreamName, what)
	}
	switch {
	case len(c.Subjects) != 1 || c.Subjects[0] != subjectAll:
		return bad(fmt.Sprintf("subjects are %q, want %q", c.Subjects, subjectAll))
	case c.Storage != jetstream.FileStorage:
		return bad("it is not stored in files")
	case c.Retention != jetstream.LimitsPolicy:
		return bad("its retention removes entries that were read")
	case c.Discard != jetstream.DiscardNew:
		return bad("it drops old entries when it is full")
	case c.MaxAge != 0 || c.MaxMsgsPerSubject > 0:
		return bad("it drops old entries")
	case !c.DenyDelete || !c.DenyPurge:
		return bad("entries can be deleted from it")
	case c.Mirror != nil || len(c.Sources) > 0 || c.SubjectTransform != nil:
		return bad("it takes entries from elsewhere")
	case c.NoAck:
		return bad("it does not confirm")
	}
	return nil
}

// ensureStream makes the stream or checks the one that is there; with replicas
// 0 it makes none.
func ensureStream(ctx context.Context, js jetstream.JetStream, replicas int) (jetstream.Stream, error) {
	s, err := js.Stream(ctx, StreamName)
	if errors.Is(err, jetstream.ErrStreamNotFound) && replicas > 0 {
		s, err = js.CreateStream(ctx, streamConfig(replicas))
	}
	if err != nil {
		return nil, fmt.Errorf("open stream %s: %w", StreamName, err)
	}
	return s, checkConfig(s.CachedInfo().Config)
}

// rawEntry is an entry as stored.
type rawEntry struct {
	seq     uint64
	stored  time.Time
	site    queue.SiteID
	prev    queue.Hash
	format  int
	program string
	command queue.CommandID
	body    []byte
}

func (r *rawEntry) hash() queue.Hash {
	sum := entrySum([]byte(r.prev), r.body)
	return queue.Hash(hex.EncodeToString(sum[:]))
}

// entrySum is the entry's hash, see queue.Entry.Encode.
func entrySum(prev, body []byte) (sum [sha256.Size]byte) {
	h := sha256.New()
	h.Write(prev)
	h.Write(body)
	h.Sum(sum[:0])
	return sum
}

// rawOf takes a message apart. An error is a *DamageError or wraps
// queue.ErrNewerFormat.
func rawOf(subject string, header func(string) string, body []byte, seq uint64, stored time.Time) (rawEntry, error) {
	site, ok := siteOf(subject)
	if !ok {
		return rawEntry{}, foreign(seq, "", fmt.Sprintf("message on subject %q", subject))
	}
	r := rawEntry{
		seq: seq, stored: stored, site: site, body: body,
		prev: queue.Hash(header(headerPrev)), program: header(headerProgram),
		command: queue.CommandID(header(headerCommand)),
	}
	var err error
	if r.format, err = strconv.Atoi(header(headerFormat)); err != nil || r.format < 1 {
		return rawEntry{}, foreign(seq, site, "message without a format version")
	}
	if r.format > queue.FormatVersion {
		return rawEntry{}, r.newer(nil)
	}
	if first := header(headerStored); first != "" {
		if r.stored, err = time.Parse(time.RFC3339Nano, first); err != nil {
			return rawEntry{}, foreign(seq, site, fmt.Sprintf("restored message with time %q", first))
		}
	}
	return r, nil
}

func foreign(seq uint64, site queue.SiteID, what string) error {
	return &DamageError{Kind: Foreign, Site: site, Seq: seq, What: what + ": no program of ours wrote it", Do: doRestore}
}

// newer is the error for an entry that this program is too old for.
func (r *rawEntry) newer(cause error) error {
	need := "a newer version of the program"
	if r.program != "" {
		need = "version " + r.program + " of the program or a newer one"
	}
	what := fmt.Sprintf("it has format %d, this program knows %d", r.format, queue.FormatVersion)
	if cause != nil {
		what = cause.Error()
	}
	return fmt.Errorf("entry %d of site %s: %w (%s). Use %s; nothing was changed", r.seq, r.site, queue.ErrNewerFormat, what, need)
}

// decode turns stored bytes into an entry.
func (r *rawEntry) decode() (*queue.Entry, error) {
	en, err := queue.DecodeEntry(r.body, r.prev)
	switch {
	case errors.Is(err, queue.ErrNewerFormat):
		return nil, r.newer(err)
	case err != nil:
		d := &DamageError{Kind: Foreign, Site: r.site, Seq: r.seq, Command: r.command, What: err.Error(), Do: doRestore}
		d.Subject, d.Event = sniff(r.body)
		return nil, d
	case en.Site != r.site:
		return nil, foreign(r.seq, r.site, fmt.Sprintf("its events are of site %q", en.Site))
	}
	en.Seq, en.Stored = r.seq, r.stored
	return &en, nil
}

// sniff finds the unit and the first event's id in bytes that may be damaged.
func sniff(body []byte) (queue.Subject, string) {
	return queue.Subject(sniffField(body, `"subject":"`)), sniffField(body, `"id":"`)
}

func sniffField(body []byte, key string) string {
	_, rest, ok := strings.Cut(string(body), key)
	if !ok {
		return ""
	}
	v, _, ok := strings.Cut(rest, `"`)
	if !ok || len(v) > 200 {
		return ""
	}
	return v
}
