package redisaccess_test

import (
	"errors"
	"testing"
	"time"

	"tickover/deploy/deploytest"
	"tickover/queue/view/redisview"
	"tickover/services/access"
	"tickover/services/access/accesstest"
	"tickover/services/access/redisaccess"
)

func TestRedis(t *testing.T) {
	r := deploytest.StartRedis(t)
	open := func(t *testing.T) access.Store {
		r.Flush(t)
		c, err := redisview.Dial(r.URL(), nil)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		return redisaccess.New(c, "larkmoor")
	}
	accesstest.Run(t, func(t *testing.T) accesstest.Store {
		return accesstest.Store{Store: open(t), Pass: time.Sleep, Unit: 50 * time.Millisecond}
	})

	t.Run("split", func(t *testing.T) {
		accesstest.Run(t, func(t *testing.T) accesstest.Store {
			// The suite's other keys are in the store that lasts.
			return accesstest.Store{Store: access.Split{Lasting: open(t), Passing: open(t)}, Pass: time.Sleep, Unit: 50 * time.Millisecond}
		})
	})

	t.Run("flushed", func(t *testing.T) {
		lasting := access.NewMem(time.Now)
		s := access.Split{Lasting: lasting, Passing: open(t)}
		for _, key := range []string{"account.ruth", "token.ruth.1", "session.ruth.1", "tries.address.x"} {
			if err := s.Set(t.Context(), key, []byte("x"), 0, time.Hour); err != nil {
				t.Fatal(err)
			}
		}
		old, err := s.Get(t.Context(), "session.ruth.1")
		if err != nil {
			t.Fatal(err)
		}
		r.Flush(t)
		for key, want := range map[string]error{"account.ruth": nil, "token.ruth.1": nil, "session.ruth.1": access.ErrNone, "tries.address.x": access.ErrNone} {
			if _, err := s.Get(t.Context(), key); !errors.Is(err, want) {
				t.Errorf("%s after a flush: %v, want %v", key, err, want)
			}
		}
		// A change that was on its way does not bring the session back.
		if err := s.Set(t.Context(), "session.ruth.1", []byte("ghost"), old.Revision, time.Hour); !errors.Is(err, access.ErrChanged) {
			t.Errorf("change of what was flushed: %v, want ErrChanged", err)
		}
		if err := s.Set(t.Context(), "session.ruth.1", []byte("new"), 0, time.Hour); err != nil {
			t.Fatal(err)
		}
		if now, err := s.Get(t.Context(), "session.ruth.1"); err != nil || now.Revision == old.Revision {
			t.Errorf("a revision is used again after a flush: %+v, %v", now, err)
		}
	})
}
