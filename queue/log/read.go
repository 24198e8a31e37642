package log

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tickover/queue"
)

// Bounds of one reader.
const (
	nearMax        = 8        // entries that are fetched one by one
	readAheadMax   = 4096     // messages that the server may send ahead
	readAheadBytes = 16 << 20 // and their size
	batchMax       = 128      // entries that are decoded at once
	batchesMax     = 8        // batches being decoded or waiting
	heartbeat      = 5 * time.Second
	retryPauseMax  = 2 * time.Second
	consumerIdle   = 30 * time.Second // the server drops an abandoned reader after
	// In a cluster a reader may sit on a node that is behind the leader, or is
	// gone: it is looked at more often, and what it can't read yet is no damage
	// before lagMax has passed.
	heartbeatNear = time.Second
	lagMax        = 5 * time.Second
)

// Read implements [Log].
func (l *JetStream) Read(ctx context.Context, site queue.SiteID, after uint64, fn func(*queue.Entry) error) error {
	last, err := l.lastOf(ctx, site, l.ask)
	if err != nil {
		return err
	}
	if last.Seq <= after {
		return nil
	}
	if after, err = l.near(ctx, site, after, last.Seq, fn); err != nil || after >= last.Seq {
		return err
	}
	return l.deliver(ctx, span{site: site, after: after, until: last.Seq}, nil, fn)
}

// near reads the first few entries after a known one by themselves and returns
// how far it came; a ledger that was beaten to an append lacks one or two. In a
// cluster a reader is made by another leader than the log's, on a node of its
// choice: two more that must be reached before anybody is answered.
func (l *JetStream) near(ctx context.Context, site queue.SiteID, after, until uint64, fn func(*queue.Entry) error) (uint64, error) {
	if after == 0 {
		return after, nil
	}
	chain, err := l.anchor(ctx, site, after, false)
	if err != nil || !chain.known {
		return after, err
	}
	for n := 0; n < nearMax && after < until; n++ {
		m, err := l.getMsg(ctx, after+1, jetstream.WithGetMsgSubject(subjectOf(site)))
		if err != nil {
			return after, nil // the reader says what is wrong
		}
		r, err := rawOf(m.Subject, m.Header.Get, m.Data, m.Sequence, m.Time)
		if err != nil || r.seq > until {
			return after, nil
		}
		en, err := r.decode()
		if err != nil || chain.next(&scanned{rawEntry: r, sum: en.Hash()}) != nil {
			return after, nil
		}
		if err := fn(en); err != nil {
			return after, err
		}
		after = en.Seq
	}
	return after, nil
}

// deliver calls fn for the entries of a site in a span, and passes over those up
// to has, if it is set. One goroutine fetches, a few decode, and the caller's
// checks the chain and calls fn, so that reading, decoding and folding overlap.
func (l *JetStream) deliver(ctx context.Context, want span, has func() uint64, fn func(*queue.Entry) error) error {
	chain, err := l.anchor(ctx, want.site, want.after, want.until == 0)
	if err != nil {
		return err
	}
	depth := decodeNew(has)
	if has == nil {
		depth = decodeAll
	}
	return l.entries(ctx, want, depth, func(e *scanned) error {
		if err := chain.next(e); err != nil || e.entry == nil {
			return err
		}
		return fn(e.entry)
	})
}

// anchor is where the chain that is read begins. A follower waits for a log
// that does not answer.
func (l *JetStream) anchor(ctx context.Context, site queue.SiteID, after uint64, wait bool) (chainCheck, error) {
	c := chainCheck{site: site, seq: after, known: after == 0}
	l.mu.Lock()
	last := l.last[site]
	l.mu.Unlock()
	if after > 0 && last.Seq == after {
		c.hash, c.known = last.Hash, true
		return c, nil
	}
	for after > 0 {
		pos, err := l.At(ctx, site, after)
		var damage *DamageError
		switch {
		case err == nil:
			c.hash, c.known = pos.Hash, true
			return c, nil
		case errors.Is(err, ErrNotFound):
			return c, nil // nothing to compare the first entry with
		case !wait || errors.Is(err, ErrClosed) || errors.Is(err, queue.ErrNewerFormat) || errors.As(err, &damage):
			return c, err
		case !pause(ctx, retryPauseMax/4):
			return c, ctx.Err()
		}
	}
	return c, nil
}

// span is what a reader wants: the site's entries in (after, until]. No site:
// those of all; until 0: without end.
type span struct {
	site         queue.SiteID
	after, until uint64
}

