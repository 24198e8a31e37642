package floor_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3filter"

	"tickover/queue"
)

// recordTags are the operations that TestRecordsByAPI asks.
var recordTags = map[string]bool{"machines": true, "labour": true, "people": true}

// TestRecordsByAPI: a machine's record, the labour figures, the audit, the
// claim and people's data by the API, each answer as it is described, and the
// same questions of the past.
func TestRecordsByAPI(t *testing.T) {
	openapi3filter.RegisterBodyDecoder("text/calendar", openapi3filter.PlainBodyDecoder) // RFC 5545, read by another library in TestDayAsCalendar
	w := newWorld(t)
	w.withPeople()
	c := w.underContract()
	w.sold("LM-1", "KB25-26-00001", func(a *queue.UnitArrived) { a.Contact = "c-1" })
	sold := w.clock.now()
	w.clock.set(morning.AddDate(0, 0, 1))
	w.machine("LM-2", "KB25-26-00002", "accessories")
	w.listNewer()
	w.accessories("LM-2")
	w.must("/units/LM-2/sweep", fields{"campaign": newerCampaign})
	w.sweep("LM-2")

	m := w.ok("/machines/kb25%2026%2000001") // as it is typed, with blanks
	if m["machine"] != "KB252600001" || len(m["visits"].([]any)) != 1 || len(m["flashes"].([]any)) != 1 || m["current"].(fields)["revision"] != 4.0 || m["flashed"].(fields)["revision"] != 3.0 {
		t.Errorf("machine: %v", m)
	}
	for _, by := range []string{"LM-1", "KB25-26-00001", "KB252600001"} {
		if x := w.ok("/machines/" + by + "/trade-in"); x["machine"] != "KB252600001" || x["engine_h"].(fields)["value"] != 0.9 || len(x["campaigns"].([]any)) != 1 {
			t.Errorf("%s: %v", by, x)
		}
	}
	// As of a moment before the newer calibration nobody was called back.
	then := "?asof=" + sold.UTC().Format(time.RFC3339)
	if x := w.ok("/machines/LM-1/trade-in" + then); len(x["campaigns"].([]any)) != 0 || x["current"].(fields)["revision"] != 3.0 {
		t.Errorf("then: %v", x)
	}
	if x := w.ok("/units" + then + "&status=any"); x["total"] != 1.0 {
		t.Errorf("units then: %v", x["total"])
	}
	if x := w.ok("/campaigns" + then); len(x["campaigns"].([]any)) != 0 {
		t.Errorf("campaigns then: %v", x)
	}
	for _, bad := range []string{"yesterday", "2027-01-01", "2020-01-01"} {
		if r := w.get("/api/v1/overview?asof=" + bad); r.status != http.StatusUnprocessableEntity {
			t.Errorf("asof=%s: %d %s", bad, r.status, r.body)
		}
	}

	if x := w.ok("/showroom/audit"); len(x["machines"].([]any)) != 1 {
		t.Errorf("audit: %v", x)
	}
	day := w.ok("/labour?span=day&day=2026-02-17")
	lines := w.ok("/labour/lines?span=day&day=2026-02-17")["lines"].([]any)
	var sum float64
	for _, l := range lines {
		sum += l.(fields)["hands_on_min"].(float64)
	}
	if all := day["all"].(fields); all["worked_min"] != sum || sum == 0 || all["proficiency"] == nil {
		t.Errorf("labour %v, lines %v min", all, sum)
	}
	rows, err := csv.NewReader(strings.NewReader(string(w.get("/api/v1/labour/lines.csv?span=day&day=2026-02-17").body))).ReadAll()
	if err != nil || len(rows) != len(lines)+1 {
		t.Errorf("%d rows, %d lines, %v", len(rows), len(lines), err)
	}
	if r := w.get("/api/v1/technicians/tomas/day.ics?day=2026-02-17"); r.status != 200 || !strings.HasPrefix(string(r.body), "BEGIN:VCALENDAR\r\n") || !strings.HasPrefix(r.header.Get("Content-Type"), "text/calendar") {
		t.Errorf("calendar: %d %s %s", r.status, r.header, r.body)
	}
	claim := w.ok("/campaigns/" + newerCampaign + "/claim")
	if claim["hands_on_min"].(float64) <= 0 || len(claim["lines"].([]any)) == 0 {
		t.Errorf("claim: %v", claim)
	}
	if r := w.get("/api/v1/campaigns/" + newerCampaign + "/claim.csv"); !strings.HasPrefix(string(r.body), "Ticket,Frame number,") {
		t.Errorf("claim as CSV: %s", r.body)
	}
	if x := w.ok("/campaigns/" + newerCampaign + "/times?machine=kb25-26-00001"); len(x["times"].([]any)) != 3 {
		t.Errorf("times: %v", x)
	}

	w.peopleByAPI()
	for path, item := range w.openAPI().Paths.Map() {
		for _, op := range item.Operations() {
			if (recordTags[op.Tags[0]] || strings.HasPrefix(op.OperationID, "claim") || op.OperationID == "campaignTimes") && c.seen[op.OperationID] == 0 {
				t.Errorf("not tried: %s", path)
			}
		}
	}
}

// peopleByAPI keeps, changes, hands out and erases a person.
func (w *world) peopleByAPI() {
	t := w.t
	t.Helper()
	p := w.post("/people", fields{"id": "c-1", "name": "Ada Brook", "phone": "0131 496 0000"})
	w.post("/people", fields{"id": "c-1", "name": "Ada Brooke", "phone": "0131 496 0000", "revision": p["revision"]})
	if found := w.ok("/people?q=brooke")["people"].([]any); len(found) != 1 {
		t.Errorf("found %v", found)
	}
	if got := w.ok("/people/c-1"); got["name"] != "Ada Brooke" {
		t.Errorf("person %v", got)
	}
	whole := w.get("/api/v1/people/c-1/export").object(t)
	if page := w.get("/people/c-1/export").object(t); len(whole["visits"].([]any)) != 1 || whole["person"].(fields)["name"] != "Ada Brooke" || len(page) != len(whole) {
		t.Errorf("handed out %v", whole)
	}
	if r := w.send(http.MethodPost, "/api/v1/people/c-1/erase", "application/json", strings.NewReader(`{"sure":false}`)); r.status != http.StatusUnprocessableEntity {
		t.Errorf("erased unasked: %d", r.status)
	}
	if got := w.post("/people/c-1/erase", fields{"sure": true}); got["visits"] != 1.0 {
		t.Errorf("erased: %v", got)
	}
	if r := w.get("/api/v1/people/c-1"); r.status != http.StatusNotFound {
		t.Errorf("still there: %s", r.body)
	}
	if _, there := w.l.View().MachineByKey("KB252600001"); !there || w.l.View().Units["LM-1"].Contact != "c-1" {
		t.Error("the technical history changed")
	}
}

// ok is a question to the API that has to be answered.
func (w *world) ok(path string) fields {
	w.t.Helper()
	r := w.get("/api/v1" + path)
	if r.status != http.StatusOK {
		w.t.Fatalf("%s: %d %s", path, r.status, r.body)
	}
	return r.object(w.t)
}

// post posts what is no command.
func (w *world) post(path string, body fields) fields {
	w.t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		w.t.Fatal(err)
	}
	r := w.send(http.MethodPost, "/api/v1"+path, "application/json", bytes.NewReader(b))
	if r.status != http.StatusOK {
		w.t.Fatalf("%s: %d %s", path, r.status, r.body)
	}
	return r.object(w.t)
}
