package access

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
)

// Stream is where a [JetStream] keeps its values, one message each on
// access.<site>.<key>; an empty one stands for what was removed.
const Stream = "ACCESS"

const (
	untilHeader = "Tickover-Until"
	graveTTL    = 10 * time.Second // of the empty message; what came before is gone at once
	setTries    = 5
)

// JetStream is a store on a NATS server, beside the shop's log. Readers ask the
// stream's leader, never a copy that may lag: who has just signed in is known,
// and who was shut out is out.
type JetStream struct {
	site   queue.SiteID
	now    func() time.Time
	js     jetstream.JetStream
	stream jetstream.Stream
}

// OpenJetStream opens the site's store; replicas 0 leaves one that exists as it
// is.
func OpenJetStream(ctx context.Context, nc *nats.Conn, site queue.SiteID, replicas int, now func() time.Time) (*JetStream, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, fmt.Errorf("access: %w", err)
	}
	s := &JetStream{site: site, now: now, js: js}
	if replicas == 0 {
		s.stream, err = js.Stream(ctx, Stream)
	}
	// Servers that don't answer are no reason to make it anew.
	if replicas != 0 || errors.Is(err, jetstream.ErrStreamNotFound) {
		s.stream, err = js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
			Name: Stream, Description: "accounts and sessions, outside the log", Subjects: []string{"access.>"}, Storage: jetstream.FileStorage,
			MaxMsgsPerSubject: 1, MaxMsgSize: ValueMax + 2<<10, AllowMsgTTL: true, Replicas: max(1, replicas),
		})
	}
	if err != nil {
		return nil, fmt.Errorf("access: open stream %s: %w", Stream, err)
	}
	return s, nil
}

// Of is the store of another site.
func (s *JetStream) Of(site queue.SiteID) Store {
	other := *s
	other.site = site
	return &other
}

// Having implements [Sites] with one request, however many sites there are.
func (s *JetStream) Having(ctx context.Context, key string) ([]queue.SiteID, error) {
	info, err := s.stream.Info(ctx, jetstream.WithSubjectFilter("access.*."+key))
	if err != nil {
		return nil, fmt.Errorf("access: list sites: %w", err)
	}
	var out []queue.SiteID
	for subject := range info.State.Subjects {
		site, _, _ := strings.Cut(strings.TrimPrefix(subject, "access."), ".")
		out = append(out, queue.SiteID(site))
	}
	slices.Sort(out)
	return out, nil
}

func (s *JetStream) subject(key string) string { return "access." + string(s.site) + "." + key }

// last is the newest message of a key and whether its value counts.
func (s *JetStream) last(ctx context.Context, key string) (*jetstream.RawStreamMsg, bool, error) {
	m, err := s.stream.GetLastMsgForSubject(ctx, s.subject(key))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("access: read: %w", err)
	}
	if len(m.Data) == 0 {
		return m, false, nil
	}
	if text := m.Header.Get(untilHeader); text != "" {
		// The server removes it by its own clock; ours is the one that counts.
		until, err := time.Parse(time.RFC3339Nano, text)
		return m, err == nil && s.now().Before(until), nil
	}
	return m, true, nil
}

// Get implements [Store].
func (s *JetStream) Get(ctx context.Context, key string) (Item, error) {
	m, live, err := s.last(ctx, key)
	switch {
	case err != nil:
		return Item{}, err
	case !live:
		return Item{}, ErrNone
	}
	return Item{m.Data, m.Sequence}, nil
}

// Set implements [Store].
func (s *JetStream) Set(ctx context.Context, key string, value []byte, after uint64, ttl time.Duration) error {
	if len(value) == 0 || len(value) > ValueMax {
		return fmt.Errorf("access: a value of %d bytes can't be kept", len(value))
	}
	m := nats.NewMsg(s.subject(key))
	m.Data = value
	opts := []jetstream.PublishOpt{}
	if ttl > 0 {
		m.Header.Set(untilHeader, s.now().Add(ttl).UTC().Format(time.RFC3339Nano))
		opts = append(opts, jetstream.WithMsgTTL(max(time.Second, ttl.Round(time.Second))))
	}
	switch after {
	case Any:
		return s.publish(ctx, m, opts...)
	case 0:
		return s.create(ctx, key, m, opts)
	}
	if _, live, err := s.last(ctx, key); err != nil || !live {
		return or(err, ErrChanged)
	}
	return s.publish(ctx, m, append(opts, jetstream.WithExpectLastSequencePerSubject(after))...)
}

// create publishes where nothing is, or only what is over.
func (s *JetStream) create(ctx context.Context, key string, m *nats.Msg, opts []jetstream.PublishOpt) error {
	for range setTries {
		dead, live, err := s.last(ctx, key)
		if err != nil || live {
			return or(err, ErrChanged)
		}
		seq := uint64(0)
		if dead != nil {
			seq = dead.Sequence
		}
		err = s.publish(ctx, m, append(slices.Clip(opts), jetstream.WithExpectLastSequencePerSubject(seq))...)
		if !errors.Is(err, ErrChanged) {
			return err
		}
	}
	return ErrChanged
}

func (s *JetStream) publish(ctx context.Context, m *nats.Msg, opts ...jetstream.PublishOpt) error {
	_, err := s.js.PublishMsg(ctx, m, opts...)
	var refused *jetstream.APIError
	if errors.As(err, &refused) && (refused.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence || refused.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequenceConstant) {
		return ErrChanged
	}
	if err != nil {
		return fmt.Errorf("access: keep: %w", err)
	}
	return nil
}

// Delete implements [Store].
func (s *JetStream) Delete(ctx context.Context, key string, after uint64) error {
	for range setTries {
		m, live, err := s.last(ctx, key)
		switch {
		case err != nil:
			return err
		case !live:
			return ErrNone
		case after != Any && m.Sequence != after:
			return ErrChanged
		}
		// An empty message in its place decides who removed it, when several try.
		err = s.publish(ctx, nats.NewMsg(s.subject(key)), jetstream.WithExpectLastSequencePerSubject(m.Sequence), jetstream.WithMsgTTL(graveTTL))
		if after != Any || !errors.Is(err, ErrChanged) {
			return err
		}
	}
	return ErrChanged
}

// List implements [Store].
func (s *JetStream) List(ctx context.Context, prefix string) ([]string, error) {
	info, err := s.stream.Info(ctx, jetstream.WithSubjectFilter(s.subject(prefix)+">"))
	if err != nil {
		return nil, fmt.Errorf("access: list: %w", err)
	}
	out := make([]string, 0, len(info.State.Subjects))
	for subject := range info.State.Subjects {
		key, ok := strings.CutPrefix(subject, s.subject(""))
		if ok {
			out = append(out, key)
		}
	}
	slices.Sort(out)
	return out, nil
}

func or(err, otherwise error) error {
	if err != nil {
		return err
	}
	return otherwise
}
