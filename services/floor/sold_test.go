package floor_test

import (
	"strings"
	"testing"

	"tickover/queue"
)

// TestSoldFromTheShowroom: by the page, with its buyer beside the log; refused
// while it is called back; and the buyer is who a campaign shows.
func TestSoldFromTheShowroom(t *testing.T) {
	w := unserved(t)
	w.withPeople()
	w.machine("LM-1", "KB25-26-00001", "reflash", func(a *queue.UnitArrived) { a.Ownership = queue.NewUnit })
	w.run("LM-1", "3", wholeVisit...)
	w.do("ruth", &queue.HandOver{Unit: "LM-1", Showroom: true})
	w.be("ruth")
	d := w.submit(w.page("/units/LM-1").form("/do/hand-over"), "name", "Ada Brook", "phone", "0131 496 0000")
	if !strings.Contains(d.said(), "is sold and handed over") {
		t.Fatalf("sold: %s", d.text())
	}
	u := w.l.View().Units["LM-1"]
	if who, ok := w.people.Get(u.Contact); !ok || who.Name != "Ada Brook" || u.Status != queue.Delivered {
		t.Errorf("sold to %q: %+v", u.Contact, u)
	}
	w.listNewer()
	if s := w.page("/campaigns/" + newerCampaign).text(); !strings.Contains(s, "Ada Brook") {
		t.Errorf("the campaign does not name who has bought it: %s", s)
	}
	w.machine("LM-2", "KB25-26-00002", "accessories", func(a *queue.UnitArrived) { a.Ownership = queue.NewUnit })
	w.accessories("LM-2")
	w.must("/units/LM-2/hand-over", fields{"showroom": true, "overrides": []fields{{"interlock": "I11", "reason": "to show it"}}})
	if d := w.submit(w.page("/units/LM-2").form("/do/hand-over"), "name", "Ben Ash"); !strings.Contains(d.refusal(), "is called back by") {
		t.Errorf("sold before it was swept: %s", d.text())
	}
	if who := w.people.Find("Ben Ash"); len(who) > 0 {
		t.Error("a refused sale kept its buyer")
	}
}

// TestWhoseItIs: who has a machine that was handed over is named on its page,
// and is who a campaign shows; nobody is kept whom a refused form named.
func TestWhoseItIs(t *testing.T) {
	w := unserved(t)
	w.withPeople()
	w.sold("LM-1", "KB25-26-00001")
	w.listNewer()
	w.be("ruth")
	campaign := "/campaigns/" + newerCampaign
	if d := w.page(campaign); !strings.Contains(d.text(), "The owner is not known. Say whose it is") {
		t.Fatalf("the campaign does not ask: %s", d.text())
	}
	d := w.submit(w.page("/units/LM-1").form("/do/owner"), "name", " ", "phone", "0131 496 0000")
	if !strings.Contains(d.refusal(), "obody is named") || len(w.people.Find("0131")) > 0 {
		t.Errorf("nobody: %s", d.text())
	}
	d = w.submit(d.form("/do/owner"), "name", "Ada Brook", "phone", "0131 496 0000")
	if !strings.Contains(d.said(), "whose LM-1 is") || !strings.Contains(d.text(), "Customer: Ada Brook") {
		t.Fatalf("named: %s", d.text())
	}
	if s := w.page(campaign).text(); !strings.Contains(s, "Ada Brook") {
		t.Errorf("the campaign does not name her: %s", s)
	}
	late := d.form("/do/owner")
	w.machine("LM-2", "KB25-26-00001", "accessories")
	if d := w.submit(late, "name", "Ben Ash"); !strings.Contains(d.refusal(), "checked in again since, as LM-2") || len(w.people.Find("Ben Ash")) > 0 {
		t.Errorf("of a visit that is over: %s", d.text())
	}
	if len(w.page("/units/LM-1").forms("/do/owner")) > 0 {
		t.Error("a visit that is over asks whose the machine is")
	}
	w.submit(w.page("/units/LM-2").form("/do/owner"), "name", "Ben Ash")
	if u := w.l.View().Units["LM-2"]; len(w.people.Find("Ben Ash")) != 1 || w.people.Find("Ben Ash")[0].ID != u.Contact {
		t.Errorf("in the shop it can't be said: %+v", u)
	}
}

// TestControllerReplacedByForm: the flash is asked for again, and the machine's
// pages say since when what it holds is not known.
func TestControllerReplacedByForm(t *testing.T) {
	w := newWorld(t)
	w.sold("LM-1", "KB25-26-00001")
	w.machine("LM-2", "KB25-26-OOOOI", "accessories") // typed with letters
	w.be("ruth")
	d := w.submit(w.page("/units/LM-2").form("/do/amend"), "new_controller", "yes", "reason", "")
	if d.r.status < 400 || !strings.Contains(d.refusal(), "he reason is missing") {
		t.Fatalf("without a reason: %s", d.text())
	}
	w.submit(d.form("/do/amend"), "reason", "water in it")
	if st := w.step("LM-2", "flash"); st.Status != queue.Todo {
		t.Errorf("the flash is %s", st.Status)
	}
	for _, path := range []string{"/units/LM-2", "/machines/KB252600001", "/machines/KB252600001/trade-in", "/audit", "/counter?q=LM-2"} {
		if s := w.page(path).text(); !strings.Contains(s, "ot flashed here since its controller was replaced on") {
			t.Errorf("%s does not say it: %s", path, s)
		}
	}
	if s := w.page("/check-in?frame=kb25+26+00001").text(); !strings.Contains(s, "is in the shop already: LM-2") {
		t.Errorf("the check-in does not say that it is here: %s", s)
	}
	again := []string{"unit", "LM-3", "frame", "KB25 26 00001", "make", "Kestrow", "model", "Brae 250", "year", "2026", "ownership", "customer", "route", "accessories"}
	d = w.submit(w.page("/check-in").form("/do/receive"), again...)
	if !strings.Contains(d.refusal(), "in the shop already, as LM-2") || w.l.View().Units["LM-3"] != nil {
		t.Fatalf("one machine is in the shop twice: %s", d.text())
	}
	w.submit(d.form("/do/receive"), append(again, "beside", "LM-2")...)
	if w.l.View().Units["LM-3"] == nil {
		t.Error("another machine with that number can't be checked in")
	}
}
