package log

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
)

// DialOptions of a log that a NATS server elsewhere keeps.
type DialOptions struct {
	URL   string // one server or several, separated by commas
	Token string
	// Replicas of the stream if it is made; 0: 1. A cluster of three has 3.
	Replicas int
	// MustExist: the stream is not made; somebody with the right to does it.
	MustExist bool
	Program   string        // this program's version, kept with each entry
	Timeout   time.Duration // of one request; 0: 5 s
	Logger    *zap.Logger   // nil: none
	// Conn are further options of the connection.
	Conn []nats.Option
}

// Dial connects to a log over the network and makes its stream if there is
// none. That server must sync before it acknowledges (jetstream {
// sync_interval: always }, or replicas); the connection can't tell.
func Dial(ctx context.Context, o DialOptions) (*JetStream, error) {
	if o.URL == "" {
		return nil, errors.New("dial log: no address given")
	}
	if o.Timeout == 0 {
		o.Timeout = 5 * time.Second
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	opts := []nats.Option{nats.Name("tickover log"), nats.MaxReconnects(-1), nats.ReconnectWait(100 * time.Millisecond), nats.Timeout(o.Timeout),
		// A server that is cut off says nothing: ask, and go to another one.
		nats.PingInterval(2 * time.Second), nats.MaxPingsOutstanding(2),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			o.Logger.Warn("log connection", zap.Error(err))
		})}
	if o.Token != "" {
		opts = append(opts, nats.Token(o.Token))
	}
	nc, err := nats.Connect(o.URL, append(opts, o.Conn...)...)
	if err != nil {
		return nil, fmt.Errorf("dial log at %s: %w", o.URL, err)
	}
	replicas := max(o.Replicas, 1)
	if o.MustExist {
		replicas = 0
	}
	l, err := newJetStream(ctx, nc, replicas, o.Program, o.Timeout, o.Logger)
	if err != nil {
		nc.Close()
		return nil, err
	}
	return l, nil
}

// Close ends the connection. Readers end with ErrClosed.
func (l *JetStream) Close() error {
	l.nc.Close()
	return nil
}

// Copies is on how many nodes a log is kept, and how well.
type Copies struct {
	Entries uint64
	Want    int      // nodes
	Behind  []Behind // those that are away or have not all of it
}

// Behind is a node that has not all of the log.
type Behind struct {
	Node string
	Away bool
	Lag  uint64 // entries
}

func (b Behind) String() string {
	if b.Away {
		return b.Node + " is away"
	}
	return fmt.Sprintf("%s is %d entries behind", b.Node, b.Lag)
}

// Stuck are the nodes that are there and have taken in nothing since before:
// they came no nearer, and what was appended meanwhile they lack too (half of it
// is enough: nodes count what they lack in batches). One that could not write,
// as on a full disk, stays like that until it is started again, also when there
// is room.
func (c Copies) Stuck(before Copies) (nodes []string) {
	for _, b := range c.Behind {
		for _, was := range before.Behind {
			if b.Node == was.Node && !b.Away && !was.Away && b.Lag > 0 && b.Lag >= was.Lag &&
				2*(b.Lag-was.Lag) >= c.Entries-min(c.Entries, before.Entries) {
				nodes = append(nodes, b.Node)
			}
		}
	}
	return nodes
}

// StuckDo is what to do about a node that is stuck.
const StuckDo = "make room on its disk if that is full, then start it again there: systemctl restart tickover-nats"

// Copies asks the servers how the log is kept.
func (l *JetStream) Copies(ctx context.Context) (Copies, error) {
	var info *jetstream.StreamInfo
	err := l.ask(ctx, func(ctx context.Context) (err error) {
		info, err = l.stream.Info(ctx)
		return err
	})
	if err != nil {
		return Copies{}, l.requestError("ask how the log is kept", err)
	}
	c := Copies{Entries: info.State.Msgs, Want: info.Config.Replicas}
	if info.Cluster == nil {
		return c, nil
	}
	for _, r := range info.Cluster.Replicas {
		switch {
		case r.Offline:
			c.Behind = append(c.Behind, Behind{Node: r.Name, Away: true})
		case !r.Current:
			c.Behind = append(c.Behind, Behind{Node: r.Name, Lag: r.Lag})
		}
	}
	return c, nil
}
