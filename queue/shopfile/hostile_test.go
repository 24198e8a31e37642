package shopfile

import (
	"encoding/json"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/testdata"
)

// parseErrors parses a file that must be refused.
func parseErrors(t *testing.T, src string) Errors {
	t.Helper()
	shop, hash, err := Parse("shop.yaml", []byte(src))
	var problems Errors
	if !errors.As(err, &problems) || len(problems) == 0 {
		t.Fatalf("Parse gave %v, want Errors", err)
	}
	if shop != nil || hash != "" {
		t.Error("a refused file gave a shop or a hash")
	}
	return problems
}

// replaced is the demo shop's file with one piece of text replaced.
func replaced(t *testing.T, old, with string) string {
	t.Helper()
	src := string(testdata.Larkmoor)
	if strings.Count(src, old) == 0 {
		t.Fatalf("the demo shop's file has no %q", old)
	}
	return strings.Replace(src, old, with, 1)
}

func lineOf(t *testing.T, src, piece string) int {
	t.Helper()
	i := strings.Index(src, piece)
	if i < 0 {
		t.Fatalf("no %q", piece)
	}
	return 1 + strings.Count(src[:i], "\n")
}

func TestOneMistakeGivesOneProblemInItsLine(t *testing.T) {
	for name, c := range map[string]struct{ old, with, what, suggestion string }{
		"engine at a bench (I7)":       {"needs: [loop]\n    engine: true", "needs: [bench, loop]\n    engine: true", "engine at a bench (I7)", "exhaust gas"},
		"engine without a place":       {"needs: [loop]\n    engine: true", "needs: []\n    engine: true", "needs no pad and no loop", "add pad or loop"},
		"relearn without engine":       {"engine: true              #", "engine: false #", "the engine runs", "leave engine out"},
		"flash without interface":      {"needs: [bench (electrical), interface, charger]", "needs: [bench (electrical), charger]", "needs no interface", "add interface"},
		"longitude with a wrong sign":  {"time_zone: Europe/London\n  latitude: 55.6              # degrees, north positive\n  longitude: -2.8", "time_zone: America/Denver\n  latitude: 40\n  longitude: 105", "does not lie in the time zone", "check the sign"},
		"resource kind that is absent": {"  p1: {kind: pad, name: Run-up pad behind the barn}\n", "", "the shop has none", "list one under resources"},
		"skill that nobody has":        {"skill: fit\n", "skill: fitt\n", `"fitt", which no technician has`, `did you mean "fit"?`},
		"too many technicians":         {"skill: fit\n", "skill: fit\n        technicians: 5\n", "5 technicians at once, 4 can do it", "lower technicians"},
		"step in after":                {"resets: {after: flash}", "resets: {after: flush}", "the route does not have", `did you mean "flash"?`},
		"parallel step":                {"parallel: [assembly, fitting]", "parallel: [assembly, fiting]", "the route does not have", `did you mean "fitting"?`},
		"parallel and in order":        {"parallel: [assembly, fitting]", "parallel: [check-in]", "in order with it", "take one"},
		"relearn before the resets":    {"relearn: {after: resets}", "relearn: {after: flash}", "must come after resets (I6)", "let it come after"},
		"circle":                       {"assembly: {after: check-in}", "assembly: {after: final-check}", "go in a circle", "take one of these out"},
		"family of a calibration":      {"family: kr4,", "family: kr44,", "no interface speaks", `did you mean "kr4"?`},
		"two current calibrations":     {"revision: 3, make: Kestrow", "revision: 2, make: Kestrow", "both are revision 2", "higher revision"},
		"rework operation missing":     {"  rework_operation: rework    # what a failed test ride asks for\n", "", "names no rework_operation", "add rework_operation"},
		"rework operation unknown":     {"rework_operation: rework", "rework_operation: rewrok", "does not exist", `did you mean "rework"?`},
		"unknown key":                  {"time_zone:", "timezone: x\n  time_zone:", "unknown key", `did you mean "time_zone"?`},
		"twelve-hour time":             {"sat: 08:30-13:00            #", "sat: 8.30am-1pm #", "not of the form hh:mm-hh:mm", "24-hour"},
		"fraction of a minute":         {"hands-on: 10m", "hands-on: 90s", "the length is", "whole minutes"},
		"no foreman":                   {"foremen: [ruth, {person: owner}]", "foremen: []", "there is no foreman", "name at least one"},
		"hands-off first":              {"- hands-on: 20m\n        skill: ride", "- hands-off: 1m\n      - hands-on: 20m\n        skill: ride", "begins hands-off", "somebody has to start it"},
		"evidence named twice":         {"idle_rpm: {label: Idle,", "coolant_c: {label: Idle,", "stands twice", "keep one"},
		"closed and open":              {"{closed: Good Friday}", "{closed: Good Friday, open: 08:00-09:00}", "both open and closed", "keep one"},
		"longer than anybody works":    {"hands-on: 20m\n        skill: check", "hands-on: 5h\n        skill: check", "without a break", "splittable"},
		"longer than a day":            {"hands-off: 1h30m", "hands-off: 10h", "never open longer than 9h30m", "overnight"},
		"a flash longer than a day":    {"hands-off: 28m", "hands-off: 9h30m", "never open longer than 9h30m", "shorten it"},
		"never open":                   {"hours:                        # when the shop is open\n  mon-fri: 08:00-17:30\n  sat: 08:30-13:00 ", "hours:\n  sat: closed ", "never open", "name the days"},
		"a list for a group":           {"place:                        # the sun is computed from this\n  time_zone: Europe/London\n  latitude: 55.6              # degrees, north positive\n  longitude: -2.8             # degrees, east positive\n  elevation_m: 210", "place: [1, 2]", "place is a list", "key: value"},
	} {
		t.Run(name, func(t *testing.T) {
			src := replaced(t, c.old, c.with)
			problems := parseErrors(t, src)
			if len(problems) > 2 {
				t.Errorf("one mistake gave %d problems:\n%v", len(problems), problems)
			}
			found := false
			for _, p := range problems {
				found = found || strings.Contains(p.What, c.what) && strings.Contains(p.Suggestion, c.suggestion)
				if p.File != "shop.yaml" || p.Line < 1 || p.Column < 1 {
					t.Errorf("place %s:%d:%d", p.File, p.Line, p.Column)
				}
			}
			if !found {
				t.Errorf("no problem says %q and suggests %q:\n%v", c.what, c.suggestion, problems)
			}
		})
	}
}

