package intake

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tickover/queue"
	"tickover/testdata"
)

const calHeader = "id,revision,make,model,years,family,released,fitment,variant,supersedes,mandatory,none_needed,for_caller\n"

// calibrationErrors reads a file and compares it with the demo's catalogue.
func calibrationErrors(t *testing.T, src string) Errors {
	t.Helper()
	file, errs := LoadCalibrations(strings.NewReader(src))
	if errs != nil {
		return errs
	}
	return file.Against(openShop(t, demoShop(t)).Catalogue()).Errors
}

// TestCalibrationMistakesAreNamed: each names its line, what is wrong and what
// to do; a contradiction names both lines.
func TestCalibrationMistakesAreNamed(t *testing.T) {
	const good = "kx1,1,Kestrow,Fell 125,2024-2026,kr5,2026-02-01,,,,,,\n"
	row := func(cells string) string { return calHeader + good + cells + "\n" }
	for name, c := range map[string]struct {
		src, column, what, do string
		line                  int
	}{
		"unknown column":      {strings.Replace(calHeader, "mandatory", "mandatroy", 1), "mandatroy", "no column", `did you mean "mandatory"?`, 1},
		"missing column":      {"id,make,model,years,family,released\n", "revision", "is missing", "add it", 1},
		"column twice":        {strings.Replace(calHeader, "fitment", "id", 1), "id", "stands twice", "take one", 1},
		"empty file":          {"", "", "file is empty", "id, revision, make", 1},
		"no id":               {row(",1,K,F,2026,kr5,2026-02-01,,,,,,"), "id", "is empty", "fill it in", 3},
		"revision":            {row("a,r2,K,F,2026,kr5,2026-02-01,,,,,,"), "revision", `"r2" is no revision`, "whole numbers", 3},
		"years":               {row("a,2,K,F,24-26,kr5,2026-02-01,,,,,,"), "years", "no model years", "2024-2026", 3},
		"years backwards":     {row("a,2,K,F,2026-2024,kr5,2026-02-01,,,,,,"), "years", "no model years", "first year comes first", 3},
		"no family":           {row("a,2,K,F,2026,,2026-02-01,,,,,,"), "family", "is empty", "fill it in", 3},
		"date":                {row("a,2,K,F,2026,kr5,1/2/2026,,,,,,"), "released", "without guessing", "2026-01-12", 3},
		"date that is none":   {row("a,2,K,F,2026,kr5,2026-02-30,,,,,,"), "released", "without guessing", "2026-01-12", 3},
		"variant":             {row("a,2,K,F,2026,kr5,2026-02-01,,idle+20,,,,"), "variant", "no variant", `did you mean "idle+200"?`, 3},
		"mandatory":           {row("a,2,K,F,2026,kr5,2026-02-01,,,,maybe,,"), "mandatory", "neither yes nor no", "yes or no", 3},
		"both":                {row("a,2,K,F,2026,kr5,2026-02-01,,,,yes,yes,"), "mandatory", "can't be both", "take one", 3},
		"too few cells":       {row("a,2,K"), "", "3 cells", "separator", 3},
		"overlap in the file": {row("kx2,1,kestrow,fell 125,2026,kr5,2026-02-01,,,,,,"), "", "line 3 and line 2: kx2 revision 1 and kx1 revision 1 are both for kestrow fell 125, 2026 to 2026", "which supersedes", 3},
		"the same line twice": {row(strings.TrimSpace(good)), "", "line 2 and line 3", "take one", 3},
		"same revision":       {row("kx1,1,Kestrow,Fell 125,2024-2026,kr5,2026-02-01,,,,yes,,"), "", "line 3 and line 2: kx1 revision 1 says something else", "higher revision", 3},
		"older and newer":     {row("kx1,2,Kestrow,Fell 125,2024-2026,kr5,2025-02-01,,,,,,"), "", "line 3 and line 2: kx1 revision 2 was released on", "can't be older", 3},
		"overlap with listed": {row("kx9,1,Kestrow,Brae 250,2026,kr5,2026-02-01,,,,,,"), "", "kx9 revision 1 and kb250-std revision 3 are both for Kestrow Brae 250, 2026 to 2026, which is listed already", "which supersedes", 3},
		"listed otherwise":    {row("kb250-std,3,Kestrow,Brae 250,2024-2026,kr5,2026-01-12,,,,yes,,"), "", "which is listed already", "higher revision", 3},
		"supersedes nobody":   {row("a,2,K,F,2026,kr5,2026-02-01,,,zz,,,"), "", "supersedes zz, which is not listed", "List that one first", 3},
		"a circle":            {calHeader + "a,1,K,F,2026,kr5,2026-02-01,,,b,,,\nb,1,K,F,2026,kr5,2026-02-01,,,a,,,\n", "", "supersedes itself", "which one is newer", 3},
		"another model":       {row("kb250-std,4,Kestrow,Fell 300,2026,kr5,2026-02-01,,,,,,"), "", "is listed for", "id of its own", 3},
	} {
		errs := calibrationErrors(t, c.src)
		found := false
		for _, e := range errs {
			found = found || e.Line == c.line && e.Column == c.column && strings.Contains(e.What, c.what) && strings.Contains(e.Do, c.do)
		}
		if !found {
			t.Errorf("%s: no mistake in line %d, column %q says %q and %q:\n%v", name, c.line, c.column, c.what, c.do, errs)
		}
	}
}

