package log_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/deploy/deploytest"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

// TestDoubt: a leader is believed when it has led for a while, hears from most
// of the nodes and has what is known to be there.
func TestDoubt(t *testing.T) {
	now := time.Date(2026, 2, 17, 10, 0, 0, 0, time.UTC)
	since := func(d time.Duration) *time.Time { at := now.Add(-d); return &at }
	hears := func(all ...time.Duration) (list []*jetstream.PeerInfo) {
		for _, d := range all {
			list = append(list, &jetstream.PeerInfo{Active: d})
		}
		return list
	}
	for _, c := range []struct {
		name    string
		cluster *jetstream.ClusterInfo
		asked   time.Duration
		last    uint64
		old     bool
	}{
		{"one node", nil, 0, 7, false},
		{"led for an hour", &jetstream.ClusterInfo{Leader: "a", LeaderSince: since(time.Hour), Replicas: hears(time.Second, time.Second)}, 0, 7, false},
		{"one follower away", &jetstream.ClusterInfo{Leader: "a", LeaderSince: since(time.Hour), Replicas: hears(time.Second, time.Minute)}, 0, 7, false},
		{"cut off from both", &jetstream.ClusterInfo{Leader: "a", LeaderSince: since(time.Hour), Replicas: hears(4*time.Second, 5*time.Second)}, 0, 7, true},
		{"never heard from one, the other away", &jetstream.ClusterInfo{Leader: "a", LeaderSince: since(time.Hour), Replicas: hears(0, time.Minute)}, 0, 7, true},
		{"just begun", &jetstream.ClusterInfo{Leader: "a", LeaderSince: since(time.Second / 2), Replicas: hears(time.Second, time.Second)}, 0, 7, true},
		{"begun after the question", &jetstream.ClusterInfo{Leader: "a", LeaderSince: since(3 * time.Second), Replicas: hears(time.Second, time.Second)}, 2500 * time.Millisecond, 7, true},
		{"its clock was set back since it began", &jetstream.ClusterInfo{Leader: "a", LeaderSince: since(-time.Hour), Replicas: hears(time.Second, time.Second)}, 0, 7, false},
		{"lacks what was acknowledged", &jetstream.ClusterInfo{Leader: "a", LeaderSince: since(time.Hour), Replicas: hears(time.Second, time.Second)}, 0, 6, true},
		{"none leads", &jetstream.ClusterInfo{Replicas: hears(time.Second, time.Second)}, 0, 7, true},
	} {
		info := &jetstream.StreamInfo{Config: jetstream.StreamConfig{Replicas: 3}, Cluster: c.cluster, TimeStamp: now}
		if info.State.LastSeq = c.last; c.cluster == nil {
			info.Config.Replicas = 1
		}
		if err := log.Doubt(info, c.asked, 7); (err != nil) != c.old {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// TestStuck: a node that is there and comes no nearer is named.
func TestStuck(t *testing.T) {
	before := log.Copies{Entries: 100, Behind: []log.Behind{{Node: "a", Lag: 10}, {Node: "b", Lag: 10}, {Node: "c", Away: true}}}
	for _, c := range []struct {
		entries uint64
		now     []log.Behind
		want    string
	}{
		{100, nil, ""},
		{100, []log.Behind{{Node: "a", Lag: 9}}, ""},
		{100, []log.Behind{{Node: "a", Lag: 10}, {Node: "b", Lag: 10}}, "a b"},
		{130, []log.Behind{{Node: "a", Lag: 12}, {Node: "b", Lag: 40}}, "b"}, // a takes in nearly all that comes
		{100, []log.Behind{{Node: "a", Away: true}, {Node: "c", Lag: 40}}, ""},
		{100, []log.Behind{{Node: "d", Lag: 40}}, ""},
	} {
		if got := strings.Join(log.Copies{Entries: c.entries, Behind: c.now}.Stuck(before), " "); got != c.want {
			t.Errorf("%v: %q, want %q", c.now, got, c.want)
		}
	}
}

// TestLastOfALeaderThatIsNone: a leader that no longer hears from the others
// answers until it notices; what it says is not taken for the newest.
func TestLastOfALeaderThatIsNone(t *testing.T) {
	c := deploytest.StartAccounts(t, 1)
	dial := func(n *deploytest.Node) *log.JetStream {
		t.Helper()
		l, err := log.Dial(t.Context(), log.DialOptions{URL: n.URL, Replicas: 3, Conn: []nats.Option{nats.UserInfo("t0", "t")}})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = l.Close() })
		return l
	}
	any := dial(c.Nodes[0])
	first := logtest.Append(t, any, site, "c1", log.Position{})
	leader := leaderOf(t, any, c)
	l := dial(leader)
	if pos, err := l.Last(t.Context(), site); err != nil || pos != first {
		t.Fatalf("last: %v, %v", pos, err)
	}
	for _, n := range c.Nodes {
		if n != leader {
			n.Freeze()
			defer n.Thaw()
		}
	}
	time.Sleep(3500 * time.Millisecond) // nobody has been heard from for that long
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
	defer cancel()
	_, err := l.Last(ctx, site)
	if !errors.Is(err, log.ErrUnanswered) {
		t.Fatalf("the last entry, of a leader that two of three nodes no longer hear: %v", err)
	}
	t.Log(err)
	for _, n := range c.Nodes {
		n.Thaw()
	}
	deploytest.WaitFor(t, "a leader that is believed", time.Minute, func() error {
		pos, err := l.Last(t.Context(), site)
		if err == nil && pos != first {
			err = fmt.Errorf("last: %v", pos)
		}
		return err
	})
}

// TestNodeCutOffFromTheLeader: a client of a node that no longer reaches the
// log's leader, but answers, goes to another one.
func TestNodeCutOffFromTheLeader(t *testing.T) {
	c := deploytest.StartClusterWith(t, deploytest.Setup{Links: true})
	maker, err := log.Dial(t.Context(), log.DialOptions{URL: c.URLs(), Replicas: 3, Conn: c.Options(t, "dispatch")})
	if err != nil {
		t.Fatal(err)
	}
	defer maker.Close()
	first := logtest.Append(t, maker, site, "c1", log.Position{})
	leader := leaderOf(t, maker, c)
	far := c.Nodes[slices.IndexFunc(c.Nodes, func(n *deploytest.Node) bool { return n != leader })]
	l, err := log.Dial(t.Context(), log.DialOptions{URL: far.URL + "," + c.URLs(), MustExist: true, Conn: append(c.Options(t, "floor"), nats.DontRandomize())})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if at := l.Conn().ConnectedServerName(); at != far.Name {
		t.Fatalf("connected to %s, want %s", at, far.Name)
	}
	cut, heal := c.Between(leader, far)
	cut()
	defer heal()
	en := logtest.Entry(site, "c2", 1, first)
	deploytest.WaitFor(t, "an entry to be appended", time.Minute, func() error {
		_, err := l.Append(t.Context(), en, first.Seq)
		return err
	})
	// The other two may have elected one that this node does reach.
	if at, now := l.Conn().ConnectedServerName(), leaderOf(t, maker, c); at == far.Name && now == leader {
		t.Errorf("still connected to %s, which does not reach the log's leader", at)
	}
}

// leaderOf is the node that leads the log.
func leaderOf(t *testing.T, l *log.JetStream, c *deploytest.Cluster) (leader *deploytest.Node) {
	t.Helper()
	js, err := jetstream.New(l.Conn())
	if err != nil {
		t.Fatal(err)
	}
	deploytest.WaitFor(t, "a node that leads the log", time.Minute, func() error {
		s, err := js.Stream(t.Context(), log.StreamName)
		if err != nil {
			return err
		}
		at := slices.IndexFunc(c.Nodes, func(n *deploytest.Node) bool { return n.Name == s.CachedInfo().Cluster.Leader })
		if at < 0 {
			return fmt.Errorf("nobody leads: %+v", s.CachedInfo().Cluster)
		}
		leader = c.Nodes[at]
		return nil
	})
	return leader
}