// Who starts a step has to have the skills of all its stretches.
func TestNobodyHasAllSkills(t *testing.T) {
	src := replaced(t, "skills: [check, prep, fit, flash, engine, ride]", "skills: [prep, fit, flash, engine, ride]")
	src = strings.Replace(src, "- hands-on: 20m\n        skill: check\n", "- hands-on: 20m\n        skill: check\n      - hands-on: 5m\n        skill: ride\n", 1)
	problems := parseErrors(t, src)
	if len(problems) != 1 || problems[0].Line != lineOf(t, src, "  final-check:\n    name") || !strings.Contains(problems[0].What, "0 technicians have all the skills") {
		t.Errorf("got %v", problems)
	}
}

// A file that is no YAML as a whole is read section by section: the section
// with the slip is named, mistakes elsewhere are told as well.
func TestSyntaxErrorHidesNoOtherMistake(t *testing.T) {
	src := replaced(t, "skills: [check, prep, fit, flash, engine, ride]", "skills: [check, prep")
	src = strings.Replace(src, "from: sunrise", "from: sunset", 1)
	src = strings.Replace(src, "hands-off: 28m", "hands-off: 28 minutes", 1)
	problems := parseErrors(t, src)
	var lines []int
	for _, p := range problems {
		lines = append(lines, p.Line)
	}
	want := []int{lineOf(t, src, "from: sunset"), lineOf(t, src, "skills: [check, prep\n"), lineOf(t, src, "28 minutes")}
	if diff := cmp.Diff(want, lines); diff != "" {
		t.Errorf("lines (-want +got):\n%s\n%v", diff, problems)
	}
}