func (s span) subject() string {
	if s.site == "" {
		return subjectAll
	}
	return subjectOf(s.site)
}

// depth says which entries to decode; of all others the hash alone is computed.
type depth func(*rawEntry) bool

func decodeAll(*rawEntry) bool  { return true }
func decodeNone(*rawEntry) bool { return false }

// decodeNew leaves out what somebody has.
func decodeNew(has func() uint64) depth {
	return func(r *rawEntry) bool { return r.seq > has() }
}

// entries calls fn for what is stored, in order, on the caller's goroutine, up
// to the first entry that is no good.
func (l *JetStream) entries(ctx context.Context, want span, decode depth, fn func(*scanned) error) error {
	return l.each(ctx, want, decode, func(e *scanned) error {
		if e.err != nil {
			return e.err
		}
		return fn(e)
	})
}

// each is entries that calls fn with those that are no good, too.
func (l *JetStream) each(ctx context.Context, want span, decode depth, fn func(*scanned) error) error {
	inner, cancel := context.WithCancel(ctx)
	batches := make(chan *batch, batchesMax)
	fetched := make(chan error, 1)
	go func() {
		defer close(batches)
		fetched <- l.fetch(inner, want, decode, batches)
	}()
	err := drain(batches, fn)
	cancel()
	for b := range batches { // let the fetcher and the decoders end
		<-b.done
	}
	if ferr := <-fetched; err == nil {
		err = ferr
	}
	return err
}

