package floor_test

import (
	"context"
	"net/url"
	"testing"

	"github.com/chromedp/chromedp"

	"tickover/services/access"
	"tickover/services/access/provider/providertest"
)

// TestSignInPagesAreAccessible: axe-core finds nothing on the pages for signing
// in, accounts and pairing, in light and dark, on a desk and a phone.
func TestSignInPagesAreAccessible(t *testing.T) {
	t.Parallel()
	axe := axeCore(t)
	w, provider := withProvider(t)
	b := newBrowser(t, w)
	look := func(name string) {
		t.Helper()
		b.judge("access-"+name, axe)
	}
	b.Open("/board")
	look("sign-in")
	provider.Person(providertest.Claims{"sub": "248289761001", "email": "rowan.tarrant@post.example"}, nil)
	b.Click(`a[href^="/sign-in/provider"]`)
	b.See(`.refusal .facts`)
	look("stranger")
	b.Open("/sign-in?back=/board")
	b.Do(chromedp.Evaluate[chromedp.Void](`document.querySelector("[name=name]").value = "olive"; document.querySelector("[name=password]").value = "` + password + `"; document.querySelector("main form button").click()`))
	b.Until(`location.pathname == "/board" && document.readyState == "complete"`)
	b.Open("/account")
	look("account")
	b.Open("/accounts")
	look("accounts")
	b.Click(`form[action="/accounts/pair"] button`)
	b.See(`.pairing .qr`)
	look("pairing")
	b.Open("/pair?code=abc")
	look("pair")
}

// TestOutboxOutlivesTheSession: what a phone records after its session ended is
// kept, said so, and sent once somebody has signed in again. A wrong password
// and a wrong code leave it, and the kept pages, alone.
func TestOutboxOutlivesTheSession(t *testing.T) {
	t.Parallel()
	w := closedWorld(t)
	w.arrive("LM-1", "reflash")
	b := newBrowser(t, w)
	signIn := func() {
		t.Helper()
		b.Do(chromedp.Evaluate[chromedp.Void](`document.querySelector("[name=name]").value = "ines"; document.querySelector("[name=password]").value = "` + password + `"; document.querySelector("main form button").click()`))
	}
	b.Open("/units/LM-1/steps/check-in")
	signIn()
	b.Until(`location.pathname == "/units/LM-1/steps/check-in" && document.readyState == "complete"`)
	b.keepsPage("/units/LM-1/steps/check-in")
	sessions, err := w.desk.Sessions(context.Background(), "ines")
	if err != nil || len(sessions) != 1 {
		t.Fatal(sessions, err)
	}
	if err := w.desk.End(context.Background(), "ines", "ines", sessions[0].ID, access.Origin{}); err != nil {
		t.Fatal(err)
	}
	b.Click(`form[action="/do/start"] button`)
	b.Until(`!document.getElementById("signed-out").hidden`)
	b.Until(`!document.getElementById("outbox").hidden`)
	b.Shot("access-signed-out", 0)
	if st := w.step("LM-1", "check-in").Status.String(); st != "todo" && st != "open" {
		t.Errorf("recorded without a session: %s", st)
	}
	// Doors that stay shut change nothing on the phone.
	b.Open("/pair?code=of-somebody-else")
	b.Click(`form[action="/pair"] button`)
	b.See(`.refusal`)
	b.Open("/sign-in")
	b.Do(chromedp.Evaluate[chromedp.Void](`document.querySelector("[name=name]").value = "ines"; document.querySelector("[name=password]").value = "not hers"; document.querySelector("main form button").click()`))
	b.See(`.refusal`)
	b.keepsPage("/units/LM-1/steps/check-in")
	b.Open("/sign-in?" + url.Values{"back": {"/units/LM-1/steps/check-in"}}.Encode())
	signIn()
	b.Until(`location.pathname == "/units/LM-1/steps/check-in" && document.readyState == "complete"`)
	w.eventually(func() bool { return !w.step("LM-1", "check-in").Started.IsZero() })
	b.Until(`document.getElementById("outbox").hidden`)
	if got := w.lastActor("LM-1"); got != "ines" {
		t.Errorf("said by %s", got)
	}
	if st := w.step("LM-1", "check-in"); st.Technician != "ines" || st.Started.IsZero() {
		t.Errorf("not recorded after sign-in: %+v", st)
	}
}
