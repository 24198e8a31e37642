package photos

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
	"tickover/queue/log"
)

// Stream is where the photos of a deployment are kept: its parts on
// photos.<site>.<hash>.<n>, from 0, and then its head on
// photos.<site>.<hash>.head, which says how many parts there are and whether it
// lies aside. A photo counts from its head on, and is as old as that.
//
// It is a stream of our own and no object store, because an object's own notes
// can't be changed on a condition: whoever lays a photo aside must not undo that
// somebody has just sent it again. Parts are named after the whole content, so
// whoever writes them writes the same.
const Stream = "PHOTOS"

// Bounds of the stream.
const (
	partMax = 512 << 10 // bytes of a part; a message may have 1 MiB
	// streamMax is what all photos may take of each node, so that they never
	// take the room that the log needs.
	streamMax = 8 << 30
	// patience is how long nodes are asked that elect their leader.
	patience   = 12 * time.Second
	requestMax = 3 * time.Second
)

// Headers of a head.
const (
	headerParts = "Tickover-Parts"
	headerAside = "Tickover-Aside" // since when, RFC 3339; none: it is in use
)

// nodes are the NATS servers of a deployment.
type nodes struct {
	js     jetstream.JetStream
	stream jetstream.Stream
	site   queue.SiteID
}

// Present, as replicas of [OpenNATS], opens photos that are there and makes
// nothing: jetstream.ErrStreamNotFound if there are none.
const Present = -1

// OpenNATS opens the photos of a site on NATS; replicas 0 leaves a store that
// exists as it is.
func OpenNATS(ctx context.Context, nc *nats.Conn, site queue.SiteID, replicas int) (*Store, error) {
	if err := log.CheckSite(site); err != nil {
		return nil, fmt.Errorf("photos: %w", err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, fmt.Errorf("photos: %w", err)
	}
	d := &nodes{js: js, site: site}
	if replicas <= 0 {
		d.stream, err = js.Stream(ctx, Stream)
	}
	// Servers that don't answer are no reason to make it anew.
	if replicas > 0 || replicas != Present && errors.Is(err, jetstream.ErrStreamNotFound) {
		d.stream, err = js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
			Name: Stream, Description: "photos, outside the log", Subjects: []string{"photos.>"}, Storage: jetstream.FileStorage,
			MaxMsgsPerSubject: 1, MaxMsgSize: partMax + 4<<10, MaxBytes: streamMax, Discard: jetstream.DiscardNew, Replicas: max(1, replicas),
		})
	}
	if err != nil {
		return nil, fmt.Errorf("photos: open stream %s: %w", Stream, err)
	}
	return &Store{keeps: d, turn: make(chan struct{}, 1)}, nil
}

func (d *nodes) subject(h Hash, what string) string {
	return "photos." + string(d.site) + "." + string(h) + "." + what
}

// ask repeats a request that nobody answers, as while a leader is elected.
// What is asked here may be asked twice.
func (d *nodes) ask(ctx context.Context, request func(context.Context) error) error {
	for end := time.Now().Add(patience); ; {
		try, cancel := context.WithTimeout(ctx, requestMax)
		err := request(try)
		cancel()
		var api *jetstream.APIError
		answered := errors.As(err, &api) && api.Code != 503 && api.Code != 408 || errors.Is(err, jetstream.ErrMsgNotFound) || errors.Is(err, jetstream.ErrMsgDeleteUnsuccessful) ||
			d.js.Conn().IsClosed()
		if err == nil || answered || log.Full(err) || ctx.Err() != nil || time.Now().After(end) {
			return err
		}
		select {
		case <-time.After(100 * time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (d *nodes) publish(ctx context.Context, m *nats.Msg, opts ...jetstream.PublishOpt) error {
	err := d.ask(ctx, func(ctx context.Context) error {
		_, err := d.js.PublishMsg(ctx, m, opts...)
		return err
	})
	switch {
	case log.Full(err):
		return fmt.Errorf("%w: %w", ErrFull, err)
	case err != nil:
		return fmt.Errorf("photos: keep: %w", err)
	}
	return nil
}

func (d *nodes) last(ctx context.Context, subject string) (m *jetstream.RawStreamMsg, err error) {
	err = d.ask(ctx, func(ctx context.Context) (err error) {
		m, err = d.stream.GetLastMsgForSubject(ctx, subject)
		return err
	})
	if err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
		err = fmt.Errorf("photos: read: %w", err)
	}
	return m, err
}

func (d *nodes) head(h Hash, parts int) *nats.Msg {
	m := nats.NewMsg(d.subject(h, "head"))
	m.Header.Set(headerParts, strconv.Itoa(parts))
	return m
}

func (d *nodes) put(ctx context.Context, h Hash, b []byte) error {
	n := 0
	for ; n == 0 || n*partMax < len(b); n++ {
		m := nats.NewMsg(d.subject(h, strconv.Itoa(n)))
		m.Data = b[n*partMax : min(len(b), (n+1)*partMax)]
		if err := d.publish(ctx, m); err != nil {
			return err
		}
	}
	return d.publish(ctx, d.head(h, n))
}

// partsOf reads a head; 0: it is none.
func partsOf(m *jetstream.RawStreamMsg) int {
	n, err := strconv.Atoi(m.Header.Get(headerParts))
	if err != nil || n < 1 || n > 1+BytesMax/partMax {
		return 0
	}
	return n
}

func (d *nodes) get(h Hash) (b []byte, where string, err error) {
	ctx := context.Background() // each request has its own end
	where = d.subject(h, "head")
	head, err := d.last(ctx, where)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, "", ErrNone
	}
	if err != nil {
		return nil, where, err
	}
	for i := range partsOf(head) {
		part, err := d.last(ctx, d.subject(h, strconv.Itoa(i)))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil, where, fmt.Errorf("%w: part %d of %s is missing", ErrChanged, i, where)
		}
		if err != nil {
			return nil, where, err
		}
		b = append(b, part.Data...)
	}
	return b, where, nil
}

func (d *nodes) has(h Hash) (bool, error) {
	_, err := d.last(context.Background(), d.subject(h, "head"))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return false, nil
	}
	return err == nil, err
}

