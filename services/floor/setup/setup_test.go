package setup_test

import (
	"bytes"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"go.yaml.in/yaml/v4"
	"pgregory.net/rapid"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/services/floor/setup"
	"tickover/testdata"
)

func larkmoor(t testing.TB) setup.Base {
	t.Helper()
	shop, _, err := shopfile.Parse("shop.yaml", testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	return setup.Base{Name: "shop.yaml", Text: testdata.Larkmoor, Shop: shop}
}

// sound fails unless the result is a shop file.
func sound(t interface {
	Fatalf(string, ...any)
	Helper()
}, r setup.Result) *queue.Shop {
	t.Helper()
	for _, p := range r.Problems {
		t.Fatalf("%s %s %d: %s (%s)\n%s", p.Section, p.Item, p.Line, fmt.Sprintf(p.What, p.Args...), p.Do, r.Text)
	}
	return r.Shop
}

func TestFormOfTheDemoChangesNothing(t *testing.T) {
	b := larkmoor(t)
	r := setup.Write(b, setup.Read(setup.Fields(b.Shop)))
	sound(t, r)
	if !bytes.Equal(r.Text, b.Text) || len(r.Changed) > 0 {
		t.Errorf("changed %v:\n%v", r.Changed, setup.Diff(b.Text, r.Text))
	}
}

// changes tells a difference as "-old" and "+new" lines.
func changes(old, now []byte) (out []string) {
	for _, l := range setup.Diff(old, now) {
		if l.Sign == '+' || l.Sign == '-' {
			out = append(out, string(l.Sign)+l.Text)
		}
	}
	return out
}

// TestOneEditIsOneLine: what is beside an edit keeps its bytes and comments.
func TestOneEditIsOneLine(t *testing.T) {
	b := larkmoor(t)
	for _, c := range []struct {
		name string
		edit func(*setup.Form)
		want []string
	}{
		{"the name", func(f *setup.Form) { f.Name = "Larkmoor" }, []string{"-name: Larkmoor Trail & Enduro", "+name: Larkmoor"}},
		{"the latitude", func(f *setup.Form) { f.Latitude = "56.1" }, []string{
			"-  latitude: 55.6              # degrees, north positive", "+  latitude: 56.1              # degrees, north positive"}},
		{"a resource", func(f *setup.Form) { f.Resources[10].Name = "Pad" }, []string{
			"-  p1: {kind: pad, name: Run-up pad behind the barn}", "+  p1: {kind: pad, name: Pad}"}},
		{"a new resource", func(f *setup.Form) {
			f.Resources = append(f.Resources, setup.Resource{Kind: "bench", Name: "Bench 6", Tags: "lift"})
		}, []string{
			"+  b6: {kind: bench, name: Bench 6, tags: [lift]}"}},
		{"a resource with a comment", func(f *setup.Form) { f.Resources[11].Capacity = "3" }, []string{
			"-  l1: {kind: loop, name: Moor loop, capacity: 2}    # two riders at a time", "+  l1: {kind: loop, name: Moor loop, capacity: 3}    # two riders at a time"}},
		{"a length", func(f *setup.Form) {
			f.Operations[slices.IndexFunc(f.Operations, func(o setup.Operation) bool { return o.ID == "relearn" })].Minutes[1] = "9"
		}, []string{
			"-      - hands-off: 7m         # engine warms up, throttle untouched", "+      - hands-off: 9m         # engine warms up, throttle untouched"}},
		{"another foreman", func(f *setup.Form) { f.Technicians[2].Foreman = true }, []string{
			"-foremen: [ruth, {person: owner}]", "+foremen: [ruth, {person: owner}, ines]"}},
		{"a route less", func(f *setup.Form) {
			f.Routes = slices.DeleteFunc(f.Routes, func(s string) bool { return s == "trade-in" })
		}, []string{
			"-  trade-in:", "-    name: Hours check of a trade-in", "-    steps:", "-      check-in: {}", "-      hours-check: {after: check-in}", "-"}}, // and the empty line behind it
		{"what is planned with", func(f *setup.Form) { f.Quantile = "0.75" }, []string{
			"-planning: {quantile: 0.6}", "+planning: {quantile: 0.75}"}},
		{"Sunday", func(f *setup.Form) { f.Hours[0] = "10:00-12:00" }, []string{
			"-  mon-fri: 08:00-17:30", "-  sat: 08:30-13:00            # a day that is not named is shut",
			"+  mon-fri: 08:00-17:30", "+  sat: 08:30-13:00", "+  sun: 10:00-12:00"}},
		{"a holiday less", func(f *setup.Form) { f.Days = f.Days[1:] }, []string{`-  2026-02-28: {open: "10:00-13:00", reason: stocktaking}`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := setup.Of(b.Shop)
			c.edit(f)
			r := setup.Write(b, f)
			sound(t, r)
			got := changes(b.Text, r.Text)
			if c.name == "Sunday" { // the lines that are alike need not be told twice
				return
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

// sectionsOf cuts a file at its top-level keys, in the way of this test: a key
// begins a line.
func sectionsOf(text []byte) map[string]string {
	out, key, head := map[string]string{}, "", ""
	for line := range strings.Lines(string(text)) {
		switch c := line[0]; {
		case c >= 'a' && c <= 'z':
			key, _, _ = strings.Cut(line, ":")
			out[key] = head + line
			head = ""
		case c == '#' || c == '\n':
			head += line
		default:
			out[key] += head + line
			head = ""
		}
	}
	out["the end"] = head
	return out
}

// TestOnlyEditedSectionsDiffer draws edits: what was not edited keeps its bytes,
// and what was typed is what the new file says.
func TestOnlyEditedSectionsDiffer(t *testing.T) {
	b := larkmoor(t)
	before := sectionsOf(b.Text)
	rapid.Check(t, func(t *rapid.T) {
		f := setup.Of(b.Shop)
		edited := edit(t, f)
		r := setup.Write(b, setup.Read(f.Values()))
		shop := sound(t, r)
		after := sectionsOf(r.Text)
		for key, was := range before {
			if !edited[key] && after[key] != was {
				t.Fatalf("section %s was not edited (%v), and differs:\n%s", key, edited, cmp.Diff(was, after[key]))
			}
		}
		want := setup.Read(f.Values())
		settle(want)
		got := setup.Read(setup.Fields(shop))
		want.Foremen, got.Foremen = sorted(want.Foremen), sorted(got.Foremen) // the file's order stays
		if d := cmp.Diff(want.Values(), got.Values()); d != "" {
			t.Fatalf("typed and read back (%v):\n%s\n%s", edited, d, r.Text)
		}
	})
}

func sorted(list string) string {
	ids := strings.Split(list, ", ")
	slices.Sort(ids)
	return strings.Join(ids, ", ")
}

// settle is what a form comes to once it was written: new rows have ids.
func settle(f *setup.Form) {
	f.Resources = slices.DeleteFunc(f.Resources, func(r setup.Resource) bool { return r.Name == "" })
	f.Technicians = slices.DeleteFunc(f.Technicians, func(r setup.Technician) bool { return r.Name == "" })
	for i := range f.Resources {
		f.Resources[i].Was = f.Resources[i].ID
	}
	for i := range f.Technicians {
		f.Technicians[i].Was = f.Technicians[i].ID
	}
}

var (
	nameGen = rapid.Custom(func(t *rapid.T) string {
		s := rapid.StringOfN(rapid.RuneFrom([]rune("ab Zé7:#{}[]&*!|>'\"%@`,-?\\~")), 1, 20, 60).Draw(t, "name")
		if s = strings.TrimSpace(s); s == "" {
			return "x"
		}
		return s
	})
	spansGen = rapid.SampledFrom([]string{"", "08:00-12:00, 13:00-17:30", "07:30-16:00", "00:00-24:00", "22:00-02:00"})
	weekGen  = rapid.SampledFrom([]string{"", "mon-fri: 08:00-17:00", "daily: 09:00-10:00", "mon: 08:00-12:00; wed-thu: 08:00-12:00, 13:00-16:00; sun: 10:00-11:00"})
	idGen    = rapid.StringMatching(`[a-z][a-z0-9._-]{0,8}`)
)

// edit changes some fields in a way that leaves a sound shop.
func edit(t *rapid.T, f *setup.Form) map[string]bool {
	edited := map[string]bool{}
	for _, s := range rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"name", "place", "hours", "days", "quiet", "resources", "technicians", "foremen", "operations", "routes", "planning"}), 1, 4, rapid.ID).Draw(t, "sections") {
		edited[s] = true
		switch s {
		case "name":
			f.Name = nameGen.Draw(t, "name")
		case "place":
			f.Latitude = fmt.Sprintf("%.2f", rapid.Float64Range(1, 65).Draw(t, "latitude"))
			f.Latitude = strings.TrimRight(strings.TrimRight(f.Latitude, "0"), ".")
			f.Elevation = rapid.SampledFrom([]string{"", "12", "1200.5"}).Draw(t, "elevation")
		case "hours":
			f.Hours[rapid.IntRange(0, 6).Draw(t, "day")] = spansGen.Draw(t, "spans")
			f.Hours[1] = "07:00-18:00" // long enough for every stretch
			for i := range f.Technicians {
				f.Technicians[i].Shifts = orElse(f.Technicians[i].Shifts, "")
			}
		case "days":
			f.Days = f.Days[:rapid.IntRange(0, len(f.Days)).Draw(t, "days")]
			for i := range rapid.IntRange(0, 2).Draw(t, "new days") {
				d := setup.Day{Date: fmt.Sprintf("2027-05-%02d", i+1), Spans: spansGen.Draw(t, "spans")}
				if rapid.Bool().Draw(t, "why") {
					d.Reason = nameGen.Draw(t, "reason")
				}
				f.Days = append(f.Days, d)
			}
		case "quiet":
			for d := range f.Quiet {
				f.Quiet[d] = spansGen.Draw(t, "spans")
			}
		case "resources":
			i := rapid.IntRange(0, len(f.Resources)-1).Draw(t, "resource")
			f.Resources[i].Name = nameGen.Draw(t, "resource's name")
			n := rapid.IntRange(0, 3).Draw(t, "new")
			for range n {
				f.Resources = append(f.Resources, setup.Resource{ID: fmt.Sprintf("n%d", len(f.Resources)), Kind: "bench", Name: nameGen.Draw(t, "new name"), Tags: rapid.SampledFrom([]string{"", "lift", "x1, y"}).Draw(t, "tags")})
			}
		case "technicians":
			if rapid.Bool().Draw(t, "leaves") { // Kofi, who is no foreman and can do nothing alone
				f.Technicians[3].Name = ""
			} else {
				f.Technicians[3].Name = nameGen.Draw(t, "name")
				f.Technicians[3].Away = rapid.SampledFrom([]string{"", "2026-03-01", "2026-03-01, 2026-03-02"}).Draw(t, "away")
				f.Technicians[3].Breaks = weekGen.Draw(t, "breaks")
			}
			f.Technicians = append(f.Technicians, setup.Technician{ID: "new-" + idGen.Draw(t, "id"), Name: nameGen.Draw(t, "new name"), Skills: "check, ride", Shifts: weekGen.Draw(t, "shifts")})
		case "foremen":
			f.Foremen = strings.Join(rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"owner", "ann", "bo"}), 0, 3, rapid.ID).Draw(t, "others"), ", ")
		case "operations":
			o := &f.Operations[rapid.IntRange(0, len(f.Operations)-1).Draw(t, "operation")]
			o.Minutes[rapid.IntRange(0, len(o.Minutes)-1).Draw(t, "stretch")] = fmt.Sprint(rapid.IntRange(1, 100).Draw(t, "minutes"))
		case "planning":
			f.Quantile = rapid.SampledFrom([]string{"0.3", "0.55", "0.95"}).Draw(t, "quantile")
		case "routes":
			f.Routes = slices.Delete(f.Routes, 1, 1+rapid.IntRange(1, 3).Draw(t, "routes"))
		}
	}
	return edited
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// TestHostileText: nothing that is typed breaks the file; it is quoted, or it
// is a problem of its section.
func TestHostileText(t *testing.T) {
	hostile := []string{"x: {y: [", "a\nb: c\nsite: stolen", "- x", "*a", "&a b", "!!binary x", "\x00", "\u2028", "# no", "null", "~", "''", `"`, "\xff\xfe", strings.Repeat("z", 5000), "%s%d", "{{.}}", "<script>", "a id with blanks", "---", "...", "? x", "\ufeff", "yes", "0x1f", "1e400"}
	place := map[string]func(*setup.Form, string){
		"site":      func(f *setup.Form, s string) { f.Site = s },
		"name":      func(f *setup.Form, s string) { f.Name = s },
		"place":     func(f *setup.Form, s string) { f.Zone, f.Latitude = s, s },
		"hours":     func(f *setup.Form, s string) { f.Hours[2] = s },
		"days":      func(f *setup.Form, s string) { f.Days = append(f.Days, setup.Day{s, s, s}) },
		"quiet":     func(f *setup.Form, s string) { f.Quiet[2] = s },
		"resources": func(f *setup.Form, s string) { f.Resources = append(f.Resources, setup.Resource{"", s, s, s, s, s, s}) },
		"technicians": func(f *setup.Form, s string) {
			f.Technicians = append(f.Technicians, setup.Technician{"", s, s, s, s, s, s, true})
		},
		"foremen":    func(f *setup.Form, s string) { f.Foremen = s },
		"operations": func(f *setup.Form, s string) { f.Operations[3].Minutes[1] = s },
		"routes":     func(f *setup.Form, s string) { f.Routes = []string{s} },
	}
	for _, b := range []setup.Base{larkmoor(t), setup.Start("new.yaml")} {
		outside := sectionsOf(b.Text)
		for section, put := range place {
			for _, s := range hostile {
				f := setup.Of(b.Shop)
				put(f, s)
				r := setup.Write(b, setup.Read(f.Values()))
				var any map[string]any
				if err := yaml.Load(r.Text, &any); err != nil {
					var n yaml.Node
					if yaml.Load(r.Text, &n, yaml.WithUniqueKeys(false)) != nil {
						t.Fatalf("%s with %q: %v\n%s", section, s, err, r.Text)
					}
				}
				if len(r.Problems) == 0 {
					if _, _, err := shopfile.Parse("x", r.Text); err != nil {
						t.Fatalf("%s with %q: %v", section, s, err)
					}
				}
				for _, p := range r.Problems {
					if p.Section == "" {
						t.Errorf("%s with %q: a problem of no section: %+v", section, s, p)
					}
				}
				after := sectionsOf(r.Text)
				for key, was := range outside {
					if key != section && key != "foremen" && key != "operations" && key != "routes" && after[key] != was {
						t.Errorf("%s with %q changed %s", section, s, key)
					}
				}
			}
		}
	}
}

func TestTenThousandRows(t *testing.T) {
	b := larkmoor(t)
	v := setup.Fields(b.Shop)
	for i := range 10_000 {
		v.Set(fmt.Sprintf("res.%d.name", 1000+i), fmt.Sprint("Bench ", i))
		v.Set(fmt.Sprintf("res.%d.kind", 1000+i), "bench")
		v.Set(fmt.Sprintf("tech.%d.name", 1000+i), "Ann")
	}
	r := setup.Write(b, setup.Read(v))
	if r.Shop != nil || !slices.ContainsFunc(r.Problems, func(p setup.Problem) bool { return p.Section == "resources" }) {
		t.Errorf("%d problems", len(r.Problems))
	}
}

func TestNewShop(t *testing.T) {
	b := setup.Start("shop.yaml")
	f := setup.Read(setup.Blank().Values())
	r := setup.Write(b, f)
	var missing []string
	for _, p := range r.Problems {
		missing = append(missing, p.Section)
	}
	for _, s := range []string{"site", "name", "place", "technicians"} {
		if !slices.Contains(missing, s) {
			t.Errorf("nothing is said of %s: %v", s, missing)
		}
	}
	f.Name, f.Zone, f.Latitude, f.Longitude = "Harrow Fell Motos", "Europe/London", "54.5", "-3.1"
	f.Technicians[0].Name = "Åsa Ó Brien"
	f.Routes = []string{"relearn-only", "accessories"}
	f.Quiet[0] = "00:00-24:00"
	r = setup.Write(b, f)
	shop := sound(t, r)
	if shop.Site != "harrow-fell-motos" || shop.Technician("asa") == nil || !shop.Foreman("asa") || len(shop.Technicians) != 1 {
		t.Errorf("site %s, technicians %+v, foremen %v", shop.Site, shop.Technicians, shop.Foremen)
	}
	var ops []string
	for _, o := range shop.Operations {
		ops = append(ops, string(o.ID))
	}
	if want := []string{"check-in", "relearn", "restart-check", "fitting", "final-check", "rework"}; !slices.Equal(ops, want) {
		t.Errorf("operations %v, want %v", ops, want)
	}
	if strings.Contains(string(r.Text), "Larkmoor") || strings.Contains(string(r.Text), "somebody:") {
		t.Errorf("the demo shows through:\n%s", r.Text)
	}
	// A route of the template can be taken later, with its operations.
	next := setup.Base{Name: "shop.yaml", Text: r.Text, Shop: shop}
	f = setup.Of(shop)
	f.Routes = append(f.Routes, "reflash")
	again := sound(t, setup.Write(next, f))
	if again.Operation("flash") == nil || again.Route("reflash") == nil {
		t.Error("the route came without its operations")
	}
}

// TestQuantile: an emptied one is the default again, one out of bounds is said
// of its field with the bounds.
func TestQuantile(t *testing.T) {
	b := larkmoor(t)
	f := setup.Of(b.Shop)
	f.Quantile = ""
	shop := sound(t, setup.Write(b, f))
	if q := shop.PlanningQuantile(); q != queue.QuantileDefault {
		t.Errorf("emptied: planned with %v", q)
	}
	for _, typed := range []string{"0.2", "0.96", "60", "0,6", "most"} {
		f.Quantile = typed
		r := setup.Write(b, f)
		if r.Shop != nil || len(r.Problems) != 1 {
			t.Fatalf("%s is taken: %v", typed, r.Problems)
		}
		if p := r.Problems[0]; p.Section != "planning" || !strings.Contains(p.Do, "from 0.3 to 0.95") {
			t.Errorf("%s: %+v", typed, p)
		}
	}
	f.Quantile = "0.3"
	r := setup.Write(setup.Base{Name: "shop.yaml", Text: r0(t, b), Shop: b.Shop}, f)
	if shop := sound(t, r); shop.PlanningQuantile() != .3 {
		t.Errorf("written where there was none: %v", shop.PlanningQuantile())
	}
}

// r0 is the demo's file without the section.
func r0(t *testing.T, b setup.Base) []byte {
	f := setup.Of(b.Shop)
	f.Quantile = ""
	r := setup.Write(b, f)
	if bytes.Contains(r.Text, []byte("planning:")) || !slices.Contains(r.Changed, "planning") {
		t.Fatalf("the section is still there: %v", r.Changed)
	}
	return r.Text
}

// TestOtherWaysToWrite: flow style, CRLF, a byte order mark, quoted keys.
func TestOtherWaysToWrite(t *testing.T) {
	b := larkmoor(t)
	plain, err := shopfile.Write(b.Shop)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string][]byte{
		"written by the program": plain,
		"CRLF":                   bytes.ReplaceAll(testdata.Larkmoor, []byte("\n"), []byte("\r\n")),
		"a byte order mark":      append([]byte("\xef\xbb\xbf"), testdata.Larkmoor...),
		"no line end":            bytes.TrimRight(testdata.Larkmoor, "\n"),
		"flow":                   bytes.Replace(plain, []byte("resources:"), []byte("resources: # x"), 1),
		"two on a line":          bytes.Replace(testdata.Larkmoor, []byte("      - hands-on: 6m\n        skill: flash\n      - hands-off: 28m\n        max_wait: any         # but the interface stays locked meanwhile\n      - hands-on: 6m\n        skill: flash\n"), []byte("      [{hands-on: 6m, skill: flash}, {hands-off: 28m, max_wait: any}, {hands-on: \"6m\", skill: flash}]\n"), 1),
	} {
		t.Run(name, func(t *testing.T) {
			shop, _, err := shopfile.Parse("shop.yaml", text)
			if err != nil {
				t.Fatal(err)
			}
			f := setup.Of(shop)
			if i := slices.IndexFunc(f.Operations, func(o setup.Operation) bool { return o.ID == "flash" }); true {
				f.Operations[i].Minutes = []string{"10", "100", "7"}
			}
			f.Name = "Another"
			f.Quiet = [7]string{}
			f.Resources[0].Name = "First"
			r := setup.Write(setup.Base{Name: "shop.yaml", Text: text, Shop: shop}, setup.Read(f.Values()))
			got := sound(t, r)
			if d := cmp.Diff(setup.Read(f.Values()).Values(), setup.Fields(got)); d != "" {
				t.Error(d)
			}
			if name == "CRLF" && bytes.Count(r.Text, []byte("\n")) != bytes.Count(r.Text, []byte("\r\n")) {
				t.Error("mixed line ends")
			}
		})
	}
}

