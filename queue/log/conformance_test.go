package log_test

import (
	"testing"

	"go.uber.org/zap/zaptest"

	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

func TestMem(t *testing.T) {
	logtest.Run(t, func(t *testing.T) logtest.Store {
		m := logtest.NewMem()
		return logtest.Store{
			Log: m, Reopen: func() log.Log { return m.Reopen() },
			Fill: func() { m.SetLimit(1) },
		}
	})
}

// open opens an embedded log that is closed with the test.
func open(t testing.TB, o log.Options) *log.Server {
	t.Helper()
	if o.Logger == nil {
		o.Logger = zaptest.NewLogger(t, zaptest.Level(zapLevel))
	}
	s, err := log.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return s
}

func TestEmbedded(t *testing.T) {
	embedded(t, func(s *log.Server) *log.Server { return s })
}

// TestEmbeddedFeed: followers that share a reader are served like others.
func TestEmbeddedFeed(t *testing.T) {
	embedded(t, func(s *log.Server) *log.Server {
		s.FeedAll()
		return s
	})
}

func embedded(t *testing.T, with func(*log.Server) *log.Server) {
	logtest.Run(t, func(t *testing.T) logtest.Store {
		o := log.Options{Dir: t.TempDir(), StoreLimitBytes: 16 << 20}
		s := with(open(t, o))
		return logtest.Store{
			Log: s,
			Reopen: func() log.Log {
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				return with(open(t, o))
			},
			Fill: func() { fillUp(t, s) },
		}
	})
}
