package log_test

import (
	"fmt"
	"sync/atomic"
	"testing"

	"github.com/nats-io/nats.go"

	"tickover/deploy/deploytest"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

// TestCluster: the suite on three nodes, three replicas, an account for each
// of its tests.
func TestCluster(t *testing.T) {
	const accounts = 20
	c := deploytest.StartAccounts(t, accounts)
	var next atomic.Int32
	logtest.Run(t, func(t *testing.T) logtest.Store {
		n := int(next.Add(1)) - 1
		if n >= accounts {
			t.Fatalf("the suite has more than %d tests", accounts)
		}
		dial := func() *log.JetStream {
			l, err := log.Dial(t.Context(), log.DialOptions{URL: c.URLs(), Replicas: 3, Conn: []nats.Option{nats.UserInfo(fmt.Sprintf("t%d", n), "t")}})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = l.Close() })
			return l
		}
		l := dial()
		return logtest.Store{Log: l, Reopen: func() log.Log { _ = l.Close(); return dial() }, Fill: func() { fillUp(t, l) }}
	})
}
