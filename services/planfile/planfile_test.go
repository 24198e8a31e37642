package planfile_test

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/scheduler/conflict"
	"tickover/services/planfile"
	"tickover/testdata"
)

var busyDay = time.Date(2026, 2, 17, 8, 0, 0, 0, time.UTC)

func demoShop(t *testing.T) *queue.Shop {
	t.Helper()
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	return shop
}

func plan(t *testing.T, o planfile.Options) *planfile.Result {
	t.Helper()
	r, err := planfile.Plan(t.Context(), o)
	if err != nil {
		t.Fatal(err, r)
	}
	for _, v := range r.Violations {
		t.Error(v)
	}
	valid(t, r)
	return r
}

func busy(t *testing.T) planfile.Options {
	return planfile.Options{Shop: demoShop(t), Units: bytes.NewReader(testdata.BusyDay), At: busyDay, Seed: 1, Schedules: 30, Threads: 2}
}

const header = "ticket,make,model,year,family,frame,ownership,route,promise,weight\n"

// late is a shop that can't keep every promise.
func late(t *testing.T) planfile.Options {
	o := busy(t)
	o.Units = strings.NewReader(header +
		"U-1,Kestrow,Brae 250,2026,kr5,F1,new,set-up,2026-02-17 09:00,5\n" +
		"U-2,Kestrow,Brae 250,2026,kr5,F2,new,reflash,2026-02-17 17:00,5\n")
	return o
}

// valid judges the plan as JSON by its schema, with a general library.
func valid(t *testing.T, r *planfile.Result) {
	t.Helper()
	b, err := json.Marshal(r.Plan)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	if err := schema(t).Validate(doc); err != nil {
		t.Errorf("the plan is not what the schema says: %v", err)
	}
}

func schema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(planfile.Schema))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("plan.schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("plan.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestBusyDay(t *testing.T) {
	r := plan(t, busy(t))
	if n := len(r.Plan.Units); n != 24 || len(r.Plan.Unplaced) > 0 {
		t.Errorf("%d units, unplaced %v", n, r.Plan.Unplaced)
	}
	again := plan(t, busy(t))
	a, _ := json.Marshal(r.Plan)
	b, _ := json.Marshal(again.Plan)
	if !bytes.Equal(a, b) {
		t.Error("the same effort gave another plan")
	}
	if !strings.Contains(string(a), `"parts"`) {
		t.Error("no stretch pauses: the busy day has assemblies over noon")
	}
}

// A limit of time is kept, and gives a plan that is no worse than the first.
func TestLimit(t *testing.T) {
	o := busy(t)
	o.Schedules = 1
	first := plan(t, o)
	o = busy(t)
	o.Schedules, o.Limit = 0, 300*time.Millisecond
	if r := plan(t, o); r.Plan.Cost.J > first.Plan.Cost.J || len(r.Plan.Unplaced) > 0 {
		t.Errorf("J %.2f after a search, %.2f of the first plan", r.Plan.Cost.J, first.Plan.Cost.J)
	}
}

func TestLateUnitsSayWhy(t *testing.T) {
	r := plan(t, late(t))
	var b strings.Builder
	if err := r.Table(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"can't be kept:", "U-1 can't be ready by 09:00, even if it goes first: what is left of it takes ", "the earliest is "} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the table lacks %q:\n%s", want, b.String())
		}
	}
	if r.Plan.Units[0].Conflict == nil || r.Plan.Units[1].Conflict != nil {
		t.Errorf("units %+v", r.Plan.Units)
	}
}

