package log

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
)

// Bounds of what a cluster's leader is believed.
const (
	// leadMin is how long it has led before: until then there may be entries
	// that it has not applied.
	leadMin = time.Second
	// heardMax is since when it has heard from enough others. They elect
	// another one four seconds after they last heard from it, at the earliest.
	heardMax = 3 * time.Second
)

// errOld: the leader may not know the newest entry.
var errOld = errors.New("its leader may not know the newest entry")

// doubt says why a leader's answer may be an old one; nil: it is not. What it
// was asked was sent a while before this info came, and known is the newest
// entry of any site that this process has seen.
func doubt(info *jetstream.StreamInfo, asked time.Duration, known uint64) error {
	c := info.Cluster
	if c == nil || info.Config.Replicas < 2 {
		return nil
	}
	if c.Leader == "" || c.LeaderSince == nil {
		return fmt.Errorf("%w: there is none", errOld)
	}
	// Both times are of that node's clock.
	if led := info.TimeStamp.Sub(*c.LeaderSince); led >= 0 && led < asked+leadMin {
		return fmt.Errorf("%w: %s has led for %v", errOld, c.Leader, led.Round(time.Millisecond))
	}
	heard := 1 // itself
	for _, r := range c.Replicas {
		if r.Active > 0 && r.Active <= heardMax {
			heard++
		}
	}
	if need := info.Config.Replicas/2 + 1; heard < need {
		return fmt.Errorf("%w: %s hears from %d of %d nodes", errOld, c.Leader, heard, info.Config.Replicas)
	}
	if info.State.LastSeq < known {
		return fmt.Errorf("%w: %s has %d entries, there are %d", errOld, c.Leader, info.State.LastSeq, known)
	}
	return nil
}

// newest repeats a question to the log's leader until the answer is that of a
// leader that can be believed, within bounds.
func (l *JetStream) newest(ctx context.Context, question func(context.Context) error) error {
	if l.patience == 0 {
		return l.ask(ctx, question)
	}
	for end := time.Now().Add(l.patience); ; {
		known, begun := l.seen.Load(), time.Now()
		err := l.ask(ctx, question)
		if err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
			return err
		}
		var info *jetstream.StreamInfo
		ierr := l.ask(ctx, func(ctx context.Context) (err error) {
			info, err = l.stream.Info(ctx)
			return err
		})
		if ierr != nil {
			return ierr
		}
		old := doubt(info, time.Since(begun), known)
		if old == nil {
			return err
		}
		if !time.Now().Before(end) || !pause(ctx, 4*appendPause) {
			return old
		}
	}
}

// see remembers the newest entry that is known to be in the log.
func (l *JetStream) see(seq uint64) {
	for {
		was := l.seen.Load()
		if seq <= was || l.seen.CompareAndSwap(was, seq) {
			return
		}
	}
}

// Last implements [Log].
func (l *JetStream) Last(ctx context.Context, site queue.SiteID) (Position, error) {
	return l.lastOf(ctx, site, l.newest)
}

// lastOf is Last as somebody answers who is asked in some way.
func (l *JetStream) lastOf(ctx context.Context, site queue.SiteID, ask func(context.Context, func(context.Context) error) error) (Position, error) {
	if err := CheckSite(site); err != nil {
		return Position{}, err
	}
	var m *jetstream.RawStreamMsg
	err := ask(ctx, func(ctx context.Context) (err error) {
		m, err = l.stream.GetLastMsgForSubject(ctx, subjectOf(site))
		return err
	})
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return Position{}, nil
	}
	return l.position(site, m, err)
}
