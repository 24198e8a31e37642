package floor_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"tickover/queue"
	"tickover/services/photos"
)

// aPhoto is a JPEG with something to see.
func aPhoto(t testing.TB, w, h int) []byte {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetRGBA(x, y, color.RGBA{uint8(x * 255 / w), uint8(y * 255 / h), 120, 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// file is a file in a form.
type file struct {
	field, name string
	content     []byte
}

// submitFiles sends a form as a browser with scripting off does.
func (w *world) submitFiles(f form, files []file, fill ...string) document {
	w.t.Helper()
	v := url.Values{}
	for name, list := range f.values {
		v[name] = list
	}
	for i := 0; i+1 < len(fill); i += 2 {
		v[fill[i]] = strings.Split(fill[i+1], resourceSeparator)
	}
	if attr(f.node, "enctype") != "multipart/form-data" {
		w.t.Fatalf("form %s sends no files", f.action)
	}
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for _, s := range files {
		part, err := m.CreateFormFile(s.field, s.name)
		if err != nil {
			w.t.Fatal(err)
		}
		_, _ = part.Write(s.content)
	}
	for name, list := range v {
		for _, s := range list {
			_ = m.WriteField(name, s)
		}
	}
	_ = m.Close()
	return w.parse(w.send(http.MethodPost, f.action, m.FormDataContentType(), &b))
}

// TestPhotoWithoutScript: a photo goes with a plain form, is kept beside the
// log under its hash, is on the unit's page, and is served safely. A file that
// is no photo is refused in a sentence, with everything that was typed.
func TestPhotoWithoutScript(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.be("ines")
	w.submit(w.page("/job").form("/do/start", "unit", "LM-1"))
	fill := []string{"ev.frame_number", "KB25", "ev.odometer_km", "12", "ev.engine_h", "0.4", "ev.damage", "scratch on the tank"}
	for name, c := range map[string]struct {
		f    file
		want string
	}{
		"text":      {file{"photo.photos", "photo.jpg", []byte("no picture")}, "no JPEG, PNG or WebP picture"},
		"cut off":   {file{"photo.photos", "photo.jpg", aPhoto(t, 640, 480)[:2000]}, "incomplete or damaged"},
		"too large": {file{"photo.photos", "photo.png", append(aPhoto(t, 64, 48), make([]byte, photos.BytesMax)...)}, "larger than 12 MB"},
	} {
		d := w.submitFiles(w.page("/job").form("/do/done", "unit", "LM-1"), []file{c.f}, fill...)
		if d.r.status < 400 || !strings.Contains(d.refusal(), c.want) || !strings.Contains(d.refusal(), "Nothing was changed") {
			t.Errorf("%s: %d %q", name, d.r.status, d.refusal())
		}
		again := d.form("/do/done", "unit", "LM-1")
		for i := 0; i+1 < len(fill); i += 2 {
			if got := again.values.Get(fill[i]); got != fill[i+1] {
				t.Errorf("%s: %s is now %q", name, fill[i], got)
			}
		}
	}
	if st := w.step("LM-1", "check-in"); st.Status != queue.Running {
		t.Fatalf("step is %s", st.Status)
	}
	// A wrong reading beside a good photo: the photo is kept already.
	sent := aPhoto(t, 640, 480)
	d := w.submitFiles(w.page("/job").form("/do/done", "unit", "LM-1"), []file{{"photo.photos", "IMG_1.jpeg", sent}, {"photo.photos", "", nil}},
		append([]string{"ev.odometer_km", "twelve"}, fill[4:]...)...)
	again := d.form("/do/done", "unit", "LM-1")
	sum := sha256.Sum256(sent)
	hash := hex.EncodeToString(sum[:])
	if got := again.values.Get("ev.photos"); got != hash {
		t.Fatalf("after a refusal the form has the photo %q, want %q: %s", got, hash, d.refusal())
	}
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 30, 20))); err != nil {
		t.Fatal(err)
	}
	if d = w.submitFiles(again, []file{{"photo.photos", "second", b.Bytes()}}, fill...); d.refusal() != "" {
		t.Fatalf("done: %s", d.refusal())
	}
	list, ok := queue.Photos(w.step("LM-1", "check-in").Evidence[queue.EvidencePhotos])
	if !ok || len(list) != 2 || !slices.Contains(list, hash) {
		t.Fatalf("evidence %v", w.step("LM-1", "check-in").Evidence)
	}
	d = w.page("/units/LM-1")
	shown := map[string]int{}
	for _, img := range d.all(tag("img")) {
		shown[attr(img, "src")]++
		if attr(img, "alt") == "" {
			t.Error("a photo without a text")
		}
	}
	for _, h := range list {
		if shown["/photos/"+h] != 2 { // with the step, and in the history
			t.Errorf("photo %s is shown %d times", h, shown["/photos/"+h])
		}
		r := w.get("/photos/" + h)
		if got := sha256.Sum256(r.body); hex.EncodeToString(got[:]) != h || r.header.Get("Content-Type") != "image/jpeg" || r.header.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("photo %s: %d, %v", h, r.status, r.header)
		}
	}
	for _, path := range []string{"/photos/" + strings.Repeat("0", 64), "/photos/x", "/photos/..%2fx"} {
		if r := w.get(path); r.status != http.StatusNotFound {
			t.Errorf("%s: %d", path, r.status)
		}
	}
}

