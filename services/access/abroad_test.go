package access_test

import (
	"errors"
	"slices"
	"testing"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/access/accesstest"
)

// TestAbroad: whoever is signed in at one site sees another one only if an open
// account of that one, of the same name, says so.
func TestAbroad(t *testing.T) {
	for name, open := range map[string]func(*testing.T, *accesstest.Clock) access.Sites{
		"memory": func(t *testing.T, c *accesstest.Clock) access.Sites {
			s := accesstest.Sites{}
			for _, site := range []queue.SiteID{"larkmoor", "highfell", "saltburn"} {
				s[site] = access.NewMem(c.Now)
			}
			return s
		},
		"JetStream": func(t *testing.T, c *accesstest.Clock) access.Sites { return openStore(t, t.TempDir(), c) },
	} {
		t.Run(name, func(t *testing.T) {
			c := accesstest.NewClock()
			in := open(t, c)
			desks := map[queue.SiteID]*desk{}
			for _, site := range []queue.SiteID{"larkmoor", "highfell", "saltburn"} {
				desks[site] = deskOn(t, in.Of(site), c)
				desks[site].add("olive", pass, access.Owner)
			}
			desks["highfell"].add("una", pass, access.Owner)
			far := desks["highfell"]
			seenFrom := func(sites ...queue.SiteID) {
				t.Helper()
				if err := far.Change(ctx, "una", "olive", access.Change{SeenFrom: &sites}); err != nil {
					t.Fatal(err)
				}
			}
			p, err := desks["larkmoor"].SignIn(ctx, "olive", pass, here)
			if err != nil {
				t.Fatal(err)
			}
			who, err := desks["larkmoor"].Who(ctx, p.Token)
			if err != nil {
				t.Fatal(err)
			}
			sees := func(what string, who *access.Who, want ...queue.SiteID) {
				t.Helper()
				if got, err := access.Abroad(ctx, in, "larkmoor", who); err != nil || !slices.Equal(got, want) {
					t.Errorf("%s: sees %v, %v; want %v", what, got, err, want)
				}
			}
			sees("an account of the same name is not enough", who)
			mine := []queue.SiteID{"highfell", "saltburn"}
			if err := desks["larkmoor"].Change(ctx, "olive", "olive", access.Change{SeenFrom: &mine}); err != nil {
				t.Fatal(err)
			}
			sees("what one's own site says of others", who)
			seenFrom("saltburn")
			sees("seen from elsewhere", who)
			seenFrom("saltburn", "larkmoor", "larkmoor")
			sees("seen from here", who, "highfell")
			sees("somebody else here", &access.Who{Account: "una", Session: who.Session, Roles: []access.Role{access.Owner}})
			sees("nobody", nil)
			sees("a bench", &access.Who{Account: "olive", Session: who.Session, Roles: []access.Role{access.Bench}})
			sees("a wildcard", &access.Who{Account: "*", Session: who.Session, Roles: []access.Role{access.Owner}})
			token, err := desks["larkmoor"].NewToken(ctx, "olive", access.Program, "olive", "")
			if err != nil {
				t.Fatal(err)
			}
			program, err := desks["larkmoor"].Bearer(ctx, access.Program, token)
			if err != nil {
				t.Fatal(err)
			}
			sees("a program", program)
			shut := true
			if err := far.Change(ctx, "una", "olive", access.Change{Shut: &shut}); err != nil {
				t.Fatal(err)
			}
			sees("shut there", who)
			shut = false
			if err := far.Change(ctx, "una", "olive", access.Change{Shut: &shut}); err != nil {
				t.Fatal(err)
			}
			sees("open there again", who, "highfell")
			seenFrom()
			sees("taken away", who)
		})
	}
}

func TestSeenFromIsChecked(t *testing.T) {
	d := newDesk(t)
	d.add("olive", pass, access.Owner)
	for what, a := range map[string]access.Account{
		"no site's name": {ID: "una", Roles: []access.Role{access.Reader}, SeenFrom: []queue.SiteID{"lark.moor"}},
		"any site":       {ID: "una", Roles: []access.Role{access.Reader}, SeenFrom: []queue.SiteID{"*"}},
		"a bench":        {ID: "una", Roles: []access.Role{access.Bench}, Bench: "b1", SeenFrom: []queue.SiteID{"larkmoor"}},
	} {
		var bad *access.InvalidError
		if err := d.Add(ctx, "olive", a, ""); !errors.As(err, &bad) || bad.Field != "seen_from" {
			t.Errorf("%s: %v", what, err)
		}
	}
}
