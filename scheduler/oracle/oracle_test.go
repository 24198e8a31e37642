package oracle_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tickover/scheduler"
	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/scheduler/oracle"
)

// proved is a row of optimum.csv with its problem.
type proved struct {
	oracle.Instance
	optimum model.Cost
	answer  string
}

// load reads the committed problems and their proved optima.
func load(t testing.TB) []proved {
	t.Helper()
	f, err := os.Open("testdata/optimum.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []proved
	for _, row := range rows[1:] {
		n, err := strconv.ParseInt(row[2], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join("testdata", "shop", row[0]+".json"))
		if err != nil {
			t.Fatal(err)
		}
		p := &model.Problem{}
		if err := json.Unmarshal(text, p); err != nil {
			t.Fatalf("%s: %v", row[0], err)
		}
		if err := model.Validate(p); err != nil {
			t.Fatalf("%s: %v", row[0], err)
		}
		out = append(out, proved{oracle.Instance{Name: row[0], Problem: p}, model.Cost(n), row[4]})
	}
	if len(out) < 60 {
		t.Fatalf("%d proved instances, want at least 60", len(out))
	}
	return out
}

// The committed problems are those that the seeds draw, no more and no less.
func TestInstancesComeFromTheirSeeds(t *testing.T) {
	list := load(t)
	drawn := oracle.Draw()
	if len(list) != len(drawn) {
		t.Fatalf("%d proved, %d drawn", len(list), len(drawn))
	}
	for i, in := range drawn {
		want, err := json.Marshal(in.Problem)
		if err != nil {
			t.Fatal(err)
		}
		got, err := json.Marshal(list[i].Problem)
		if err != nil {
			t.Fatal(err)
		}
		if in.Name != list[i].Name || !bytes.Equal(got, want) {
			t.Errorf("%s (seed %d) is not what is committed as %s; go run ./cmd/oracle draw, then prove again", in.Name, in.Seed, list[i].Name)
		}
	}
}

// The solver's schedule keeps C1 … C14 and costs what was proved, as another
// package recomputes it.
func TestProvedSchedulesAreFeasible(t *testing.T) {
	for _, in := range load(t) {
		plan, err := oracle.Read(in.Problem, in.answer)
		if err != nil {
			t.Errorf("%s: %v", in.Name, err)
			continue
		}
		if plan.Cost.Total != in.optimum {
			t.Errorf("%s: the schedule costs %d, the proved optimum is %d", in.Name, plan.Cost.Total, in.optimum)
		}
		for _, v := range check.Plan(in.Problem, plan) {
			t.Errorf("%s: %v", in.Name, v)
		}
	}
}

// schedules is the fixed effort: BenchmarkPlan says how long it takes.
const schedules = 20_000

// Figures that must hold: instances solved to the optimum, and the worst gap.
const (
	optimalMin = 0.95
	gapMax     = 0.03
)

func TestPlannerAgainstTheOptimum(t *testing.T) {
	list := load(t)
	optimal, worst, worstName := 0, 0.0, ""
	for _, in := range list {
		plan, err := scheduler.Plan(context.Background(), in.Problem, scheduler.Options{Schedules: schedules, Seed: 1})
		if err != nil {
			t.Fatalf("%s: %v", in.Name, err)
		}
		for _, v := range check.Plan(in.Problem, plan) {
			t.Errorf("%s: %v", in.Name, v)
		}
		if len(plan.Unplaced)+len(plan.Pins)+len(plan.Breaches) > 0 {
			t.Errorf("%s: unplaced %v, pins %v, breaches %v, though a plan without any exists", in.Name, plan.Unplaced, plan.Pins, plan.Breaches)
			continue
		}
		if plan.Bound > in.optimum {
			t.Errorf("%s: the bound %d is above the optimum %d", in.Name, plan.Bound, in.optimum)
		}
		gap := float64(plan.Cost.Total-in.optimum) / float64(max(in.optimum, 1))
		switch {
		case gap < 0:
			t.Errorf("%s: the plan costs %d, less than the proved optimum %d", in.Name, plan.Cost.Total, in.optimum)
		case gap == 0:
			optimal++
		default:
			t.Logf("%s: %d, %.2f %% above the optimum %d", in.Name, plan.Cost.Total, 100*gap, in.optimum)
		}
		if gap > worst {
			worst, worstName = gap, in.Name
		}
	}
	t.Logf("%d schedules: %d of %d optimal, worst gap %.2f %% %s", schedules, optimal, len(list), 100*worst, worstName)
	if share := float64(optimal) / float64(len(list)); share < optimalMin {
		t.Errorf("%.1f %% optimal, want %.0f %%", 100*share, 100*optimalMin)
	}
	if worst > gapMax {
		t.Errorf("worst gap %.2f %%, want at most %.0f %%", 100*worst, 100*gapMax)
	}
}

// BenchmarkPlan takes the instances one after another with the effort of
// TestPlannerAgainstTheOptimum, on one core; the time of an operation is that
// of one instance.
func BenchmarkPlan(b *testing.B) {
	list := load(b)
	i := 0
	for b.Loop() {
		in := &list[i%len(list)]
		i++
		if _, err := scheduler.Plan(context.Background(), in.Problem, scheduler.Options{Schedules: schedules, Seed: 1}); err != nil {
			b.Fatal(err)
		}
	}
}

// What the exact model cannot say is refused by name.
func TestUnsupportedIsRefused(t *testing.T) {
	tests := []struct {
		name string
		do   func(p *model.Problem)
		want oracle.UnsupportedError
	}{
		{"buffer", func(p *model.Problem) { p.Buffer = &model.Buffer{} }, oracle.UnsupportedError{What: "problem", Why: "a buffer"}},
		{"hold", func(p *model.Problem) {
			p.Holds = []model.Hold{{Activity: "u1/flash", Until: model.Unlimited}}
		}, oracle.UnsupportedError{What: `hold of "u1/flash"`, Why: "no end"}},
		{"modes", func(p *model.Problem) {
			p.Activities[0].Modes = append(p.Activities[0].Modes, p.Activities[0].Modes[0])
		}, oracle.UnsupportedError{What: `activity "u1/flash"`, Why: "more than one mode"}},
		{"stock", func(p *model.Problem) { p.Resources[0].Consumable = true }, oracle.UnsupportedError{What: `resource "b1"`, Why: "it is used up"}},
		{"two-handed split", func(p *model.Problem) {
			s := &p.Activities[0].Modes[0].Stretches[0]
			s.Splittable, s.Workers = true, 2
		}, oracle.UnsupportedError{What: `activity "u1/flash"`, Why: "a splittable stretch without exactly one worker"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p := oracle.Draw()[0].Problem
			test.do(p)
			_, err := oracle.Export(p)
			got, ok := err.(*oracle.UnsupportedError)
			if !ok {
				t.Fatalf("got %v", err)
			}
			if diff := cmp.Diff(test.want, *got); diff != "" {
				t.Error(diff)
			}
		})
	}
}
