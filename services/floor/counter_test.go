package floor_test

import (
	"bytes"
	"context"
	"encoding/json"
	"image"
	"image/png"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/oned"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"tickover/queue"
	"tickover/services/contacts"
	"tickover/services/floor/live"
)

// withPeople gives the world a store of people on a real server.
func (w *world) withPeople() {
	w.t.Helper()
	srv, err := server.NewServer(&server.Options{DontListen: true, JetStream: true, StoreDir: w.t.TempDir(), NoSigs: true})
	if err != nil {
		w.t.Fatal(err)
	}
	srv.Start()
	if !srv.ReadyForConnections(30 * time.Second) {
		w.t.Fatal("server not ready")
	}
	nc, err := nats.Connect("", nats.InProcessServer(srv))
	if err != nil {
		w.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	w.people, err = contacts.Open(ctx, nc, w.l.View().Site, 0, w.clock.now)
	if err != nil {
		w.t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- w.people.Run(ctx) }()
	w.t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			w.t.Error(err)
		}
		nc.Close()
		srv.Shutdown()
		srv.WaitForShutdown()
	})
	w.serve(live.Bounds{})
}

func (w *world) checkIn(more url.Values) {
	w.t.Helper()
	f := url.Values{
		"command_id": {w.id()}, "actor": {"ruth"}, "back": {"/check-in"}, "unit": {"LM-7"}, "frame": {"KB25-26-00417"}, "make": {"Kestrow"}, "model": {"Brae 250"},
		"year": {"2026"}, "family": {"kr5"}, "fitment": {"standard"}, "plate": {"LM 26 TRA"}, "ownership": {"customer"}, "route": {"reflash"}, "promise": {"2026-02-18T16:30"}, "weight": {"5"},
	}
	// These worlds give all their machines one frame number.
	for _, u := range w.l.View().OpenUnits() {
		if u.Machine.Frame == f.Get("frame") {
			f.Set("beside", string(u.ID))
		}
	}
	for k, v := range more {
		f[k] = v
	}
	resp, err := w.client.PostForm(w.server.URL+"/do/receive", f)
	if err != nil {
		w.t.Fatal(err)
	}
	resp.Body.Close()
}

// TestCallerIsAnswered: a unit is found by whatever a caller can say, and the
// page has a sentence to answer with.
func TestCallerIsAnswered(t *testing.T) {
	w := newWorld(t)
	w.withPeople()
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}, "phone": {"01632 960 147"}})
	for _, q := range []string{"LM-7", "morwenna", "tresk m", "960147", "lm 26 tra", "KB25-26-00417", "brae"} {
		body := w.body("/counter?q="+url.QueryEscape(q), http.StatusOK)
		for _, part := range []string{"LM-7", "Morwenna Tresk", "By the plan it is ready", "promised for tomorrow 16:30", "revision 3", "ready by its promise", "four times in five"} {
			if !strings.Contains(body, part) {
				t.Errorf("%q: the answer lacks %q", q, part)
			}
		}
	}
	if body := w.body("/counter?q=nobody+at+all", http.StatusOK); !strings.Contains(body, "Nothing matches") {
		t.Error("an unknown caller is not told of")
	}
	yes := true
	w.do("ruth", &queue.AmendUnit{Unit: "LM-7", Change: queue.UnitAmended{Held: &yes}})
	if body := w.body("/counter?q=LM-7", http.StatusOK); !strings.Contains(body, "held back by the foreman") {
		t.Error("a unit held back is promised")
	}
}

// TestCallersAskForCalibrations: the current one, none and why, none needed,
// for another fitment only.
func TestCallersAskForCalibrations(t *testing.T) {
	w := newWorld(t)
	for query, want := range map[string][]string{
		"make=Kestrow&model=Brae+250&year=2026":                              {"kb250-std", "revision 3", "Starts better in the cold", "For another fitment or variant:", "open exhaust: kb250-open"},
		"make=kestrow&model=brae+250&year=2021":                              {"kb250-old", "revision 5"},
		"make=Kestrow&model=Brae+250&year=2026&fitment=open+exhaust":         {"kb250-open"},
		"make=Varlund&model=Holt+350&year=2023":                              {"needs no calibration", "Tell the customer: this machine needs none. It left the works"},
		"make=Varlund&model=Skarn+450&year=2026":                             {"no calibration is listed", "there is one for closed-course exhaust only"},
		"make=Fellrigg&model=Tarn+300&year=2025":                             {"the catalogue has no machine of the make Fellrigg", "tell the customer that you will find out"},
		"make=Kestrow&model=Tarn+300&year=2025":                              {"no calibration is listed", "none has been published for this machine"},
		"make=Kestrow&model=Brae+250&year=2012":                              {"no calibration is listed", "none has been published for this year, only for 2019–2026"},
		"make=Kestrow&model=Brae+250&year=2026&family=xx&fitment=open+pipes": {"no calibration is listed", "There is one for the family kr5 only"},
	} {
		body := strings.ToLower(w.body("/counter?"+query, http.StatusOK))
		for _, part := range want {
			if !strings.Contains(body, strings.ToLower(part)) {
				t.Errorf("%s: the answer lacks %q", query, part)
			}
		}
	}
	for _, bad := range []string{"make=Kestrow&model=Brae+250&year=20x6", "make=Kestrow&model=Brae+250&year=", "make=K&model=B&year=99999999999999999999"} {
		if body := w.body("/counter?"+bad, http.StatusUnprocessableEntity); !strings.Contains(body, "is no model year") {
			t.Errorf("%s: not refused with a reason", bad)
		}
	}
}