func drain(batches <-chan *batch, fn func(*scanned) error) error {
	for b := range batches {
		<-b.done
		for i := range b.entries {
			if err := fn(&b.entries[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// batch is a few messages, worked on by their own goroutine.
type batch struct {
	msgs    []jetstream.Msg
	entries []scanned
	done    chan struct{}
}

// run takes the messages apart.
func (b *batch) run(decode depth) {
	defer close(b.done)
	b.entries = make([]scanned, 0, len(b.msgs))
	for _, m := range b.msgs {
		b.entries = append(b.entries, scannedOf(m, decode))
	}
	b.msgs = nil
}

func scannedOf(m jetstream.Msg, decode depth) (e scanned) {
	meta, err := m.Metadata()
	if err != nil {
		return scanned{err: err}
	}
	e.rawEntry, e.err = rawOf(m.Subject(), m.Headers().Get, m.Data(), meta.Sequence.Stream, meta.Timestamp)
	if e.err != nil {
		e.site, _ = siteOf(m.Subject())
		return e
	}
	if !decode(&e.rawEntry) {
		e.sum = e.hash()
	} else if e.entry, e.err = e.decode(); e.err == nil {
		e.sum = e.entry.Hash()
	}
	return e
}

// chainCheck demands that each entry follows the one before it.
type chainCheck struct {
	site  queue.SiteID
	seq   uint64
	hash  queue.Hash
	known bool // hash is that of the entry at seq
}

func (c *chainCheck) next(e *scanned) error {
	if c.known && e.prev != c.hash {
		d := &DamageError{
			Kind: Missing, Site: c.site, Seq: c.seq + 1, Last: e.seq, Command: e.command,
			What: fmt.Sprintf("entry %d does not follow entry %d: what it names as the entry before is not there or was changed", e.seq, c.seq),
			Do:   doRestore,
		}
		d.Subject, d.Event = sniff(e.body)
		return d
	}
	c.seq, c.hash, c.known = e.seq, e.sum, true
	return nil
}

// fetch sends the messages to out, in order, each once, and begins again behind
// the last one when the server or the way to it fails.
func (l *JetStream) fetch(ctx context.Context, want span, decode depth, out chan<- *batch) error {
	wait := 50 * time.Millisecond
	stuck := time.Now() // at this place since
	for {
		s := session{l: l, span: want, decode: decode, out: out}
		err := s.run(ctx)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err == nil:
			return nil
		case errors.Is(err, ErrClosed) || l.nc.IsClosed():
			return fmt.Errorf("read %s: %w", want.subject(), ErrClosed)
		}
		if s.after > want.after {
			wait, stuck = 50*time.Millisecond, time.Now()
		}
		var damage *DamageError
		if errors.As(err, &damage) && (l.patience == 0 || time.Since(stuck) > lagMax) {
			return err
		}
		want.after = s.after
		l.log.Debug("log reader starts again", zap.String("subject", want.subject()), zap.Uint64("after", want.after), zap.Error(err))
		if !pause(ctx, wait) {
			return ctx.Err()
		}
		wait = min(2*wait, retryPauseMax)
	}
}

// session is one consumer's life.
type session struct {
	l      *JetStream
	span   // after moves with what was sent
	decode depth
	out    chan<- *batch
}

var errGap = errors.New("the server left a message out")

func (s *session) run(ctx context.Context) error {
	cons, err := s.l.consumer(ctx, s.span)
	if err != nil {
		return err
	}
	defer s.l.dropConsumer(cons)
	if s.until > 0 && cons.CachedInfo().NumPending == 0 {
		return s.unreadable()
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	beat := heartbeat
	if s.l.patience > 0 {
		beat = heartbeatNear
	}
	msgs := make(chan jetstream.Msg, 2*batchMax)
	failed := make(chan error, 1)
	cc, err := cons.Consume(func(m jetstream.Msg) {
		select {
		case msgs <- m:
		case <-ctx.Done():
		}
	}, jetstream.PullMaxMessagesWithBytesLimit(readAheadMax, readAheadBytes),
		jetstream.PullHeartbeat(beat), jetstream.PullExpiry(2*heartbeat+time.Second),
		jetstream.ConsumeErrHandler(func(_ jetstream.ConsumeContext, err error) {
			select {
			case failed <- err:
			default:
			}
		}))
	if err != nil {
		return err
	}
	err = s.forward(ctx, msgs, failed)
	cancel()
	cc.Stop()
	<-cc.Closed()
	return err
}

// forward cuts what comes in into batches: as many as are there, without
// waiting for more.
func (s *session) forward(ctx context.Context, msgs <-chan jetstream.Msg, failed <-chan error) error {
	var delivered uint64
	for {
		var m jetstream.Msg
		select {
		case m = <-msgs:
		case err := <-failed:
			return err
		case <-ctx.Done():
			return ctx.Err()
		}
		b := &batch{done: make(chan struct{}), msgs: make([]jetstream.Msg, 0, batchMax)}
		var pending, at uint64
		var gap bool
	fill:
		for {
			meta, err := m.Metadata()
			if err != nil {
				return err
			}
			delivered++
			if gap = meta.Sequence.Consumer != delivered; gap {
				break fill
			}
			at, pending = meta.Sequence.Stream, meta.NumPending
			if s.until == 0 || at <= s.until {
				b.msgs = append(b.msgs, m)
				s.after = at
			}
			if len(b.msgs) == batchMax || s.until > 0 && at >= s.until {
				break fill
			}
			select {
			case m = <-msgs:
			default:
				break fill
			}
		}
		if len(b.msgs) > 0 {
			go b.run(s.decode)
			select {
			case s.out <- b:
			case <-ctx.Done():
				<-b.done
				return ctx.Err()
			}
		}
		switch {
		case gap:
			return errGap
		case s.until > 0 && at >= s.until:
			return nil
		case s.until > 0 && pending == 0:
			return s.unreadable()
		}
	}
}

// unreadable: the server says that there is nothing more, and yet the site's
// last entry was not delivered. It passes over a record that it can't read
// without a word.
func (s *session) unreadable() error {
	return &DamageError{
		Kind: Changed, Site: s.site, Seq: s.after + 1, Last: s.until,
		What: "the store can't read these entries, although it counts them", Do: doRestore,
	}
}

// consumer makes a reader that lives in the server's memory and needs no
// acknowledgements.
func (l *JetStream) consumer(ctx context.Context, want span) (jetstream.Consumer, error) {
	ctx, cancel := context.WithTimeout(ctx, l.timeout)
	defer cancel()
	return l.js.CreateConsumer(ctx, StreamName, jetstream.ConsumerConfig{
		FilterSubject: want.subject(), DeliverPolicy: jetstream.DeliverByStartSequencePolicy,
		OptStartSeq: want.after + 1, AckPolicy: jetstream.AckNonePolicy, MaxDeliver: 1,
		MemoryStorage: true, Replicas: 1, InactiveThreshold: consumerIdle,
	})
}

func (l *JetStream) dropConsumer(c jetstream.Consumer) {
	if !l.nc.IsConnected() {
		return // the server drops it by itself
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if err := l.js.DeleteConsumer(ctx, StreamName, c.CachedInfo().Name); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
		l.log.Debug("log reader left to the server", zap.Error(err))
	}
}