// TestProblemWithPhoto: the foreman sees what the technician saw.
func TestProblemWithPhoto(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.be("ines")
	f := w.page("/job").form("/do/problem", "unit", "LM-1")
	many := make([]file, queue.PhotosMax+1)
	for i := range many {
		many[i] = file{"photo.photos", "x.jpg", aPhoto(t, 20+i, 20)}
	}
	d := w.submitFiles(f, many, "reason", "cable is worn")
	if !strings.Contains(d.refusal(), "more than 7 photos") || d.form("/do/problem", "unit", "LM-1").values.Get("reason") != "cable is worn" {
		t.Errorf("eight photos: %q", d.refusal())
	}
	if d = w.submitFiles(f, many[:1], "reason", "cable is worn"); d.refusal() != "" {
		t.Fatal(d.refusal())
	}
	if len(w.page("/units/LM-1").all(tag("img"))) != 1 {
		t.Error("the photo is not in the history")
	}
}

// TestFormOfManyParts: a form is bounded by its parts too, and the photos of
// one can't fill the disk.
func TestFormOfManyParts(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.be("ines")
	var fill strings.Builder
	m := multipart.NewWriter(&fill)
	photo := aPhoto(t, 8, 8)
	for i := range 40 {
		part, err := m.CreateFormFile(fmt.Sprintf("photo.k%d", i), "x.jpg")
		if err != nil {
			t.Fatal(err)
		}
		_, _ = part.Write(photo)
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	r := w.send(http.MethodPost, "/do/problem", m.FormDataContentType(), strings.NewReader(fill.String()))
	if r.status != http.StatusBadRequest || !bytes.Contains(r.body, []byte("could not be read")) {
		t.Errorf("40 photos under 40 names: status %d", r.status)
	}
	fill.Reset()
	m = multipart.NewWriter(&fill)
	for i := range 5000 {
		if err := m.WriteField(fmt.Sprintf("f%d", i), ""); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	if r = w.send(http.MethodPost, "/do/problem", m.FormDataContentType(), strings.NewReader(fill.String())); !bytes.Contains(r.body, []byte("could not be read")) {
		t.Errorf("5,000 empty fields: status %d", r.status)
	}
}

// TestPhotoOverTheAPI: what a phone sends from its outbox.
func TestPhotoOverTheAPI(t *testing.T) {
	w := newWorld(t)
	send := func(b []byte) reply {
		return w.send(http.MethodPost, "/api/v1/photos", "image/jpeg", bytes.NewReader(b))
	}
	for name, c := range map[string]struct {
		sent   []byte
		status int
	}{
		"empty": {nil, 400}, "text": {[]byte("no picture"), 422}, "cut": {aPhoto(t, 640, 480)[:900], 422},
		"large": {make([]byte, photos.BytesMax+1), 413},
	} {
		r := send(c.sent)
		if p := r.object(t); r.status != c.status || p["what"] == "" || p["do"] == "" {
			t.Errorf("%s: %d %s", name, r.status, r.body)
		}
	}
	sent := aPhoto(t, 640, 480)
	first, again := send(sent).object(t)["sha256"], send(sent).object(t)["sha256"]
	sum := sha256.Sum256(sent)
	if there, err := w.photos.Has(photos.Hash(first.(string))); first != hex.EncodeToString(sum[:]) || again != first || !there || err != nil {
		t.Errorf("kept as %v, then %v", first, again)
	}
}

// TestJobPageBringsWhatComes: the page holds what a card becomes, for a phone
// without a network, with command ids of their own.
func TestJobPageBringsWhatComes(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.do("ruth", &queue.SkipStep{Unit: "LM-1", Step: "check-in", Reason: "x"})
	w.be("tomas")
	d := w.page("/units/LM-1/steps/flash")
	var stretches []string
	ids := map[string]bool{}
	for _, n := range d.all(tag("template")) {
		if s, ok := has(n, "data-stretch"); ok {
			stretches = append(stretches, s+" "+attr(n, "data-seconds"))
		}
	}
	for _, f := range append(d.forms("/do/advance"), d.forms("/do/done")...) {
		ids[f.values.Get("command_id")] = true
	}
	if got := strings.Join(stretches, ", "); got != "0 360, 1 1680, 2 360" || len(ids) != 5 {
		t.Errorf("stretches %s, %d command ids", got, len(ids))
	}
	// The next step waits for the flash; its start is there for the moment when
	// this phone has done that.
	d = w.page("/units/LM-1/steps/resets")
	found := d.all(func(n *html.Node) bool { return n.Data == "template" && attr(n, "data-after") == "flash" })
	if len(found) != 1 || len(all(found[0], tag("form"))) != 1 {
		t.Errorf("%d templates for the start of the resets", len(found))
	}
	// A running flash: only what still comes.
	w.do("tomas", &queue.StartStep{Unit: "LM-1", Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}})
	w.do("tomas", &queue.AdvanceStep{Unit: "LM-1", Step: "flash", Stretch: 1})
	d = w.page("/job")
	if n := len(d.all(func(n *html.Node) bool { _, ok := has(n, "data-stretch"); return ok && n.Data == "template" })); n < 1 {
		t.Error("no template for the last stretch")
	}
	timers := d.all(func(n *html.Node) bool { _, ok := has(n, "data-call-at"); return ok })
	want := morning.Add(28*time.Minute - 3*time.Minute).Format(time.RFC3339)
	if len(timers) == 0 || attr(timers[0], "data-call-at") != want {
		t.Errorf("called at %v, want %s", timers, want)
	}
}

// TestMeanwhile: while a flash runs the page offers what the technician can do
// until he is called, and not what the flash itself holds up.
func TestMeanwhile(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.arrive("LM-2", "accessories")
	for _, u := range []queue.UnitID{"LM-1", "LM-2"} {
		w.do("ruth", &queue.SkipStep{Unit: u, Step: "check-in", Reason: "x"})
	}
	w.do("tomas", &queue.AcceptStep{Unit: "LM-1", Step: "resets", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1"}})
	w.do("tomas", &queue.AcceptStep{Unit: "LM-2", Step: "fitting", Technician: "tomas", Resources: []queue.ResourceID{"b1"}})
	w.do("tomas", &queue.StartStep{Unit: "LM-1", Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}})
	w.do("tomas", &queue.AdvanceStep{Unit: "LM-1", Step: "flash", Stretch: 1})
	w.be("tomas")
	d := w.page("/job")
	cards := d.all(func(n *html.Node) bool { _, ok := has(n, "data-card"); return ok })
	if len(cards) != 2 || attr(cards[0], "data-step") != "flash" || attr(cards[1], "data-step") != "fitting" {
		for _, c := range cards {
			t.Logf("card %s %s", attr(c, "data-unit"), attr(c, "data-step"))
		}
		t.Fatalf("%d cards", len(cards))
	}
	if !strings.Contains(d.text(), "Meanwhile, until 09:58") {
		t.Errorf("it is not said until when: %s", d.text())
	}
	// With nothing to do, it says that.
	w.do("tomas", &queue.ReturnStep{Unit: "LM-2", Step: "fitting", Reason: "no parts"})
	w.do("ruth", &queue.AmendUnit{Unit: "LM-2", Change: queue.UnitAmended{Held: ptr(true), Reason: "parts"}})
	if d = w.page("/job"); !strings.Contains(d.text(), "Nothing else can be done now") {
		t.Errorf("nothing to do: %s", d.text())
	}
}

func ptr[T any](v T) *T { return &v }

// TestMeanwhileHappened: what others recorded since a page was made, in words.
func TestMeanwhileHappened(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	since := w.l.View().Units["LM-1"].Revision()
	w.do("kofi", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "kofi"})
	path := "/units/LM-1/meanwhile?person=ines&since="
	if got := string(w.get(path + "1").body); got != "09:30, Kofi Stanmere: Check-in started by Kofi Stanmere." || since != 1 {
		t.Errorf("%q since %d", got, since)
	}
	if got := string(w.get(path + "2").body); got != "" {
		t.Errorf("nothing happened, yet %q", got)
	}
	if got := string(w.get("/units/LM-1/meanwhile?person=kofi&since=1").body); got != "" {
		t.Errorf("his own doing is told to him: %q", got)
	}
	if r := w.get("/units/none/meanwhile"); r.status != http.StatusNotFound {
		t.Errorf("unknown unit: %d", r.status)
	}
}

func TestScanOpensTheUnit(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	for code, want := range map[string]string{
		"LM-1": "/units/LM-1", "lm-1": "/units/LM-1", "KB25-26-00417": "/units/LM-1", "KB25 26 00417": "/units/LM-1",
		"http://127.0.0.1:8425/units/LM-1": "/units/LM-1", "https://shop.example/units/LM-1?t=1": "/units/LM-1",
		"": "", "LM-2": "", "http://127.0.0.1/units/": "", "LM": "", strings.Repeat("x", 5000): "",
	} {
		r := w.get("/scan?code=" + url.QueryEscape(code))
		if want == "" && r.status != http.StatusNotFound || want != "" && string(r.body) != want {
			t.Errorf("%.40q: %d %s", code, r.status, r.body)
		}
	}
}

// TestInstallable: the manifest and its icons are what they say.
func TestInstallable(t *testing.T) {
	w := newWorld(t)
	r := w.get("/manifest.webmanifest")
	var m struct {
		Start string `json:"start_url"`
		Icons []struct{ Src, Sizes, Type string }
	}
	if err := json.Unmarshal(r.body, &m); err != nil || m.Start != "/job" || !strings.HasPrefix(r.header.Get("Content-Type"), "application/manifest+json") {
		t.Fatalf("manifest: %v %s", err, r.body)
	}
	large := false
	for _, i := range m.Icons {
		icon := w.get(i.Src)
		if icon.status != http.StatusOK || icon.header.Get("Content-Type") != i.Type {
			t.Errorf("%s: %d %s", i.Src, icon.status, icon.header.Get("Content-Type"))
		}
		if i.Type == "image/png" {
			c, err := png.DecodeConfig(bytes.NewReader(icon.body))
			if err != nil || i.Sizes != strings.Join([]string{itoa(c.Width), itoa(c.Height)}, "x") {
				t.Errorf("%s is %dx%d: %v", i.Src, c.Width, c.Height, err)
			}
			large = large || c.Width >= 512
		}
	}
	if !large {
		t.Error("no icon of 512 pixels")
	}
	// The worker keeps exactly files that there are.
	head, _, _ := strings.Cut(strings.TrimPrefix(string(w.get("/sw.js").body), "const shell = "), ";\n")
	var s struct {
		Version string
		Files   []string
	}
	if err := json.Unmarshal([]byte(head), &s); err != nil || len(s.Version) != 16 || len(s.Files) < 10 {
		t.Fatalf("worker: %v %s", err, head)
	}
	for _, f := range s.Files {
		if got := w.get(f); got.status != http.StatusOK {
			t.Errorf("%s: %d", f, got.status)
		}
	}
}

func itoa(n int) string { b, _ := json.Marshal(n); return string(b) }
