package floor_test

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/net/html"

	"tickover/queue"
	"tickover/services/experience"
	"tickover/services/floor/api"
	"tickover/services/floor/live"
	"tickover/services/promise"
)

// learnt is a shop that has lived and learnt from it.
func learnt(t testing.TB) *world {
	t.Helper()
	lived(t) // the past
	w := &world{t: t, log: past.log.Reopen(), clock: &clock{t: livedUntil}}
	w.open(past.site)
	learning.once.Do(func() {
		learning.lengths = experience.New(past.log, past.site)
		learning.learner = promise.NewLearner(promise.LearnerOptions{Log: past.log, Site: past.site, Paths: 60})
		learning.err = errors.Join(learning.lengths.Refresh(context.Background(), livedUntil), learning.learner.CatchUp(context.Background()))
	})
	if learning.err != nil {
		t.Fatal(learning.err)
	}
	w.lengths, w.learner = learning.lengths, learning.learner
	w.serve(live.Bounds{})
	return w
}

// learning is done once for all tests.
var learning struct {
	once    sync.Once
	lengths *experience.Experience
	learner *promise.Learner
	err     error
}

// TestLengthsPage: the page, the table and the API tell the same lengths; they
// are for those who lead people, and the API names nobody.
func TestLengthsPage(t *testing.T) {
	w := learnt(t)
	w.be("ines")
	for _, path := range []string{"/owner/lengths", "/owner/lengths.csv"} {
		if r := w.get(path); r.status != http.StatusForbidden {
			t.Errorf("%s for a technician: %d", path, r.status)
		}
	}
	w.be("ruth")
	shop := w.l.View().Shop
	rows := w.lengths.Lengths().Rows(shop, shop.PlanningQuantile())
	d := w.page("/owner/lengths")
	strips := d.all(func(n *html.Node) bool { return attr(n, "class") == "length-strip" })
	whole, named := 0, 0
	for _, r := range rows {
		switch {
		case r.Technician != "":
			named++
		case r.Model == "":
			whole++
		}
	}
	if len(strips) != whole || whole < 15 {
		t.Errorf("%d strips of %d stretches", len(strips), whole)
	}
	for _, want := range []string{"How long work takes", "hands-on, part 1 of 3", "Kestrow Brae 250", "Learnt every night"} {
		if !strings.Contains(d.text(), want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if table := w.table("/owner/lengths.csv"); len(table) != len(rows)+1 || len(table[0]) != len(table[1]) {
		t.Errorf("%d lines of %d rows", len(table), len(rows))
	}
	var out api.Lengths
	if err := json.Unmarshal(w.get("/api/v1/lengths").body, &out); err != nil {
		t.Fatal(err)
	}
	if len(out.Rows) != len(rows)-named || out.Until == nil || out.Quantile != .6 {
		t.Errorf("the API has %d of %d rows, %v", len(out.Rows), len(rows)-named, out.Until)
	}
	// Of two days before less was known.
	before := w.page("/owner/lengths?asof=2026-02-19T12:00")
	if before.r.status != http.StatusOK || !strings.Contains(before.text(), "pieces of work up to") || before.text() == d.text() {
		t.Errorf("as of an earlier day: %d %s", before.r.status, before.text())
	}
	var then api.Lengths
	if err := json.Unmarshal(w.get("/api/v1/lengths?asof=2026-02-19T12:00").body, &then); err != nil {
		t.Fatal(err)
	}
	if then.Until == nil || !then.Until.Before(*out.Until) || then.Until.Format(time.DateOnly) != "2026-02-19" || then.Rows[0].Seen >= out.Rows[0].Seen {
		t.Errorf("the API as of an earlier day: up to %v, %+v", then.Until, then.Rows[0])
	}
}

// TestPromisesPage: what the page counts is what the learner has; and the
// counter says what it rests on.
func TestPromisesPage(t *testing.T) {
	w := learnt(t)
	w.be("ruth")
	ready := 0
	answers := w.learner.Answers()
	for i := range answers {
		if _, known := answers[i].Kept(0); known {
			ready++
		}
	}
	if ready < 20 {
		t.Fatalf("only %d of %d units are ready", ready, len(answers))
	}
	d := w.page("/owner/promises")
	curve := d.all(func(n *html.Node) bool { return attr(n, "class") == "c-dot" })
	if len(curve) != len(promise.Levels) || !strings.Contains(d.text(), "of "+strconv.Itoa(ready)+" units") {
		t.Errorf("%d points; the page: %s", len(curve), d.text())
	}
	table := w.table("/owner/promises.csv")
	if len(table) != len(answers)+1 {
		t.Errorf("%d lines of %d answers", len(table), len(answers))
	}
	for _, row := range table[1:] {
		if _, err := time.Parse(time.RFC3339, row[2]); err != nil {
			t.Fatal(err)
		}
	}
	w.do("ruth", &queue.ReceiveUnit{Unit: "CO-1", Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "KB25-26-00418", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		Ownership: queue.CustomerUnit, Route: "reflash", Promise: livedUntil.Add(40 * time.Hour), Weight: 5,
	}})
	for _, want := range []string{"ready by its promise: ", "Learnt from", "four times in five"} {
		if text := w.page("/counter?q=CO-1").text(); !strings.Contains(text, want) {
			t.Errorf("the counter lacks %q: %s", want, text)
		}
	}
}

// TestLengthsLook: both pages in a real browser.
func TestLengthsLook(t *testing.T) {
	t.Parallel()
	w := learnt(t)
	axe := axeCore(t)
	b := newBrowser(t, w)
	b.be("ruth")
	for name, path := range map[string]string{"lengths": "/owner/lengths", "promises": "/owner/promises"} {
		b.Open(path)
		b.judge("learnt-"+name, axe)
	}
}
