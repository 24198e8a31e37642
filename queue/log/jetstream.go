package log

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tickover/queue"
)

// codeConflictInFlight is the server's answer when another append to the same
// subject is under way in a cluster; the client library has no name for it.
const codeConflictInFlight jetstream.ErrorCode = 10164

// codeRepeatInFlight is the answer when the same command's first try is still
// under way in a cluster.
const codeRepeatInFlight jetstream.ErrorCode = 10158

// Codes of a log that takes no more: account or server limit, storage
// reservation, stream limit.
var codesFull = []jetstream.ErrorCode{10002, 10023, 10028, 10047}

// codeStoreFailed is any failure to store, among them the stream's own limit.
const codeStoreFailed jetstream.ErrorCode = 10077

// Bounds of one append.
const (
	appendTries    = 4
	appendPause    = 50 * time.Millisecond
	appendPauseMax = 500 * time.Millisecond
)

// Bounds in a cluster, where the leader may be gone: a new one is elected
// within four to six seconds.
const (
	electionMax = 12 * time.Second
	requestMax  = time.Second // of one request: the next one asks another node
)

// JetStream is a [Log] over a NATS connection. [Open] and [Dial] make one.
type JetStream struct {
	nc      *nats.Conn
	js      jetstream.JetStream
	stream  jetstream.Stream
	log     *zap.Logger
	program string
	timeout time.Duration // of one request
	// patience is how long a request is repeated that nobody answers; 0: not.
	patience time.Duration

	// guard, if set, refuses an append before it is sent; stored, if set,
	// hears of what was acknowledged; explain, if set, says why the server
	// doesn't answer.
	guard   func() error
	stored  func(Position)
	explain func() string

	silence silence
	feed    feed
	seen    atomic.Uint64 // newest entry of any site that is known to be there

	mu   sync.Mutex
	last map[queue.SiteID]Position // newest position that is known of a site
}

var _ Log = (*JetStream)(nil)

func newJetStream(ctx context.Context, nc *nats.Conn, replicas int, program string, timeout time.Duration, log *zap.Logger) (*JetStream, error) {
	js, err := jetstream.New(nc, jetstream.WithDefaultTimeout(timeout))
	if err != nil {
		return nil, err
	}
	stream, err := ensureStream(ctx, js, replicas)
	if err != nil {
		return nil, err
	}
	l := &JetStream{
		nc: nc, js: js, stream: stream, log: log, program: program, timeout: timeout,
		last: map[queue.SiteID]Position{},
	}
	l.feed = feed{l: l, own: feedAbove, followers: map[queue.SiteID][]*follower{}}
	if stream.CachedInfo().Config.Replicas > 1 {
		l.timeout, l.patience = min(timeout, requestMax), electionMax
	}
	return l, nil
}

// Conn is the connection that the log uses; it ends with the log.
func (l *JetStream) Conn() *nats.Conn { return l.nc }

