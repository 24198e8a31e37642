package pages

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/floor/answer"
	"tickover/services/floor/gate"
	"tickover/services/floor/locale"
)

const bookShown = 60 // lines

// accountPage is about oneself.
type accountPage struct {
	*Base
	Account  *access.Account
	Sessions []access.Session
	Link     string // a calendar's, just made
	Links    int    // that there are
	Problem  *answer.Problem
}

func (p *Pages) accountPage(w http.ResponseWriter, r *http.Request) {
	p.showAccount(w, r, nil, "")
}

// accountBase is the base of a page about accounts; nil: it has been answered.
func (p *Pages) accountBase(w http.ResponseWriter, r *http.Request) *Base {
	b := p.ready(w, r)
	if b == nil {
		return nil
	}
	if p.desk() == nil || b.Who == nil { // an open shop has no accounts
		http.Redirect(w, r, "/me", http.StatusSeeOther)
		return nil
	}
	b.Section = "account"
	return b
}

// accountForm is the base of a form about accounts; nil: it has been answered.
func (p *Pages) accountForm(w http.ResponseWriter, r *http.Request) *Base {
	if !p.form(w, r) {
		return nil
	}
	return p.accountBase(w, r)
}

func (p *Pages) showAccount(w http.ResponseWriter, r *http.Request, pr *answer.Problem, link string) {
	b := p.accountBase(w, r)
	if b == nil {
		return
	}
	b.Title, b.Said, b.Here = b.T("Your account"), takeSaid(w, r), "/account"
	page := accountPage{Base: b, Link: link}
	var err error
	ctx := r.Context()
	if page.Account, err = p.desk().Account(ctx, b.Who.Account); err == nil {
		page.Sessions, err = p.desk().Sessions(ctx, b.Who.Account)
	}
	if err == nil {
		var links []access.Token
		links, err = p.desk().Tokens(ctx, access.Calendar, b.Who.Account)
		page.Links = len(links)
	}
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	status := http.StatusOK
	if pr != nil {
		page.Problem, status = pr.In(b.Locale), pr.Status
	}
	p.render(w, status, "account", page)
}

func (p *Pages) changePassword(w http.ResponseWriter, r *http.Request) {
	b := p.accountForm(w, r)
	if b == nil {
		return
	}
	if err := p.desk().NewPassword(r.Context(), b.Who, r.PostFormValue("old"), r.PostFormValue("password"), gate.OriginOf(r)); err != nil {
		p.showAccount(w, r, p.doorProblem(w, err), "")
		return
	}
	say(w, b.T("The password is changed. All your other devices are signed out."))
	http.Redirect(w, r, "/account", http.StatusSeeOther)
}

func (p *Pages) endSessions(w http.ResponseWriter, r *http.Request) {
	b := p.accountForm(w, r)
	if b == nil {
		return
	}
	var err error
	if id := r.PostFormValue("session"); id != "" {
		err = p.desk().End(r.Context(), b.Who.Account, b.Who.Account, id, gate.OriginOf(r))
	} else {
		err = p.desk().EndAll(r.Context(), b.Who.Account, b.Who.Session)
	}
	if err != nil {
		p.showAccount(w, r, p.doorProblem(w, err), "")
		return
	}
	say(w, b.T("Signed out there."))
	http.Redirect(w, r, "/account", http.StatusSeeOther)
}

// calendarLink makes the one link of somebody's calendar; an older one ends.
func (p *Pages) calendarLink(w http.ResponseWriter, r *http.Request) {
	b := p.accountForm(w, r)
	if b == nil {
		return
	}
	ctx, who := r.Context(), b.Who
	old, err := p.desk().Tokens(ctx, access.Calendar, who.Account)
	for _, t := range old {
		if err == nil {
			err = p.desk().Revoke(ctx, who.Account, access.Calendar, who.Account, t.ID)
		}
	}
	if r.PostFormValue("do") == "end" && err == nil {
		say(w, b.T("The link is dead."))
		http.Redirect(w, r, "/account", http.StatusSeeOther)
		return
	}
	var token string
	if err == nil {
		token, err = p.desk().NewToken(ctx, who.Account, access.Calendar, who.Account, "")
	}
	if err != nil {
		p.showAccount(w, r, p.doorProblem(w, err), "")
		return
	}
	p.showAccount(w, r, nil, addressOf(r, "/technicians/"+url.PathEscape(string(who.Person))+"/day.ics?"+url.Values{gate.LinkParam: {token}}.Encode()))
}

// accountsPage is the owner's list of who may come in.
type accountsPage struct {
	*Base
	Accounts []accountRow
	Book     []access.Entry
	Problem  *answer.Problem
	Form     url.Values // that was refused
	For      string     // whose form; empty: a new account's
	// A pairing code that was just made.
	QR      Code
	PairFor *access.Account
	Address string
	Until   time.Time
	// Far reports that the address leads to this machine from elsewhere too.
	Far bool
}

