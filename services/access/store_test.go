package access_test

import (
	"context"
	"testing"

	"tickover/queue/log"
	"tickover/services/access"
	"tickover/services/access/accesstest"
)

func TestMem(t *testing.T) {
	accesstest.Run(t, func(t *testing.T) accesstest.Store {
		c := accesstest.NewClock()
		return accesstest.Store{Store: access.NewMem(c.Now), Pass: c.Pass}
	})
}

// TestJetStream runs the suite on a real embedded server.
func TestJetStream(t *testing.T) {
	accesstest.Run(t, func(t *testing.T) accesstest.Store {
		c := accesstest.NewClock()
		return accesstest.Store{Store: openStore(t, t.TempDir(), c), Pass: c.Pass}
	})
}

func openStore(t *testing.T, dir string, c *accesstest.Clock) *access.JetStream {
	t.Helper()
	srv, err := log.Open(context.Background(), log.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	nc, err := srv.Connect()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	s, err := access.OpenJetStream(context.Background(), nc, "larkmoor", 0, c.Now)
	if err != nil {
		t.Fatal(err)
	}
	return s
}