// TestPeopleStayOutOfTheLog: nothing of a person is in any entry; erased, the
// unit's history is whole and the name is nowhere.
func TestPeopleStayOutOfTheLog(t *testing.T) {
	w := newWorld(t)
	w.withPeople()
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}, "phone": {"01632 960 147"}, "email": {"mt@example.org"}})
	u := w.l.View().Units["LM-7"]
	if u == nil || u.Contact == "" {
		t.Fatalf("unit %+v", u)
	}
	before := w.body("/units/LM-7", http.StatusOK)
	if !strings.Contains(before, "Morwenna Tresk") {
		t.Error("the unit's page does not say whose it is")
	}
	err := w.log.Read(t.Context(), w.l.View().Site, 0, func(e *queue.Entry) error {
		b, err := json.Marshal(e.Events)
		for _, secret := range []string{"Morwenna", "960", "example.org"} {
			if bytes.Contains(b, []byte(secret)) {
				t.Errorf("entry %d has %q", e.Seq, secret)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	person := "/people/" + string(u.Contact)
	if body := w.body(person+"/export", http.StatusOK); !strings.Contains(body, `"name": "Morwenna Tresk"`) {
		t.Errorf("export: %s", body)
	}
	post := func(f url.Values) int {
		resp, err := w.client.PostForm(w.server.URL+person, f)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		return resp.StatusCode
	}
	if got := post(url.Values{"do": {"erase"}}); got != http.StatusUnprocessableEntity {
		t.Errorf("erased without being sure: %d", got)
	}
	if got := post(url.Values{"do": {"erase"}, "sure": {"yes"}}); got != http.StatusOK {
		t.Errorf("erase: %d", got)
	}
	w.body(person, http.StatusNotFound)
	after := w.body("/units/LM-7", http.StatusOK)
	if strings.Contains(after, "Morwenna") {
		t.Error("the erased name is still on the unit's page")
	}
	if !strings.Contains(after, "Arrived: Kestrow Brae 250 2026") || w.l.View().Units["LM-7"].Contact != u.Contact {
		t.Error("the technical history is not whole")
	}
}

// TestRefusedCheckInKeepsNobody: a unit that the queue refuses leaves no
// person behind; the same customer twice is one person.
func TestRefusedCheckInKeepsNobody(t *testing.T) {
	w := newWorld(t)
	w.withPeople()
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}, "weight": {"99"}})
	if n := w.people.Len(); n != 0 {
		t.Errorf("%d people after a refused check-in", n)
	}
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}})
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}, "unit": {"LM-8"}})
	if n := w.people.Len(); n != 1 {
		t.Errorf("%d people, want 1", n)
	}
}

// TestSentTwiceKeepsOnePerson: a check-in that comes again, also by two
// requests at once, leaves one person, the one that the unit names.
func TestSentTwiceKeepsOnePerson(t *testing.T) {
	w := newWorld(t)
	w.withPeople()
	who := url.Values{"name": {"Morwenna Tresk"}, "command_id": {"once"}}
	w.checkIn(who)
	first := w.l.View().Units["LM-7"].Contact
	// Meanwhile the person was renamed, so that the form's is nobody known.
	p, ok := w.people.Get(first)
	if !ok {
		t.Fatal("the first check-in kept nobody")
	}
	p.Name = "Morwenna Tresk-Hale"
	if _, err := w.people.Save(t.Context(), p); err != nil {
		t.Fatal(err)
	}
	w.checkIn(who)
	if _, ok := w.people.Get(first); !ok || w.people.Len() != 1 {
		t.Errorf("%d people; the unit's own: %v", w.people.Len(), ok)
	}
}

// TestCheckInSentTwice: the second tap of a check-in is told what the first came
// to; another visit of the machine asks whether it is one.
func TestCheckInSentTwice(t *testing.T) {
	w := newWorld(t)
	w.be("ruth")
	f := url.Values{"command_id": {"once"}, "actor": {"ruth"}, "back": {"/check-in"}, "unit": {"LM-7"}, "frame": {"KB25-26-00417"}, "make": {"Kestrow"}, "model": {"Brae 250"},
		"year": {"2026"}, "family": {"kr5"}, "fitment": {"standard"}, "ownership": {"customer"}, "route": {"reflash"}, "promise": {"2026-02-18T16:30"}, "weight": {"5"}}
	first, second := w.postForm("/do/receive", f), w.postForm("/do/receive", f)
	if first.status != http.StatusOK || second.status != http.StatusOK || second.path != first.path {
		t.Errorf("first %d %s, second %d %s", first.status, first.path, second.status, second.path)
	}
	f.Set("command_id", "twice")
	f.Set("unit", "LM-8")
	if third := w.postForm("/do/receive", f); !strings.Contains(string(third.body), "is in the shop already") {
		t.Errorf("another check-in of the machine: %d %s", third.status, third.path)
	}
	if n := len(w.l.View().OpenUnits()); n != 1 {
		t.Errorf("%d units", n)
	}
}