type accountRow struct {
	*access.Account
	Sessions []access.Session
	Known    bool // the shop file has the person
}

// Role is a role with its name for people.
type roleName struct {
	Role access.Role
	Name string
}

func (p *Pages) accountsPage(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	if b.Open {
		b.Title, b.Section = b.T("Accounts"), "account"
		p.render(w, http.StatusOK, "accounts-open", struct {
			*Base
			Possible bool
		}{b, p.desk() != nil})
		return
	}
	p.showAccounts(w, r, &accountsPage{}, nil)
}

func (p *Pages) showAccounts(w http.ResponseWriter, r *http.Request, page *accountsPage, err error) {
	b := p.accountBase(w, r)
	if b == nil {
		return
	}
	b.Title, b.Here = b.T("Accounts"), "/accounts"
	status := http.StatusOK
	if err != nil {
		pr := p.doorProblem(w, err)
		page.Problem, status = pr.In(b.Locale), pr.Status
	} else {
		b.Said = takeSaid(w, r)
	}
	page.Base = b
	if err := page.fill(r.Context(), p.desk()); err != nil {
		p.fail(w, r, b, err)
		return
	}
	p.render(w, status, "accounts", page)
}

func (page *accountsPage) fill(ctx context.Context, d *access.Desk) error {
	all, err := d.Accounts(ctx)
	if err != nil {
		return err
	}
	for _, a := range all {
		row := accountRow{Account: a, Known: known(page.Shop, a.Person)}
		if page.Owner() {
			if row.Sessions, err = d.Sessions(ctx, a.ID); err != nil {
				return err
			}
		}
		page.Accounts = append(page.Accounts, row)
	}
	if page.Owner() {
		page.Book, err = d.Book(ctx, bookShown)
	}
	return err
}

// Owner reports whether who asks may change accounts.
func (page *accountsPage) Owner() bool { return page.Who.Is(access.Owner) }

// MayPair reports whether who asks may pair a device for the account.
func (page *accountsPage) MayPair(a accountRow) bool {
	return !a.Shut && (page.Owner() || !a.Is(access.Owner))
}

// RoleNames are the roles as people call them.
func (b *Base) RoleNames() []roleName {
	var out []roleName
	for _, r := range access.AllRoles() {
		out = append(out, roleName{r, b.RoleName(r)})
	}
	return out
}

// RoleName is a role as people call it.
func (b *Base) RoleName(r access.Role) string {
	switch r {
	case access.Foreman:
		return b.C("role", "foreman")
	case access.Technician:
		return b.C("role", "technician")
	case access.Owner:
		return b.C("role", "owner")
	case access.Counter:
		return b.C("role", "counter")
	case access.Bench:
		return b.C("role", "bench screen")
	}
	return b.C("role", "read-only")
}

// RolesText lists roles.
func (b *Base) RolesText(roles []access.Role) string {
	names := make([]string, len(roles))
	for i, r := range roles {
		names[i] = b.RoleName(r)
	}
	return strings.Join(names, ", ")
}

// bookWords are what the book tells of, for the language files.
var bookWords = []string{
	locale.Mark("signed in"), locale.Mark("sign-in failed"), locale.Mark("signed out"), locale.Mark("too many attempts"),
	locale.Mark("password changed"), locale.Mark("account added"), locale.Mark("account changed"), locale.Mark("pairing code made"),
	locale.Mark("device paired"), locale.Mark("pairing failed"), locale.Mark("token made"), locale.Mark("token revoked"),
	locale.Mark("interlock let pass"), locale.Mark("not allowed"),
}

// BookWhat is what a line of the book tells of.
func (b *Base) BookWhat(w access.What) string {
	if !slices.Contains(bookWords, string(w)) {
		return string(w)
	}
	return b.Word(string(w))
}

// How is how a session began.
func (b *Base) How(s access.Session) string {
	switch s.How {
	case "pairing":
		return b.T("paired")
	case "provider":
		return b.T("signed in through the provider")
	}
	return b.T("signed in with a password")
}

// Typed is what was typed into a form that was refused.
func (page *accountsPage) Typed(account, field, otherwise string) string {
	if page.Form == nil || page.For != account {
		return otherwise
	}
	return page.Form.Get(field)
}

// Checked reports whether a role is chosen in a form.
func (page *accountsPage) Checked(a accountRow, r access.Role) bool {
	if page.Form != nil && page.For == a.ID {
		return slices.Contains(page.Form["role"], r.String())
	}
	return a.Is(r)
}

// Chosen reports whether a role is chosen in the refused form of a new account.
func (page *accountsPage) Chosen(r access.Role) bool {
	return page.Form != nil && page.For == "" && slices.Contains(page.Form["role"], r.String())
}

