package floor_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"tickover/queue"
)

// lookedBack is a shop in which LM-1 was begun at 09:35, flashed, and renamed
// in its note at 11:30; it is 12:00 now.
func lookedBack(t testing.TB) *world {
	w := newWorld(t)
	w.clock.set(morning.Add(5 * time.Minute))
	w.arrive("LM-1", "reflash")
	w.doStep("LM-1", 0) // check-in
	w.clock.set(morning.Add(time.Hour))
	w.doStep("LM-1", 1) // flash
	w.clock.set(morning.Add(2 * time.Hour))
	note := "the owner calls at noon"
	w.do("ruth", &queue.AmendUnit{Unit: "LM-1", Change: queue.UnitAmended{Note: &note}})
	w.arrive("LM-2", "reflash")
	w.clock.set(morning.Add(150 * time.Minute))
	return w
}

// doStep does one step of the visit, as [visit] says.
func (w *world) doStep(unit queue.UnitID, i int) {
	w.t.Helper()
	v := visit[i]
	var rs []queue.ResourceID
	for _, r := range v.resources {
		rs = append(rs, queue.ResourceID(r))
	}
	ev := queue.Evidence{}
	for k, x := range v.evidence {
		ev[queue.EvidenceKey(k)] = x
	}
	w.do(v.who, &queue.StartStep{Unit: unit, Step: v.step, Technician: v.who, Resources: rs})
	for s := 1; s < v.stretches; s++ {
		w.clock.add(v.took)
		w.do(v.who, &queue.AdvanceStep{Unit: unit, Step: v.step, Stretch: s, Technician: v.who})
	}
	w.clock.add(v.took)
	w.do(v.who, &queue.FinishStep{Unit: unit, Step: v.step, Technician: v.who, Evidence: ev})
}

// TestUnitAsItWas: the page shows a unit as it was before a later event, says
// so, and offers nothing that changes it.
func TestUnitAsItWas(t *testing.T) {
	w := lookedBack(t)
	w.be("ruth")
	now, then := w.page("/units/LM-1"), w.page("/units/LM-1?asof=2026-02-17T10:00")
	for _, later := range []string{"the owner calls at noon", "Flash the calibration done"} {
		if !strings.Contains(now.text(), later) {
			t.Errorf("the page of now does not say %q", later)
		}
		if strings.Contains(then.text(), later) {
			t.Errorf("the page as of 10:00 says %q", later)
		}
	}
	if !strings.Contains(then.text(), "As it was on Tue 17 Feb 2026, 10:00; nothing can be changed here.") || !strings.Contains(then.text(), "without one") {
		t.Errorf("the page does not say what it is: %s", then.text())
	}
	if !strings.Contains(then.text(), "1 of 7 done") || !strings.Contains(now.text(), "2 of 7 done") {
		t.Errorf("then %s\nnow %s", then.text(), now.text())
	}
	if n := len(then.forms("/do/hand-over")); n != 0 || len(now.forms("/do/hand-over")) == 0 {
		t.Errorf("%d forms to hand over then, %d now", n, len(now.forms("/do/hand-over")))
	}
}

// TestPagesOfThePast: no page of the past has a form that posts, a script or
// live updates, and every link and search on it stays there.
func TestPagesOfThePast(t *testing.T) {
	w := lookedBack(t)
	w.be("ruth")
	const asof = "asof=2026-02-17T11%3A00"
	for _, path := range []string{"/", "/board", "/board?view=week", "/job", "/bench", "/bench/b3", "/units", "/units?q=LM", "/machines/KB252600417", "/machines/KB252600417/trade-in", "/labour?span=day", "/labour/steps?span=day&by=unit&id=LM-1", "/units/LM-1", "/units/LM-1/steps/flash", "/units/LM-1/ticket", "/counter?q=LM", "/owner", "/owner?span=today", "/owner/units?span=today&of=arrived"} {
		sep := "?"
		if strings.Contains(path, "?") {
			sep = "&"
		}
		d := w.page(path + sep + asof)
		if d.r.status != http.StatusOK || !strings.Contains(d.text(), "nothing can be changed here") {
			t.Errorf("%s: %d %s", path, d.r.status, d.text())
			continue
		}
		if strings.Contains(d.text(), "LM-2") {
			t.Errorf("%s shows a unit that came later", path)
		}
		if n := len(d.all(tag("kbd"))); n > 0 {
			t.Errorf("%s explains keys that move nothing", path)
		}
		for _, n := range d.all(tag("form", "script", "button")) {
			if n.Data == "script" || n.Data == "form" && attr(n, "method") != "" && attr(n, "method") != "get" {
				t.Errorf("%s has <%s action=%q>", path, n.Data, attr(n, "action"))
			}
			if v := valuesOf(n); n.Data == "form" && v.Get("asof") == "" {
				t.Errorf("%s: the search %q leaves the past", path, attr(n, "action"))
			}
		}
		if len(d.all(tag("form"))) < 2 {
			t.Errorf("%s: no way to another moment", path)
		}
		for _, n := range d.all(tag("body")) {
			if _, live := has(n, "data-live-page"); live {
				t.Errorf("%s renews itself", path)
			}
		}
		for _, a := range d.all(tag("a")) {
			u, err := url.Parse(attr(a, "href"))
			if err != nil || u.IsAbs() || u.Path == "" || attr(a, "data-present") != "" {
				continue
			}
			switch {
			case strings.HasPrefix(u.Path, "/me"), u.Path == "/cautions", u.Path == "/api":
			case strings.HasPrefix(u.Path, "/decide"), u.Path == "/check-in", u.Path == "/import":
				t.Errorf("%s leads to %s", path, u.Path)
			case u.Query().Get("asof") != "2026-02-17T11:00":
				t.Errorf("%s: the link %s leaves the past", path, attr(a, "href"))
			}
		}
	}
	if r := w.get("/find?q=LM-1&" + asof); r.path != "/units/LM-1?"+asof {
		t.Errorf("find leads to %s", r.path)
	}
	if d := w.page("/units/LM-2?" + asof); d.r.status != http.StatusNotFound {
		t.Errorf("a unit that came later: %d", d.r.status)
	}
}