func TestTabIsNamed(t *testing.T) {
	problems := parseErrors(t, replaced(t, "  time_zone:", "\ttime_zone:"))
	if len(problems) != 1 || !strings.Contains(problems[0].Suggestion, "tabs") {
		t.Errorf("got %v", problems)
	}
}

func TestBadBytesAreNamed(t *testing.T) {
	src := replaced(t, "Run-up pad", "Run-up p\xe4d")
	problems := parseErrors(t, src)
	if len(problems) != 1 || problems[0].Line != lineOf(t, src, "p\xe4d") || !strings.Contains(problems[0].Suggestion, "UTF-8") {
		t.Errorf("got %v", problems)
	}
}

// A small file never stands for a huge one, and no file takes long.
func TestHostileFiles(t *testing.T) {
	laughs := "a: &a [x,x,x,x,x,x,x,x,x]\n"
	for i := 'b'; i <= 'z'; i++ {
		prev := string(i - 1)
		laughs += string(i) + ": &" + string(i) + " [" + strings.Repeat("*"+prev+",", 9) + "]\n"
	}
	mib := func(s string) string { return strings.Repeat(s, SizeMax/len(s)) }
	var manyTags, manySections, manySteps strings.Builder
	for i := 0; manyTags.Len() < SizeMax-100; i++ {
		manyTags.WriteString(", t")
		manyTags.WriteString(strings.Repeat("x", i%7) + time.Duration(i).String())
	}
	for i := 0; manySections.Len() < SizeMax-40; i++ {
		manySections.WriteString("a: [\n")
	}
	manySteps.WriteString("operations:\n")
	for i := range 1000 {
		manySteps.WriteString("  longoperationname" + time.Duration(i).String() + ": {kind: general}\n")
	}
	manySteps.WriteString("routes:\n")
	for i := 0; manySteps.Len() < SizeMax-800; i++ {
		manySteps.WriteString("  r" + time.Duration(i).String() + ":\n    steps:\n")
		for j := range 60 {
			manySteps.WriteString("      s" + time.Duration(j).String() + ":\n")
		}
	}
	for name, src := range map[string]string{
		"billion laughs":    laughs,
		"anchor":            replaced(t, "name: Bench 1", "name: &n Bench 1"),
		"tag":               replaced(t, "name: Bench 1", "name: !!binary Bench 1"),
		"deep flow":         mib("["),
		"deep blocks":       mib("- "),
		"deep maps":         mib("? "),
		"one line":          mib("a"),
		"many keys":         mib("a: 1\n"),
		"many sections":     manySections.String(),
		"many tags":         "resources:\n  b: {kind: bench, tags: [a" + manyTags.String() + "]}\n",
		"many unknown":      manySteps.String(),
		"too large":         strings.Repeat("#", SizeMax+1),
		"empty":             "",
		"only a comment":    "# nothing\n",
		"two documents":     string(testdata.Larkmoor) + "---\nsite: x\n",
		"a list":            "- 1\n- 2\n",
		"a text":            "hello",
		"null bytes":        "site: \x00\n",
		"utf-16":            "\xff\xfes\x00i\x00",
		"keys that are not": "? [a, b]\n: c\n",
	} {
		t.Run(name, func(t *testing.T) {
			problems := parseErrors(t, src)
			if len(problems) > problemsMax {
				t.Errorf("%d problems, at most %d are kept", len(problems), problemsMax)
			}
			t.Log(problems[0])
		})
	}
}

func TestErrorsAsJSON(t *testing.T) {
	src, err := os.ReadFile("testdata/mistakes.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = Parse("mistakes.yaml", src)
	b, err := json.Marshal(err)
	if err != nil {
		t.Fatal(err)
	}
	var back Errors
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	if len(back) < 20 || back[0].Line != 2 || back[0].What == "" || back[0].Suggestion == "" || back[0].Excerpt == "" {
		t.Errorf("got %.300s", b)
	}
}