// Append implements [Log].
func (l *JetStream) Append(ctx context.Context, en *queue.Entry, expectLast uint64) (uint64, error) {
	if err := CheckEntry(en, expectLast); err != nil {
		return 0, err
	}
	body, err := en.Encode()
	if err != nil {
		return 0, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	if err := l.checkPrev(ctx, en, expectLast); err != nil {
		return 0, err
	}
	if l.guard != nil {
		if err := l.guard(); err != nil {
			return 0, err
		}
	}
	seq, err := l.publish(ctx, l.message(en, body, expectLast), en, expectLast)
	if err != nil {
		return 0, fmt.Errorf("append command %s: %w", en.Command(), err)
	}
	en.Seq = seq
	pos := Position{seq, en.Hash()}
	l.learn(en.Site, pos)
	if l.stored != nil {
		l.stored(pos)
	}
	return seq, nil
}

// checkPrev compares the entry's previous hash with the log: the server checks
// the sequence only, and a wrong hash would break the chain for good.
func (l *JetStream) checkPrev(ctx context.Context, en *queue.Entry, expectLast uint64) error {
	if expectLast == 0 {
		return nil
	}
	l.mu.Lock()
	last := l.last[en.Site]
	l.mu.Unlock()
	if last.Seq != expectLast {
		var err error
		if last, err = l.At(ctx, en.Site, expectLast); errors.Is(err, ErrNotFound) {
			now, lerr := l.lastOf(ctx, en.Site, l.ask)
			if lerr != nil {
				return fmt.Errorf("append command %s: %w", en.Command(), lerr)
			}
			return Conflict(en.Site, expectLast, now.Seq)
		} else if err != nil {
			return fmt.Errorf("append command %s: nothing was stored: %w", en.Command(), err)
		}
	}
	return CheckPrev(en, last)
}

func (l *JetStream) learn(site queue.SiteID, pos Position) {
	l.see(pos.Seq)
	l.mu.Lock()
	if pos.Seq > l.last[site].Seq {
		l.last[site] = pos
	}
	l.mu.Unlock()
}

func (l *JetStream) message(en *queue.Entry, body []byte, expectLast uint64) *nats.Msg {
	h := nats.Header{
		headerPrev:    {string(en.Prev)},
		headerFormat:  {strconv.Itoa(queue.FormatVersion)},
		headerCommand: {string(en.Command())},
		// Command ids are unique; the site keeps a copied device from being
		// taken for a repeat of another shop's command.
		jetstream.MsgIDHeader:               {string(en.Site) + "/" + string(en.Command())},
		jetstream.ExpectedLastSubjSeqHeader: {strconv.FormatUint(expectLast, 10)},
	}
	if l.program != "" {
		h[headerProgram] = []string{l.program}
	}
	return &nats.Msg{Subject: subjectOf(en.Site), Header: h, Data: body}
}

// publish sends the message until the log has given a clear answer, a few
// times at most.
func (l *JetStream) publish(ctx context.Context, m *nats.Msg, en *queue.Entry, expectLast uint64) (uint64, error) {
	var last error
	unknown := false // a try went out and was not answered
	end := time.Now().Add(l.patience)
	for try := 0; try < appendTries || unknown && time.Now().Before(end); try++ {
		if try > 0 && !pause(ctx, min(appendPause<<min(try, appendTries), appendPauseMax)) {
			break
		}
		ack, err := l.send(ctx, m)
		var api *jetstream.APIError
		switch {
		case err == nil && !ack.Duplicate:
			return ack.Sequence, nil
		case err == nil:
			return l.repeated(ctx, en, ack.Sequence)
		case errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence:
			return l.conflict(ctx, en, expectLast)
		case errors.As(err, &api) && api.ErrorCode == codeConflictInFlight:
			// The append under way may be our own first try: ask again.
			last = Conflict(en.Site, expectLast, 0)
			if unknown {
				last = fmt.Errorf("%w: another append of the site is under way", ErrNotDurable)
			}
			continue
		case errors.As(err, &api) && api.ErrorCode == codeRepeatInFlight:
			unknown = true
			last = fmt.Errorf("%w: this command is under way", ErrNotDurable)
			continue
		case Full(err):
			return 0, fmt.Errorf("%w: %s. Free disk space or raise the store limit; reading goes on, nothing was stored", ErrFull, err)
		case !unknown && errors.As(err, &api) && api.Code < 500 && api.Code != 408:
			return 0, fmt.Errorf("%w: the log refused it: %s", ErrInvalid, api.Description)
		case l.closed(err):
			if try == 0 {
				return 0, ErrClosed
			}
			return 0, fmt.Errorf("%w (%w)", ErrNotDurable, ErrClosed)
		}
		unknown = true
		last = fmt.Errorf("%w: %w", ErrNotDurable, err)
		if l.explain != nil {
			if why := l.explain(); why != "" {
				return 0, fmt.Errorf("%w: %s", ErrNotDurable, why)
			}
		}
	}
	if err := ctx.Err(); err != nil && !errors.Is(last, err) {
		return 0, fmt.Errorf("%w: %w", ErrNotDurable, err)
	}
	return 0, last
}

// Full reports whether the server refuses a message because the stream, the
// account or the server has no room.
func Full(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && (slices.Contains(codesFull, api.ErrorCode) ||
		api.ErrorCode == codeStoreFailed && strings.HasPrefix(api.Description, "maximum "))
}

func (l *JetStream) send(ctx context.Context, m *nats.Msg) (*jetstream.PubAck, error) {
	ctx, cancel := context.WithTimeout(ctx, l.timeout)
	defer cancel()
	sent := time.Now()
	ack, err := l.js.PublishMsg(ctx, m)
	l.heard(err, sent)
	return ack, err
}

// conflict finds out whether the entry after expectLast is ours: then the
// first try was stored and its acknowledgement got lost. It can stand nowhere
// else, because it was conditional on expectLast.
func (l *JetStream) conflict(ctx context.Context, en *queue.Entry, expectLast uint64) (uint64, error) {
	m, err := l.getMsg(ctx, expectLast+1, jetstream.WithGetMsgSubject(subjectOf(en.Site)))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return 0, Conflict(en.Site, expectLast, 0)
	}
	if err != nil {
		return 0, fmt.Errorf("%w: the log moved on, and whether this is stored can't be read: %w", ErrNotDurable, err)
	}
	if queue.CommandID(m.Header.Get(headerCommand)) == en.Command() {
		return l.sameOr(en, m)
	}
	return 0, Conflict(en.Site, expectLast, m.Sequence)
}