func TestCalibrationFileIsRead(t *testing.T) {
	src := "ID;Rev;Brand;Model;Model year;Controller;Date;Exhaust;Variant;Replaces;Mandatory;None needed;Note\r\n" +
		"kx2;12;Kestrow;Fell 125;2024 – 2026;kr5;2026-02-01;open exhaust;Idle +100;kx1;YES;;\"Two\r\nlines; '=quoted\"\r\n" +
		"kx1;1;Kestrow;Fell 125;2026;kr5;2025-02-01;;;;no;no;'=1+1\r\n\r\n"
	file, errs := LoadCalibrations(strings.NewReader(src))
	if errs != nil {
		t.Fatal(errs)
	}
	want := []CalibrationRow{
		{2, queue.Calibration{ID: "kx2", Revision: 12, Make: "Kestrow", Model: "Fell 125", YearFrom: 2024, YearTo: 2026, Family: "kr5", Released: "2026-02-01",
			Fitment: "open exhaust", Variant: queue.VariantIdle100, Supersedes: "kx1", Mandatory: true, ForCaller: "Two\nlines; '=quoted"}},
		{4, queue.Calibration{ID: "kx1", Revision: 1, Make: "Kestrow", Model: "Fell 125", YearFrom: 2026, YearTo: 2026, Family: "kr5", Released: "2025-02-01",
			Fitment: "standard", ForCaller: "=1+1"}},
	}
	if diff := cmp.Diff(want, file.Rows); diff != "" {
		t.Error(diff)
	}
}

