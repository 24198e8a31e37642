package log

import (
	"context"
	"errors"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
)

// Bounds of leaving a node. An election takes four to nine seconds, in which
// no node has an answer: moving on is no use then, but does no harm either.
const (
	silenceMax = 2 * time.Second // without an answer before the node is left
	stayMin    = 3 * time.Second // at a node
)

// silence tells when the node that this connection is at is no good. A node
// that is cut off from the log's leader answers pings and takes requests, and
// they come to nothing: what counts is whether the log answers.
type silence struct {
	mu    sync.Mutex
	since time.Time // when the first that was not answered since one was, was sent
	moved time.Time
}

// heard takes the outcome of a request that was sent some time before, and
// reports whether to go to another node.
func (s *silence) heard(err error, sent, now time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case errors.Is(err, context.Canceled): // by whoever asked
	case err == nil || !unanswered(err):
		s.since = time.Time{}
	case s.since.IsZero():
		s.since = sent
	case now.Sub(s.since) >= silenceMax && now.Sub(s.moved) >= stayMin:
		s.since, s.moved = time.Time{}, now
		return true
	}
	return false
}

// heard takes the outcome of a request to a cluster and leaves a node that has
// no answer.
func (l *JetStream) heard(err error, sent time.Time) {
	if l.patience == 0 || !l.silence.heard(err, sent, time.Now()) {
		return
	}
	l.log.Warn("the log is not reached through this node: going to another", zap.String("node", l.nc.ConnectedServerName()), zap.Error(err))
	// Requests under way end with nats.ErrConnectionClosed, see closed.
	if err := l.nc.ForceReconnect(); err != nil {
		l.log.Warn("log connection", zap.Error(err))
	}
}

// closed reports whether a request failed because the connection was closed
// for good: one that moves to another node says the same of requests under way.
func (l *JetStream) closed(err error) bool {
	return errors.Is(err, nats.ErrConnectionClosed) && l.nc.IsClosed()
}