// repeated answers an append whose command the server has seen.
func (l *JetStream) repeated(ctx context.Context, en *queue.Entry, seq uint64) (uint64, error) {
	m, err := l.getMsg(ctx, seq)
	if err != nil {
		return 0, fmt.Errorf("%w: entry %d, which holds this command, can't be read: %w", ErrNotDurable, seq, err)
	}
	return l.sameOr(en, m)
}

func (l *JetStream) sameOr(en *queue.Entry, m *jetstream.RawStreamMsg) (uint64, error) {
	r, err := rawOf(m.Subject, m.Header.Get, m.Data, m.Sequence, m.Time)
	if err == nil && r.site == en.Site && r.hash() == en.Hash() {
		return m.Sequence, nil
	}
	return 0, &RepeatedError{Command: en.Command(), Seq: m.Sequence}
}

// At implements [Log].
func (l *JetStream) At(ctx context.Context, site queue.SiteID, seq uint64) (Position, error) {
	if err := CheckSite(site); err != nil {
		return Position{}, err
	}
	if seq == 0 {
		return Position{}, fmt.Errorf("%w: sequences start at 1", ErrNotFound)
	}
	m, err := l.getMsg(ctx, seq)
	if errors.Is(err, jetstream.ErrMsgNotFound) || err == nil && m.Subject != subjectOf(site) {
		return Position{}, fmt.Errorf("%w: entry %d of site %s", ErrNotFound, seq, site)
	}
	return l.position(site, m, err)
}

func (l *JetStream) position(site queue.SiteID, m *jetstream.RawStreamMsg, err error) (Position, error) {
	if err != nil {
		return Position{}, l.requestError("read site "+string(site), err)
	}
	r, err := rawOf(m.Subject, m.Header.Get, m.Data, m.Sequence, m.Time)
	if err != nil {
		return Position{}, err
	}
	pos := Position{m.Sequence, r.hash()}
	l.learn(site, pos)
	return pos, nil
}

// Sites implements [Log].
func (l *JetStream) Sites(ctx context.Context) ([]queue.SiteID, error) {
	var info *jetstream.StreamInfo
	err := l.ask(ctx, func(ctx context.Context) (err error) {
		info, err = l.stream.Info(ctx, jetstream.WithSubjectFilter(subjectAll))
		return err
	})
	if err != nil {
		return nil, l.requestError("list sites", err)
	}
	var sites []queue.SiteID
	for subject := range info.State.Subjects {
		if site, ok := siteOf(subject); ok {
			sites = append(sites, site)
		}
	}
	slices.Sort(sites)
	return sites, nil
}

func (l *JetStream) requestError(what string, err error) error {
	if l.closed(err) {
		return fmt.Errorf("%s: %w", what, ErrClosed)
	}
	return fmt.Errorf("%s: %w: %w", what, ErrUnanswered, err)
}

// ask repeats a request that nobody answers, as while a leader is elected.
func (l *JetStream) ask(ctx context.Context, request func(context.Context) error) error {
	end := time.Now().Add(l.patience)
	for {
		try, cancel := context.WithTimeout(ctx, l.timeout)
		sent := time.Now()
		err := request(try)
		cancel()
		l.heard(err, sent)
		if err == nil || l.closed(err) || !unanswered(err) || ctx.Err() != nil || !time.Now().Before(end) || !pause(ctx, 2*appendPause) {
			return err
		}
	}
}

func unanswered(err error) bool {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		return api.Code == 503 || api.Code == 408
	}
	return errors.Is(err, context.DeadlineExceeded) || errors.Is(err, nats.ErrNoResponders) || errors.Is(err, jetstream.ErrNoStreamResponse) ||
		errors.Is(err, nats.ErrTimeout) || errors.Is(err, nats.ErrConnectionReconnecting) || errors.Is(err, nats.ErrDisconnected) ||
		errors.Is(err, nats.ErrConnectionClosed) // of a connection that moves on
}

func (l *JetStream) getMsg(ctx context.Context, seq uint64, opts ...jetstream.GetMsgOpt) (m *jetstream.RawStreamMsg, err error) {
	err = l.ask(ctx, func(ctx context.Context) (err error) {
		m, err = l.stream.GetMsg(ctx, seq, opts...)
		return err
	})
	return m, err
}

// pause waits, or reports false when ctx ended first.
func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