// TestCalibrationsExportAndImport: what was written is read back as it was, and
// written again it is the same to the byte.
func TestCalibrationsExportAndImport(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.StringMatching(`['=+@-]{0,2}[A-Za-z][A-Za-z0-9 ",;]{0,8}[a-z]`)
		var in []queue.Calibration
		for i := range rapid.IntRange(0, 8).Draw(t, "entries") {
			from := rapid.IntRange(1950, 2100).Draw(t, "from")
			in = append(in, queue.Calibration{
				ID: queue.CalibrationID(fmt.Sprintf("%s%d", word.Draw(t, "id"), i)), Revision: rapid.IntRange(1, 999_999).Draw(t, "revision"),
				Make: word.Draw(t, "make"), Model: word.Draw(t, "model"), YearFrom: from, YearTo: from + rapid.IntRange(0, 9).Draw(t, "years"),
				Family: queue.Family(word.Draw(t, "family")), Fitment: queue.Fitment(word.Draw(t, "fitment")), Variant: rapid.SampledFrom(queue.Variants()).Draw(t, "variant"),
				Released:  fmt.Sprintf("20%02d-0%d-11", rapid.IntRange(10, 40).Draw(t, "year"), rapid.IntRange(1, 9).Draw(t, "month")),
				Mandatory: rapid.Bool().Draw(t, "mandatory"), ForCaller: rapid.SampledFrom([]string{"", "=1+1", "'=1", "two\nlines", "\"quoted\", -", "+44"}).Draw(t, "note"),
			})
		}
		var first, second bytes.Buffer
		if err := WriteCalibrations(&first, in); err != nil {
			t.Fatal(err)
		}
		file, errs := LoadCalibrations(bytes.NewReader(first.Bytes()))
		if errs != nil {
			t.Fatalf("%v\n%s", errs, &first)
		}
		var out []queue.Calibration
		for _, r := range file.Rows {
			out = append(out, r.Calibration)
		}
		if diff := cmp.Diff(in, out); diff != "" {
			t.Fatalf("%s\n%s", diff, &first)
		}
		if err := WriteCalibrations(&second, out); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) {
			t.Fatalf("written twice:\n%s\n%s", &first, &second)
		}
	})
}

// TestCatalogueIsListedInCommands: a catalogue that is fine as a whole is taken
// whatever the order of its lines, in commands of at most 200; again, nothing
// is new.
func TestCatalogueIsListedInCommands(t *testing.T) {
	shop := demoShop(t)
	var all []queue.Calibration
	for i := range 300 {
		model := fmt.Sprintf("Model %d", i%100)
		c := queue.Calibration{ID: queue.CalibrationID(fmt.Sprintf("c%d", i)), Make: "Kestrow", Model: model, YearFrom: 2024, YearTo: 2026, Family: "kr5", Fitment: "standard", Mandatory: i%7 == 0}
		if i >= 100 {
			c.Supersedes = queue.CalibrationID(fmt.Sprintf("c%d", i-100))
		}
		for r := 2; r >= 1; r-- {
			c.Revision, c.Released = r, fmt.Sprintf("2025-0%d-01", r)
			all = append(all, c)
		}
	}
	for i, j := 0, len(all)-1; i < j; i, j = i+1, j-1 {
		all[i], all[j] = all[j], all[i] // the newest first: what is superseded stands below
	}
	var b bytes.Buffer
	if err := WriteCalibrations(&b, all); err != nil {
		t.Fatal(err)
	}
	s := openShop(t, shop)
	load := func() CalibrationPlan {
		file, errs := LoadCalibrations(bytes.NewReader(b.Bytes()))
		if errs != nil {
			t.Fatal(errs)
		}
		return file.Against(s.Catalogue())
	}
	plan := load()
	if plan.Errors != nil || len(plan.New) != 600 {
		t.Fatalf("%d new, %v", len(plan.New), plan.Errors)
	}
	foreman := monday
	foreman.Actor = "ruth"
	commands := ListCommands(plan.New, foreman)
	if len(commands) < 3 {
		t.Errorf("%d commands for 600 entries", len(commands))
	}
	for _, cmd := range commands {
		carryOut(t, s, cmd)
	}
	if again := load(); again.Unchanged != 600 || again.New != nil || again.Errors != nil {
		t.Errorf("again: %d unchanged, %d new, %v", again.Unchanged, len(again.New), again.Errors)
	}
}