var viewBox = regexp.MustCompile(`<svg class="(qr|bars)"`)

// TestTicketPrints: in a real browser the printed page has codes that an
// independent reader reads back.
func TestTicketPrints(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.withPeople()
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}})
	if n := len(viewBox.FindAllString(w.body("/units/LM-7/ticket", http.StatusOK), -1)); n != 2 {
		t.Fatalf("%d codes", n)
	}
	b := newBrowser(t, w)
	b.Size(1440, "dark")
	b.Open("/units/LM-7/ticket")
	b.Until(`!document.querySelector("[data-print]").hidden`)
	b.Shot("ticket", 1440)
	for _, c := range []struct {
		sel    string
		reader gozxing.Reader
		want   string
	}{{".qr", qrcode.NewQRCodeReader(), w.server.URL + "/units/LM-7"}, {".bars", oned.NewCode128Reader(), "LM-7"}} {
		shot, err := chromedp.Run(b.Context(), chromedp.Screenshot(chromedp.CSS(c.sel)))
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(shot))
		if err != nil {
			t.Fatal(err)
		}
		if got := read(t, c.reader, img); got != c.want {
			t.Errorf("%s reads %q, want %q", c.sel, got, c.want)
		}
	}
	var pdf []byte
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		res, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: 5.83, PaperHeight: 8.27}) // A5, inches
		if err == nil {
			pdf = res.Data
		}
		return err
	}))
	if n := bytes.Count(pdf, []byte("/Type /Page\n")); n != 1 {
		t.Errorf("the ticket prints on %d pages of A5, want 1", n)
	}
	for _, width := range []int64{360, 1440} {
		b.Size(width, "light")
		b.Open("/counter?q=LM-7&make=Kestrow&model=Brae+250&year=2026")
		b.See(`.says-so`)
		b.Shot("counter", width)
		if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
			t.Errorf("the counter is %d pixels too wide at %d", over, width)
		}
	}
	b.Open("/units/LM-7/ticket")
	b.Shot("ticket-light", 1440)
}

func read(t *testing.T, r gozxing.Reader, img image.Image) string {
	t.Helper()
	bmp, err := gozxing.NewBinaryBitmapFromImage(img)
	if err != nil {
		t.Fatal(err)
	}
	res, err := r.Decode(bmp, nil)
	if err != nil {
		t.Errorf("not readable: %v", err)
		return ""
	}
	return res.GetText()
}

// body is the text of a page that answers with a status.
func (w *world) body(path string, status int) string {
	w.t.Helper()
	r := w.get(path)
	if r.status != status {
		w.t.Errorf("GET %s: %d, want %d: %.500s", path, r.status, status, r.body)
	}
	return string(r.body)
}

// TestCheckInFindsTheFamily: a counter does not know controller families. The
// only one that is listed for the machine is taken, and said; of several none
// is, and what the calibration's line says asks for it.
func TestCheckInFindsTheFamily(t *testing.T) {
	w := newWorld(t)
	w.be("ruth")
	in := func(id, model, year, family string) document {
		t.Helper()
		return w.submit(w.page("/check-in").form("/do/receive"), "unit", id, "make", "Kestrow", "model", model, "year", year, "family", family,
			"ownership", "customer", "route", "reflash", "promise", "2026-02-18T12:00", "weight", "5", "frame", "")
	}
	said := in("LM-1", "Brae 250", "2026", "").text()
	if got := w.l.View().Units["LM-1"].Machine.Family; got != "kr5" || !strings.Contains(said, "The controller family is kr5, the only one listed for it.") {
		t.Errorf("family %q: %.300s", got, said)
	}
	if got := w.l.View().Units["LM-1"]; got != nil {
		if cal, why := w.l.View().CalibrationFor(&got.Machine, w.clock.now()); cal == nil {
			t.Errorf("no calibration: %v", why)
		}
	}
	if said = in("LM-2", "Brae 250", "2026", "xx").text(); w.l.View().Units["LM-2"].Machine.Family != "xx" || !strings.Contains(said, "There is one for the family kr5 only") {
		t.Errorf("another family: %.1500s", said)
	}
	if in("LM-3", "Tarn 300", "2026", ""); w.l.View().Units["LM-3"].Machine.Family != "" {
		t.Error("a family out of nowhere")
	}
}
