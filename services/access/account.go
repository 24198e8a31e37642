package access

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"tickover/queue"
	"tickover/queue/log"
)

// Role is what somebody does in the shop; an account may have several.
type Role uint8

// The roles.
const (
	Foreman    Role = iota + 1 // decides, overrides, pairs devices
	Technician                 // his own work
	Owner                      // figures, people, accounts, setup
	Counter                    // checks in, answers callers, calls owners
	Bench                      // a device: the screen of one bench
	Reader                     // reads boards and pages without contacts
)

var roleNames = []string{"foreman", "technician", "owner", "counter", "bench", "read-only"}

// AllRoles are the roles in the order of the tables.
func AllRoles() []Role { return []Role{Foreman, Technician, Owner, Counter, Bench, Reader} }

func (r Role) String() string {
	if r < 1 || int(r) > len(roleNames) {
		return fmt.Sprintf("Role(%d)", uint8(r))
	}
	return roleNames[r-1]
}

// MarshalText writes the role's name.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads the role's name.
func (r *Role) UnmarshalText(b []byte) error {
	i := slices.Index(roleNames, string(b))
	if i < 0 {
		return fmt.Errorf("there is no role %q; there are %s", b, strings.Join(roleNames, ", "))
	}
	*r = Role(i + 1)
	return nil
}

// Account is somebody, or a device, who may come in.
type Account struct {
	ID   string `json:"id"` // what is typed at sign-in
	Name string `json:"name"`
	// Person is who the account is in the shop's log; the id of the shop file for
	// a technician or foreman, else the account's own.
	Person queue.PersonID `json:"person"`
	Roles  []Role         `json:"roles"`
	// Bench is the one of a bench device.
	Bench queue.ResourceID `json:"bench,omitempty"`
	// Email is what an OpenID provider has to have verified.
	Email string `json:"email,omitempty"`
	// Subject is the provider's own name of the person, once he has come through
	// it: issuer, a blank, subject.
	Subject string `json:"subject,omitempty"`
	// SeenFrom are other sites of the deployment where the account of the same
	// name is the same person's: who is signed in there sees this site too. It
	// stands with this site's account, so that nobody else can say it.
	SeenFrom []queue.SiteID `json:"seen_from,omitempty"`
	Shut     bool           `json:"shut,omitempty"`
	Made     time.Time      `json:"made"`

	// What ended of its sessions, so that it stays ended while the store of
	// sessions is away: all that began before a moment but one, and single ones.
	EndedBefore time.Time `json:"ended_before,omitzero"`
	Spared      string    `json:"spared,omitempty"`
	Ended       []string  `json:"ended,omitempty"`

	// Password is the hash; empty: signs in by pairing or a provider only.
	Password string `json:"password,omitempty"`

	revision uint64
}

// Is reports whether the account has one of the roles.
func (a *Account) Is(roles ...Role) bool {
	return slices.ContainsFunc(a.Roles, func(r Role) bool { return slices.Contains(roles, r) })
}

// HasPassword reports whether it can sign in by one.
func (a *Account) HasPassword() bool { return a.Password != "" }

// InvalidError says what is wrong with an account's field.
type InvalidError struct{ Field, What, Do string }

func (e *InvalidError) Error() string { return e.Field + ": " + e.What }

// SeenFromText lists the sites from which the person sees this one.
func (a *Account) SeenFromText() string {
	names := make([]string, len(a.SeenFrom))
	for i, s := range a.SeenFrom {
		names[i] = string(s)
	}
	return strings.Join(names, ", ")
}

func wrong(field, what, do string) error { return &InvalidError{field, what, do} }

var idForm = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)

const (
	nameMax     = 80
	seenFromMax = 20 // sites
)

func (a *Account) check() error {
	a.ID, a.Name, a.Email = strings.ToLower(strings.TrimSpace(a.ID)), strings.TrimSpace(a.Name), strings.ToLower(strings.TrimSpace(a.Email))
	if a.Person == "" {
		a.Person = queue.PersonID(a.ID)
	}
	if a.Name == "" {
		a.Name = a.ID
	}
	for i := range a.Roles {
		if a.Roles[i] < Foreman || a.Roles[i] > Reader {
			return wrong("roles", "there is no such role", "Choose from the list.")
		}
	}
	slices.Sort(a.Roles)
	a.Roles = slices.Compact(a.Roles)
	slices.Sort(a.SeenFrom)
	a.SeenFrom = slices.Compact(a.SeenFrom)
	printable := func(s string, most int) bool {
		return utf8.ValidString(s) && utf8.RuneCountInString(s) <= most && !strings.ContainsFunc(s, unicode.IsControl)
	}
	bench := a.Is(Bench)
	switch {
	case !idForm.MatchString(a.ID):
		return wrong("id", "the name for signing in is not 1 to 40 of the characters a–z, 0–9 and -", "Take the person's first name, or the id that the shop file has.")
	case !printable(a.Name, nameMax):
		return wrong("name", "the name is too long or can't be printed", "Use at most 80 letters.")
	case !printable(string(a.Person), 64):
		return wrong("person", "the person's id is too long or can't be printed", "Use the id of the shop file.")
	case a.Email != "" && (!printable(a.Email, 200) || strings.Count(a.Email, "@") != 1):
		return wrong("email", "that is no e-mail address", "Correct it, or leave it out.")
	case len(a.Roles) == 0:
		return wrong("roles", "the account has no role", "Choose at least one.")
	case bench && len(a.Roles) > 1:
		return wrong("roles", "a bench device has no other role", "Make an account of its own for the bench.")
	case bench && a.Bench == "":
		return wrong("bench", "it is not said which bench the device belongs to", "Choose the bench.")
	case bench && len(a.SeenFrom) > 0:
		return wrong("seen_from", "a bench device is nobody, and sees no other site", "Leave the sites out.")
	case len(a.SeenFrom) > seenFromMax:
		return wrong("seen_from", "that are too many sites", "Name 20 at most.")
	case slices.ContainsFunc(a.SeenFrom, func(s queue.SiteID) bool { return log.CheckSite(s) != nil }):
		return wrong("seen_from", "that is no site's name", "Write each as it stands at the beginning of its address, with blanks between them.")
	case !bench && a.Bench != "":
		return wrong("bench", "only a bench device belongs to a bench", "Leave the bench out, or choose the role bench.")
	}
	return nil
}
