package shopfile

import (
	"errors"
	"flag"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"tickover/queue"
	"tickover/testdata"
)

var sameShop = cmpopts.IgnoreUnexported(queue.Shop{})

func TestDemoShopParsesAndRoundTrips(t *testing.T) {
	shop, hash, err := Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	if hash != queue.HashOf(testdata.Larkmoor) {
		t.Error("the hash is not that of the file's bytes")
	}
	out, err := Write(shop)
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	t.Logf("%s", out)
	again, _, err := Parse("again", out)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(shop, again, sameShop); diff != "" {
		t.Error(diff)
	}
}

var update = flag.Bool("update", false, "rewrite golden files")

// Every mistake is told in one go, each in its own line of the file.
func TestAllMistakesAtOnce(t *testing.T) {
	src, err := os.ReadFile("testdata/mistakes.yaml")
	if err != nil {
		t.Fatal(err)
	}
	want := map[int]int{}
	for i, line := range strings.Split(string(src), "\n") {
		if n := strings.Count(line, "#!"); n > 0 && i > 0 {
			want[i+1] = n
		}
	}
	_, _, err = Parse("mistakes.yaml", src)
	var problems Errors
	if !errors.As(err, &problems) {
		t.Fatalf("Parse gave %v, want Errors", err)
	}
	got := map[int]int{}
	for _, p := range problems {
		got[p.Line]++
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("mistakes by line (-want +got):\n%s", diff)
	}
	if len(problems) < 20 {
		t.Errorf("%d problems, the file has more than 20", len(problems))
	}
	golden(t, "testdata/mistakes.txt", err.Error()+"\n")
}

func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got; -update rewrites it):\n%s", file, diff)
	}
}

// An editor's byte-order mark and line ends change nothing but the hash.
func TestByteOrderMarkAndLineEnds(t *testing.T) {
	want, _, err := Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	src := "\uFEFF" + strings.ReplaceAll(string(testdata.Larkmoor), "\n", "\r\n")
	got, _, err := Parse("windows.yaml", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got, sameShop); diff != "" {
		t.Error(diff)
	}
}

// Ids and texts are kept as they are written.
func TestScalarsKeepTheirText(t *testing.T) {
	src := string(testdata.Larkmoor)
	for old, with := range map[string]string{
		"  b1: {kind": "  007: {kind", "  b2: {kind": "  1.10: {kind", "  b3: {kind": "  0x1F: {kind",
		"  b4: {kind": "  1e3: {kind", "  b5: {kind": "  no: {kind", "name: Bench 1,": "name: 0o17,", "name: Bench 2,": "name: 07:30,",
	} {
		src = strings.Replace(src, old, with, 1)
	}
	shop, _, err := Parse("shop.yaml", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, r := range shop.Resources[:5] {
		got = append(got, string(r.ID))
	}
	got = append(got, shop.Resources[0].Name, shop.Resources[1].Name)
	if diff := cmp.Diff([]string{"007", "1.10", "0x1F", "1e3", "no", "0o17", "07:30"}, got); diff != "" {
		t.Error(diff)
	}
}

// What the file does not say is as documented.
func TestDefaults(t *testing.T) {
	shop, _, err := Parse("small.yaml", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	d := Defaults()
	if shop.Objective != d.Objective || shop.Limits != d.Limits || shop.Daylight != (queue.DaylightRule{}) {
		t.Errorf("objective %+v, limits %+v, daylight %+v", shop.Objective, shop.Limits, shop.Daylight)
	}
	tech := shop.Technicians[0]
	if tech.Name != "ann" || !cmp.Equal(tech.Shifts, shop.Hours) {
		t.Errorf("technician %+v", tech)
	}
	idle := shop.Operation("idle")
	if !idle.Engine || !idle.Outdoors || idle.Stretches[1].MaxWait != 0 || idle.Stretches[0].MaxWait >= 0 {
		t.Errorf("operation %+v", idle)
	}
	wash := shop.Operation("wash")
	if wash.Engine || wash.Outdoors || wash.Stretches[0].Technicians != 1 || !wash.Evidence[0].Required {
		t.Errorf("operation %+v", wash)
	}
	if step := shop.Routes[0].Steps[1]; step.Operation != "idle" || step.After[0].Max >= 0 || step.Optional {
		t.Errorf("step %+v", step)
	}
}

// small is a shop file with little more than what has to be there.
const small = `
site: s
name: S
place: {time_zone: UTC, latitude: 0, longitude: 0}
hours: {daily: 08:00-12:00}
resources: {b: {kind: bench}, p: {kind: pad}}
technicians: {ann: {}}
foremen: [ann]
operations:
  wash: {kind: general, needs: bench, stretches: [{hands-on: 1h}], evidence: {done: {type: yes-no}}}
  idle: {kind: relearn, needs: pad, stretches: [{hands-on: 3m}, {hands-off: 7m}, {hands-on: 3m}]}
routes:
  r: {steps: {wash: , idle: {after: wash}}}
`

// FuzzParse: every input is refused with its problems, or is a shop that can
// be written and read back as the same shop.
func FuzzParse(f *testing.F) {
	f.Add([]byte(small))
	f.Add(testdata.Larkmoor)
	if b, err := os.ReadFile("testdata/mistakes.yaml"); err == nil {
		f.Add(b)
	}
	f.Add([]byte("site: a\nsite: [\nname: *x\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		shop, _, err := Parse("fuzz.yaml", src)
		if err != nil {
			var problems Errors
			if !errors.As(err, &problems) || len(problems) == 0 || len(problems) > problemsMax || err.Error() == "" {
				t.Fatalf("refused without problems: %v", err)
			}
			return
		}
		out, err := Write(shop)
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		again, _, err := Parse("again.yaml", out)
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if diff := cmp.Diff(shop, again, sameShop); diff != "" {
			t.Fatalf("read back otherwise:\n%s\n%s", diff, out)
		}
	})
}

func BenchmarkParse(b *testing.B) {
	b.SetBytes(int64(len(testdata.Larkmoor)))
	for b.Loop() {
		if _, _, err := Parse(testdata.LarkmoorName, testdata.Larkmoor); err != nil {
			b.Fatal(err)
		}
	}
}
