package access_test

import (
	"context"
	"crypto/rand"
	"errors"
	"strings"
	"testing"
	"time"

	"tickover/services/access"
)

// FuzzSecrets: whatever comes as a cookie, a token, a calendar's link, a pairing
// code or a name, nobody is let in who was not given it, and the store's keys
// stay those of their kind.
func FuzzSecrets(f *testing.F) {
	at := time.Date(2026, 2, 17, 12, 0, 0, 0, time.UTC)
	now := func() time.Time { return at }
	ctx := context.Background()
	for _, s := range []string{"olive." + strings.Repeat("a", 43), "tickover_olive." + strings.Repeat("a", 43), "olive.>", "*.x", "", "olive", "..", "session.olive.x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		// A shop of its own for each: it counts what was tried.
		d, err := access.New(access.Options{Store: access.NewMem(now), Now: now, Random: rand.Reader, Hash: access.Hash{MemoryKiB: 64, Passes: 1, Lanes: 1}, Limits: access.Limits{Pair: 100, Address: 100, Account: 100}})
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Add(ctx, "test", access.Account{ID: "olive", Roles: []access.Role{access.Owner}}, "quiet heron under glass"); err != nil {
			t.Fatal(err)
		}
		pass, err := d.SignIn(ctx, "olive", "quiet heron under glass", access.Origin{})
		if err != nil {
			t.Fatal(err)
		}
		code, _, err := d.NewCode(ctx, &access.Who{Account: "olive", Roles: []access.Role{access.Owner}}, "olive")
		if err != nil {
			t.Fatal(err)
		}
		if s == pass.Token || s == code {
			return
		}
		if w, err := d.Who(ctx, s); !errors.Is(err, access.ErrSignedOut) || w != nil {
			t.Errorf("cookie: %v, %v", w, err)
		}
		for _, k := range []access.Kind{access.Program, access.Calendar} {
			if w, err := d.Bearer(ctx, k, s); !errors.Is(err, access.ErrSignedOut) || w != nil {
				t.Errorf("token: %v, %v", w, err)
			}
		}
		if p, err := d.Redeem(ctx, s, access.Origin{Address: s}); !errors.Is(err, access.ErrCode) || p != nil {
			t.Errorf("code: %v, %v", p, err)
		}
		if p, err := d.SignIn(ctx, s, s, access.Origin{Address: s}); !errors.Is(err, access.ErrWrong) || p != nil {
			t.Errorf("name: %v, %v", p, err)
		}
		if err := d.End(ctx, "x", "olive", s, access.Origin{}); err != nil && !errors.Is(err, access.ErrUnknown) {
			t.Errorf("session's id: %v", err)
		}
		if p, err := d.SignInAs(ctx, access.Identity{Issuer: "https://id.example", Subject: s, Email: s, Verified: true}, access.Origin{}); !errors.Is(err, access.ErrStranger) || p != nil {
			t.Errorf("provider: %v, %v", p, err)
		}
	})
}