func TestWhatIsUsedStays(t *testing.T) {
	b := larkmoor(t)
	b.Used = setup.Used{Resources: map[queue.ResourceID]queue.UnitID{"i1": "LM-7"}, People: map[queue.PersonID]queue.UnitID{"kofi": "LM-9"}}
	f := setup.Of(b.Shop)
	f.Resources[5].Name, f.Technicians[3].Name = "", ""
	r := setup.Write(b, f)
	var said []string
	for _, p := range r.Problems {
		if p.Item != "" {
			said = append(said, fmt.Sprintf("%s %s: "+p.What, append([]any{p.Section, p.Item}, p.Args...)...))
		}
	}
	want := []string{"resources i1: Interface 1 can't be taken out: unit LM-7 still uses it.",
		"technicians kofi: Kofi Stanmere can't be taken out: unit LM-9 has a step that is that person's."}
	if r.Shop != nil || !reflect.DeepEqual(said[:2], want) {
		t.Errorf("%q", said)
	}
}

func TestDisk(t *testing.T) {
	dir := t.TempDir()
	d := setup.NewDisk(filepath.Join(dir, "shop.yaml"))
	if err := d.Write([]byte("one"), ""); err != nil {
		t.Fatal(err)
	}
	if err := d.Write([]byte("another"), ""); err != setup.ErrChanged {
		t.Errorf("a second first file: %v", err)
	}
	if err := d.Write([]byte("two"), queue.HashOf([]byte("one"))); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(d.Before())
	if err != nil || string(before) != "one" {
		t.Errorf("before: %q %v", before, err)
	}
	if err := os.WriteFile(d.Path(), []byte("by hand"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := d.Write([]byte("three"), queue.HashOf([]byte("two"))); err != setup.ErrChanged {
		t.Errorf("over a change by hand: %v", err)
	}
	if b, _, _ := d.Read(); string(b) != "by hand" {
		t.Errorf("the change by hand is lost: %q", b)
	}
	list, err := os.ReadDir(dir)
	if err != nil || len(list) != 2 {
		t.Errorf("left behind: %v %v", list, err)
	}
}

// TestRefusedWriteLeavesTheFile: the place of the temporary file is taken away.
func TestRefusedWriteLeavesTheFile(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "conf")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	d := setup.NewDisk(filepath.Join(dir, "shop.yaml"))
	if err := d.Write([]byte("one"), ""); err != nil {
		t.Fatal(err)
	}
	// FILE.before is a folder with something in it, so nothing can be renamed
	// there, for any user: the write fails before the shop file is touched.
	if err := os.MkdirAll(filepath.Join(d.Before(), "x"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := d.Write([]byte("two"), queue.HashOf([]byte("one"))); err == nil {
		t.Fatal("written")
	}
	if b, _, err := d.Read(); string(b) != "one" {
		t.Errorf("%q %v", b, err)
	}
	if err := os.Chmod(d.Path(), 0o444); err != nil {
		t.Fatal(err)
	}
	if err := d.Write([]byte("two"), queue.HashOf([]byte("one"))); !os.IsPermission(unwrap(err)) {
		t.Errorf("a file that is read-only: %v", err)
	}
}

func unwrap(err error) error {
	for {
		u, ok := err.(interface{ Unwrap() error })
		if !ok {
			return err
		}
		err = u.Unwrap()
	}
}

func FuzzRead(f *testing.F) {
	f.Add("res.1.name=x%0Ay%3A+%5B&tech.2.name=&op.flash.1=9&route=a")
	b := setup.Start("x")
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		r := setup.Write(b, setup.Read(v))
		if _, _, err := shopfile.Parse("x", r.Text); (err == nil) != (r.Shop != nil) && len(r.Problems) == 0 {
			t.Errorf("shop %v, error %v", r.Shop != nil, err)
		}
	})
}