func (d *nodes) each(ctx context.Context, fn func(photo) error) error {
	prefix := "photos." + string(d.site) + "."
	for seq := uint64(1); ; seq++ {
		var m *jetstream.RawStreamMsg
		err := d.ask(ctx, func(ctx context.Context) (err error) {
			m, err = d.stream.GetMsg(ctx, seq, jetstream.WithGetMsgSubject(prefix+"*.head"))
			return err
		})
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("photos: list: %w", err)
		}
		seq = m.Sequence
		p := photo{hash: Hash(strings.TrimSuffix(strings.TrimPrefix(m.Subject, prefix), ".head")), at: m.Time}
		if !p.hash.Valid() {
			continue
		}
		if since, ok := asideSince(m); ok {
			p.aside, p.at = true, since
		}
		if err := fn(p); err != nil {
			return err
		}
	}
}

// asideSince is when a photo was laid aside; false: it is in use.
func asideSince(m *jetstream.RawStreamMsg) (time.Time, bool) {
	text := m.Header.Get(headerAside)
	if text == "" {
		return time.Time{}, false
	}
	since, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		since = m.Time // it was written then
	}
	return since, true
}

// behead puts another head in a head's place, unless somebody else did.
func (d *nodes) behead(old *jetstream.RawStreamMsg, next *nats.Msg) (done bool, err error) {
	err = d.publish(context.Background(), next, jetstream.WithExpectLastSequencePerSubject(old.Sequence))
	var api *jetstream.APIError
	if errors.As(err, &api) && (api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence || api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequenceConstant) {
		return false, nil
	}
	return err == nil, err
}

func (d *nodes) layAside(h Hash, now time.Time, done *Swept) error {
	head, err := d.last(context.Background(), d.subject(h, "head"))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	if _, aside := asideSince(head); aside || now.Sub(head.Time) <= UnnamedMax { // sent again meanwhile
		return nil
	}
	next := d.head(h, partsOf(head))
	next.Header.Set(headerAside, now.UTC().Format(time.RFC3339Nano))
	ok, err := d.behead(head, next)
	if ok {
		done.Aside++
	}
	return err
}

func (d *nodes) settle(h Hash, unnamed bool, now time.Time, done *Swept) error {
	head, err := d.last(context.Background(), d.subject(h, "head"))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil // another process did it
	}
	if err != nil {
		return err
	}
	since, aside := asideSince(head)
	switch {
	case !aside:
	case !unnamed:
		ok, err := d.behead(head, d.head(h, partsOf(head)))
		if ok {
			done.Back++
		}
		return err
	case now.Sub(since) > AsideMax:
		return d.remove(h, head, done)
	}
	return nil
}

// remove deletes a photo's messages by their sequences, the head last. Whoever
// sends the photo again writes messages of its own, which have others; one that
// is just being sent is left alone.
func (d *nodes) remove(h Hash, head *jetstream.RawStreamMsg, done *Swept) error {
	var seqs []uint64
	for i := range partsOf(head) {
		part, err := d.last(context.Background(), d.subject(h, strconv.Itoa(i)))
		switch {
		case errors.Is(err, jetstream.ErrMsgNotFound):
			continue
		case err != nil:
			return err
		case part.Sequence > head.Sequence:
			return nil
		}
		seqs = append(seqs, part.Sequence)
	}
	for _, seq := range append(seqs, head.Sequence) {
		err := d.ask(context.Background(), func(ctx context.Context) error { return d.stream.DeleteMsg(ctx, seq) })
		if err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) && !errors.Is(err, jetstream.ErrMsgDeleteUnsuccessful) {
			return fmt.Errorf("photos: delete: %w", err)
		}
	}
	done.Gone++
	return nil
}
