package redisaccess_test

import (
	"crypto/rand"
	"errors"
	"testing"
	"time"

	"tickover/deploy/deploytest"
	"tickover/queue/view/redisview"
	"tickover/services/access"
	"tickover/services/access/accesstest"
	"tickover/services/access/redisaccess"
)

// TestRedisAway: who is signed in goes on while Redis is stopped, signing in
// and the throttle go on too, what is ended meanwhile or was before stays ended,
// and when Redis is back with nothing in it, nobody has to sign in again.
func TestRedisAway(t *testing.T) {
	r := deploytest.StartRedis(t)
	lasting := access.NewMem(time.Now)
	replica := func() *access.Desk {
		c, err := redisview.Dial(r.URL(), nil)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		d, err := access.New(access.Options{
			Store: access.Split{Lasting: lasting, Passing: access.NewRecent(redisaccess.New(c, "larkmoor"), time.Now)},
			Now:   time.Now, Random: rand.Reader, Hash: access.Hash{MemoryKiB: 64, Passes: 1, Lanes: 1}, Limits: access.Limits{Pair: 3},
		})
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	one, two := replica(), replica()
	ctx, from := t.Context(), access.Origin{Address: "192.0.2.7"}
	const secret = "quiet heron under glass"
	for _, a := range []access.Account{{ID: "olive", Roles: []access.Role{access.Owner}}, {ID: "ines", Roles: []access.Role{access.Technician}}, {ID: "tomas", Roles: []access.Role{access.Technician}}} {
		if err := one.Add(ctx, "test", a, secret); err != nil {
			t.Fatal(err)
		}
	}
	in := func(d *access.Desk, id string) *access.Pass {
		t.Helper()
		p, err := d.SignIn(ctx, id, secret, from)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	is := func(what string, d *access.Desk, p *access.Pass, want bool) {
		t.Helper()
		if w, err := d.Who(ctx, p.Token); (err == nil) != want || want && w.Account != p.Account.ID || !want && !errors.Is(err, access.ErrSignedOut) {
			t.Errorf("%s: %v, %v", what, w, err)
		}
	}
	ines, tomas, gone, olive := in(one, "ines"), in(one, "tomas"), in(one, "ines"), in(one, "olive")
	for _, p := range []*access.Pass{ines, tomas, gone, olive} {
		is("another replica", two, p, true)
	}
	if err := two.End(ctx, "ines", "ines", gone.Session.ID, from); err != nil {
		t.Fatal(err)
	}

	r.Kill()
	is("signed in, Redis away", one, ines, true)
	is("signed in, Redis away, another replica that has seen it", two, ines, true)
	is("ended before by another replica", one, gone, false)
	late := in(two, "tomas") // signing in goes on, at this replica
	is("signed in meanwhile", two, late, true)
	if _, err := one.Who(ctx, late.Token); err == nil || errors.Is(err, access.ErrSignedOut) {
		t.Errorf("a replica that has not seen it says %v, and can't know", err)
	}
	// The throttle counts on, for each replica by itself.
	var slow *access.ThrottledError
	for range 3 {
		if _, err := one.SignIn(ctx, "olive", "wrong", from); !errors.Is(err, access.ErrWrong) {
			t.Fatalf("a wrong password, Redis away: %v", err)
		}
	}
	if _, err := one.SignIn(ctx, "olive", "wrong", from); !errors.As(err, &slow) {
		t.Errorf("guessing goes on while Redis is away: %v", err)
	}
	// Ending a session works at once and everywhere, and so does shutting an account.
	if err := two.End(ctx, "olive", "ines", ines.Session.ID, from); err != nil {
		t.Fatal(err)
	}
	is("ended meanwhile by another replica", one, ines, false)
	shut := true
	if err := two.Change(ctx, "olive", "tomas", access.Change{Shut: &shut}); err != nil {
		t.Fatal(err)
	}
	is("shut meanwhile", one, tomas, false)
	if err := one.Use(ctx, "a state", time.Minute, from); err != nil {
		t.Errorf("used once: %v", err)
	}
	if err := one.Use(ctx, "a state", time.Minute, from); !errors.Is(err, access.ErrCode) {
		t.Errorf("used twice: %v", err)
	}

	r.Start(t) // empty: it keeps nothing
	deploytest.WaitFor(t, "the replicas to find Redis", time.Minute, func() error {
		for _, d := range []*access.Desk{one, two} {
			if _, err := d.Who(ctx, olive.Token); err != nil {
				return err
			}
		}
		_, err := one.SignIn(ctx, "olive", secret, access.Origin{Address: "192.0.2.9"})
		return err
	})
	shut = false
	if err := two.Change(ctx, "olive", "tomas", access.Change{Shut: &shut}); err != nil {
		t.Fatal(err)
	}
	time.Sleep(2100 * time.Millisecond) // both ask Redis again
	is("still signed in", one, olive, true)
	for what, p := range map[string]*access.Pass{"ended before": gone, "ended meanwhile": ines, "of an account that was shut": tomas, "begun meanwhile, of an account that was shut": late} {
		is(what, one, p, false)
		is(what, two, p, false)
	}
	// A replica that has never seen her finds her in Redis again.
	is("given back", replica(), olive, true)
}

func TestRecentIsAStore(t *testing.T) {
	c := accesstest.NewClock()
	accesstest.Run(t, func(*testing.T) accesstest.Store {
		return accesstest.Store{Store: access.NewRecent(access.NewMem(c.Now), c.Now), Pass: c.Pass}
	})
}