// Benches are what a bench screen may belong to.
func (b *Base) Benches() []queue.Resource {
	return slices.DeleteFunc(slices.Clone(b.Shop.Resources), func(r queue.Resource) bool {
		return r.Kind != queue.Bench && r.Kind != queue.Pad && r.Kind != queue.Loop
	})
}

func rolesOf(f url.Values) ([]access.Role, error) {
	var out []access.Role
	for _, text := range f["role"] {
		var r access.Role
		if err := r.UnmarshalText([]byte(text)); err != nil {
			return nil, answer.Malformed("role", nil, "there is no such role", "Load the page again.")
		}
		out = append(out, r)
	}
	return out, nil
}

// sitesOf reads the names of sites as people write them one after the other.
func sitesOf(text string) []queue.SiteID {
	var out []queue.SiteID
	for _, name := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return r == ',' || r == ';' || unicode.IsSpace(r) }) {
		out = append(out, queue.SiteID(name))
	}
	return out
}

func (p *Pages) addAccount(w http.ResponseWriter, r *http.Request) {
	b := p.accountForm(w, r)
	if b == nil {
		return
	}
	f := r.PostForm
	roles, err := rolesOf(f)
	a := access.Account{ID: f.Get("id"), Name: f.Get("name"), Roles: roles, Email: f.Get("email")}
	if slices.Contains(roles, access.Bench) {
		a.Bench = queue.ResourceID(f.Get("bench"))
		if a.Bench != "" && b.Shop.Resource(a.Bench) == nil {
			err = answer.Malformed("bench", nil, "the shop has no such bench", "Choose from the list.")
		}
	}
	if err == nil {
		err = p.desk().Add(r.Context(), b.Who.Account, a, f.Get("password"))
	}
	if err != nil {
		f.Del("password")
		p.showAccounts(w, r, &accountsPage{Form: f}, err)
		return
	}
	say(w, b.T("The account is made."))
	http.Redirect(w, r, "/accounts", http.StatusSeeOther)
}

func (p *Pages) changeAccount(w http.ResponseWriter, r *http.Request) {
	b := p.accountForm(w, r)
	if b == nil {
		return
	}
	f, id := r.PostForm, r.PathValue("id")
	var c access.Change
	var err error
	switch f.Get("do") {
	case "password":
		password := f.Get("password")
		c.Password = &password
	case "shut", "open":
		shut := f.Get("do") == "shut"
		c.Shut = &shut
	default:
		name, email := f.Get("name"), f.Get("email")
		c.Name, c.Email = &name, &email
		if c.Roles, err = rolesOf(f); err == nil && c.Roles == nil {
			c.Roles = []access.Role{}
		}
		if f.Has("seen_from") {
			sites := sitesOf(f.Get("seen_from"))
			c.SeenFrom = &sites
		}
	}
	if err == nil {
		err = p.desk().Change(r.Context(), b.Who.Account, id, c)
	}
	if err != nil {
		f.Del("password")
		p.showAccounts(w, r, &accountsPage{Form: f, For: id}, err)
		return
	}
	say(w, b.T("The account is changed."))
	http.Redirect(w, r, "/accounts", http.StatusSeeOther)
}

// endAccount signs an account out everywhere.
func (p *Pages) endAccount(w http.ResponseWriter, r *http.Request) {
	b := p.accountForm(w, r)
	if b == nil {
		return
	}
	but := ""
	if r.PathValue("id") == b.Who.Account {
		but = b.Who.Session
	}
	a, err := p.desk().Account(r.Context(), r.PathValue("id"))
	if err == nil {
		err = p.desk().EndAll(r.Context(), a.ID, but)
	}
	if err != nil {
		p.showAccounts(w, r, &accountsPage{}, err)
		return
	}
	p.desk().Note(r.Context(), access.Entry{What: access.SignedOut, Account: a.ID, By: b.Who.Account, From: gate.Address(r)})
	say(w, b.T("%s is signed out on all devices.", a.Name))
	http.Redirect(w, r, "/accounts", http.StatusSeeOther)
}

// pairCode shows a code that signs one device in.
func (p *Pages) pairCode(w http.ResponseWriter, r *http.Request) {
	b := p.accountForm(w, r)
	if b == nil {
		return
	}
	page := &accountsPage{}
	code, until, err := p.desk().NewCode(r.Context(), b.Who, r.PostFormValue("account"))
	if err == nil {
		page.PairFor, err = p.desk().Account(r.Context(), r.PostFormValue("account"))
	} else if err == access.ErrWrong {
		err = answer.New(http.StatusForbidden, gate.CodeRole, "a device for this account is not yours to pair", "Let an owner do it.")
	}
	if err == nil {
		page.Until, page.Address = until.In(b.Loc), addressOf(r, "/pair?"+url.Values{"code": {code}}.Encode())
		page.Far = !gate.NamesThisMachine(r.Host)
		page.QR, err = qrOf(page.Address)
	}
	p.showAccounts(w, r, page, err)
}