// FuzzLoadCalibrations: every input is read to its end; what it gives is
// refused with a line or taken by the queue, and an export of it is read back.
func FuzzLoadCalibrations(f *testing.F) {
	s := openShop(f, demoShop(f))
	f.Add([]byte(calHeader + "kx1,1,Kestrow,Fell 125,2024-2026,kr5,2026-02-01,,idle+100,,yes,no,=1+1\n"))
	f.Add(testdata.Calibrations)
	f.Add([]byte("sep=;\r\n" + strings.ReplaceAll(calHeader, ",", ";") + "a;1;K;M;2026;;2026-02-01;;;;;yes;\"x\ny\"\n\""))
	foreman := monday
	foreman.Actor = "ruth"
	f.Fuzz(func(t *testing.T, src []byte) {
		file, errs := LoadCalibrations(bytes.NewReader(src))
		for _, e := range errs {
			if e.What == "" || e.Line < 0 {
				t.Errorf("mistake %+v", e)
			}
		}
		if file == nil || len(file.Rows) > 200 {
			return
		}
		plan := file.Against(s.Catalogue())
		for _, e := range plan.Errors {
			if e.What == "" || e.Do == "" || e.Line < 1 {
				t.Errorf("mistake %+v", e)
			}
		}
		if len(plan.Errors) > 0 {
			return
		}
		after := s.Clone()
		for _, cmd := range ListCommands(plan.New, foreman) {
			carryOut(t, after, cmd)
		}
		var out bytes.Buffer
		if err := WriteCalibrations(&out, after.Catalogue().All()); err != nil {
			t.Fatal(err)
		}
		back, errs := LoadCalibrations(&out)
		if errs != nil {
			t.Fatalf("an export can't be read: %v", errs)
		}
		if p := back.Against(after.Catalogue()); p.Unchanged != len(back.Rows) || p.Errors != nil {
			t.Errorf("an export is new: %+v", p)
		}
	})
}

// TestLargeCatalogueFile: ten thousand entries with a byte order mark, CRLF,
// semicolons and quoted line breaks, most of them of one model. Overlaps of
// fitment and variant are refused with both lines named, wherever they stand.
func TestLargeCatalogueFile(t *testing.T) {
	var b strings.Builder
	b.WriteString("\uFEFFid;revision;make;model;years;family;released;fitment;variant;for_caller\r\n")
	line, at := 2, map[string]int{}
	row := func(id, model, fitment, variant string) {
		note := "short"
		if line%3 == 0 {
			note = "\"two\r\nlines; and a semicolon\""
		}
		fmt.Fprintf(&b, "%s;1;Kestrow;%s;2024-2026;kr5;2026-01-01;%s;%s;%s\r\n", id, model, fitment, variant, note)
		at[id] = line
		line += 1 + strings.Count(note, "\n")
	}
	for n := range 10_000 {
		model := "Brae 250"
		if n%4 == 0 {
			model = fmt.Sprintf("Fell %d", n)
		}
		row(fmt.Sprintf("c%05d", n), model, fmt.Sprintf("pipe %d", n), "standard")
	}
	load := func() CalibrationPlan {
		t.Helper()
		file, errs := LoadCalibrations(strings.NewReader(b.String()))
		if errs != nil {
			t.Fatal(errs)
		}
		return file.Against(queue.NewCatalogue())
	}
	if p := load(); len(p.New) != 10_000 || len(p.Errors) > 0 {
		t.Fatalf("%d new, errors %v", len(p.New), p.Errors)
	}
	row("other-idle", "Brae 250", "pipe 5001", "idle+100") // another variant: no overlap
	row("same-a", "BRAE 250", "pipe 5001", "standard")
	row("same-b", "Fell 8", "pipe 8", "")
	p := load()
	if len(p.Errors) != 2 {
		t.Fatalf("errors %v", p.Errors)
	}
	for i, c := range []struct{ id, other string }{{"same-a", "c05001"}, {"same-b", "c00008"}} {
		want := fmt.Sprintf("line %d and line %d: %s revision 1 and %s revision 1 are both for", at[c.id], at[c.other], c.id, c.other)
		if e := p.Errors[i]; e.Line != at[c.id] || !strings.Contains(e.What, want) {
			t.Errorf("line %d: %s; want %q", e.Line, e.What, want)
		}
	}
}