// TestPastRefused: what is no moment, the future, the time before the record,
// and a command into the past are refused with what to do instead.
func TestPastRefused(t *testing.T) {
	w := lookedBack(t)
	w.be("ruth")
	for _, c := range []struct {
		path, says string
		status     int
	}{
		{"/board?asof=yesterday", "is no moment", http.StatusUnprocessableEntity},
		{"/board?asof=2026-02-17T12:01", "has not come yet", http.StatusUnprocessableEntity},
		{"/board?asof=2026-02-17T09:29", "the record begins on Tue 17 Feb 2026, 09:30", http.StatusUnprocessableEntity},
		{"/board?asof=9999-99-99T99:99", "is no moment", http.StatusUnprocessableEntity},
		{"/check-in?asof=2026-02-17T11:00", "for now only", http.StatusNotFound},
	} {
		d := w.page(c.path)
		if d.r.status != c.status || !strings.Contains(d.text(), c.says) {
			t.Errorf("%s: %d %s", c.path, d.r.status, d.text())
		}
	}
	seq := w.l.View().Seq
	f := w.page("/units/LM-1").form("/do/hold")
	f.action += "?asof=2026-02-17T11:00"
	d := w.submit(f, "reason", "wait")
	if d.r.status != http.StatusMethodNotAllowed || !strings.Contains(d.text(), "The past can't be changed") || w.l.View().Seq != seq {
		t.Errorf("a command into the past: %d %s", d.r.status, d.text())
	}
	// The moment is on the shop's clock; with a zone it is that zone's.
	if d := w.page("/units/LM-1?asof=" + url.QueryEscape("2026-02-17T12:00:00+02:00")); !strings.Contains(d.text(), "17 Feb 2026, 10:00;") {
		t.Errorf("with a zone: %s", d.text())
	}
	// The form in the footer opens the page that it stands on.
	d = w.page("/counter?q=LM-1")
	back := w.submitGet(d.form("/look"), "asof", "2026-02-17T10:00")
	if back.r.path != "/counter?asof=2026-02-17T10%3A00&q=LM-1" || !strings.Contains(back.text(), "As it was on") {
		t.Errorf("the footer opens %s", back.r.path)
	}
	if r := w.get("/look?page=%2F%2Fevil.example%2F&asof=2026-02-17T10:00"); !strings.HasPrefix(r.path, "/board") {
		t.Errorf("led to %s", r.path)
	}
}

// submitGet fills a search in and sends it.
func (w *world) submitGet(f form, fill ...string) document {
	w.t.Helper()
	v := f.values
	for i := 0; i+1 < len(fill); i += 2 {
		v.Set(fill[i], fill[i+1])
	}
	return w.page(f.action + "?" + v.Encode())
}

// TestPeopleOfThePast: people are kept beside the log, so that a page of the
// past shows today's and says which parts they are.
func TestPeopleOfThePast(t *testing.T) {
	w := unserved(t)
	w.withPeople()
	w.checkIn(url.Values{"name": {"Ada Brook"}, "phone": {"0131 496 0000"}})
	w.clock.add(2 * time.Hour)
	who := w.people.Find("Ada Brook")[0]
	who.Name = "Ada Brook-Ash"
	if _, err := w.people.Save(t.Context(), who); err != nil {
		t.Fatal(err)
	}
	w.be("ruth")
	const asof = "asof=2026-02-17T10:00"
	for _, path := range []string{"/units/LM-7?", "/counter?q=LM-7&", "/people/" + string(who.ID) + "?"} {
		s := w.page(path + asof).text()
		for _, part := range []string{"Ada Brook-Ash", "as known today", "names and numbers are kept beside the log: they are today’s"} {
			if !strings.Contains(s, part) && !(strings.HasPrefix(path, "/people") && part == "Ada Brook-Ash") { // there it stands in a form, which is left out
				t.Errorf("%s does not say %q: %s", path, part, s)
			}
		}
		if s := w.page(strings.TrimRight(path, "?&")).text(); strings.Contains(s, "as known today") {
			t.Errorf("%s of now says it too", path)
		}
	}
	if err := w.people.Erase(t.Context(), who.ID); err != nil {
		t.Fatal(err)
	}
	if s := w.page("/units/LM-7?" + asof).text(); strings.Contains(s, "Ada") {
		t.Errorf("who was erased is shown in the past: %s", s)
	}
}