// The schema refuses what is none, and knows every kind there is.
func TestSchemaIsStrict(t *testing.T) {
	s := schema(t)
	good, _ := json.Marshal(plan(t, late(t)).Plan)
	for name, spoil := range map[string]func(map[string]any){
		"unknown field":     func(m map[string]any) { m["extra"] = 1 },
		"missing field":     func(m map[string]any) { delete(m, "units") },
		"unknown kind":      func(m map[string]any) { m["steps"].([]any)[0].(map[string]any)["kind"] = "polish" },
		"time that is none": func(m map[string]any) { m["made"] = "now" },
		"negative lateness": func(m map[string]any) { m["units"].([]any)[0].(map[string]any)["late_min"] = -1 },
	} {
		var doc map[string]any
		if err := json.Unmarshal(good, &doc); err != nil {
			t.Fatal(err)
		}
		spoil(doc)
		if s.Validate(doc) == nil {
			t.Errorf("%s passes", name)
		}
	}
	var defs struct {
		Defs map[string]struct {
			Properties map[string]struct{ Enum []string }
		} `json:"$defs"`
	}
	if err := json.Unmarshal(planfile.Schema, &defs); err != nil {
		t.Fatal(err)
	}
	if got := defs.Defs["step"].Properties["kind"].Enum; !slices.Equal(got, queue.OperationKinds()) {
		t.Errorf("kinds of operations: %v", got)
	}
	var kinds []string
	for k := conflict.PinFact; k <= conflict.TagFact; k++ {
		kinds = append(kinds, k.String())
	}
	if got := defs.Defs["cause"].Properties["kind"].Enum; !slices.Equal(got, kinds) {
		t.Errorf("kinds of causes: %v, want %v", got, kinds)
	}
}

// The drawing is XML, has a lane for everything, and tells work, hands-off
// time, pauses and waste apart.
func TestSVG(t *testing.T) {
	r := plan(t, busy(t))
	var b bytes.Buffer
	if err := r.SVG(&b); err != nil {
		t.Fatal(err)
	}
	classes, texts := map[string]int{}, ""
	d := xml.NewDecoder(&b)
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			for _, a := range x.Attr {
				if a.Name.Local == "class" {
					classes[strings.Fields(a.Value + " -")[0]]++
				}
			}
		case xml.CharData:
			texts += string(x) + "\n"
		}
	}
	for _, c := range []string{"on", "off", "wait", "pause", "dark", "shut", "break"} {
		if classes[c] < 2 { // one is the legend's
			t.Errorf("nothing of class %s is drawn", c)
		}
	}
	shop := demoShop(t)
	for i := range shop.Technicians {
		if !strings.Contains(texts, shop.Technicians[i].Name+"\n") {
			t.Errorf("no lane for %s", shop.Technicians[i].Name)
		}
	}
	for _, want := range []string{"Larkmoor Trail & Enduro", "Tuesday 17 February 2026", "Wednesday 18 February 2026", "Interface 2", "24 units, 0 of them late", "waits, and keeps what it holds"} {
		if !strings.Contains(texts, want) {
			t.Errorf("the drawing lacks %q", want)
		}
	}
}

func TestNothingToDraw(t *testing.T) {
	o := busy(t)
	o.Units = strings.NewReader(header)
	r, err := planfile.Plan(t.Context(), o)
	if err == nil {
		err = r.SVG(io.Discard)
	}
	if err == nil {
		t.Error("an empty plan was drawn")
	}
}

// Hostile names stay text.
func TestHostileNames(t *testing.T) {
	o := late(t)
	o.Shop.Name = `<script>"&'`
	var b bytes.Buffer
	if err := plan(t, o).SVG(&b); err != nil || strings.Contains(b.String(), "<script>") {
		t.Error("a name became markup", err)
	}
	if err := xml.Unmarshal(b.Bytes(), new(struct{})); err != nil {
		t.Error(err)
	}
}

func TestBadUnits(t *testing.T) {
	o := busy(t)
	o.Units = strings.NewReader(header + "U-1,Kestrow,Brae 250,2026,kr5,F1,new,no-such-route,2026-02-17 09:00,5\n")
	r, err := planfile.Plan(t.Context(), o)
	if !errors.Is(err, planfile.ErrBadUnits) || len(r.Errors) != 1 || r.Errors[0].Line != 2 || r.Errors[0].Column != "route" {
		t.Errorf("%v, %+v", err, r)
	}
}
