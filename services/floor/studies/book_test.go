package studies_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/services/floor/locale"
	"tickover/services/floor/studies"
	"tickover/services/simulate"
	"tickover/testdata"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func demo(t *testing.T) *queue.Shop {
	t.Helper()
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	return shop
}

func question(t *testing.T, shop *queue.Shop, pairs int, changes ...string) studies.Question {
	t.Helper()
	q := studies.Question{Start: time.Date(2026, 2, 16, 0, 0, 0, 0, time.UTC), Weeks: 1, Pairs: pairs, Seed: 1}
	for _, c := range changes {
		s, err := simulate.ParseScenario(shop, c)
		if err != nil {
			t.Fatal(err)
		}
		q.Scenarios = append(q.Scenarios, s)
	}
	return q
}

// until waits for a study's news until it is as wanted.
func until(t *testing.T, b *studies.Book, id int, want func(studies.Study) bool) studies.Study {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	for {
		changed := b.Changed()
		s, ok := b.Get(id)
		if ok && want(s) {
			return s
		}
		select {
		case <-changed:
		case <-ctx.Done():
			t.Fatalf("study %d is %+v", id, s)
		}
	}
}

func over(s studies.Study) bool { return s.State.Over() }

// TestBook: one at a time, in turn; stopped ones keep what they have; a
// question that makes no sense and one too many are refused.
func TestBook(t *testing.T) {
	shop := demo(t)
	learning := make(chan struct{})
	b := studies.New(studies.Options{Now: time.Now, Learn: func(ctx context.Context, _ *queue.Shop, _ time.Time) (*simulate.Habits, simulate.Lengths, error) {
		select {
		case <-learning:
			return nil, nil, nil
		case <-ctx.Done():
			return nil, nil, ctx.Err()
		}
	}})
	defer b.Close()
	first, err := b.Ask(shop, question(t, shop, 2, "add=i2", "lit=p1"))
	if err != nil {
		t.Fatal(err)
	}
	until(t, b, first.ID, func(s studies.Study) bool { return s.State == studies.Running })
	long, err := b.Ask(shop, question(t, shop, 100, "add=b1"))
	if err != nil {
		t.Fatal(err)
	}
	var rest []studies.Study
	for range 4 {
		s, err := b.Ask(shop, question(t, shop, 2, "add=b1"))
		if err != nil {
			t.Fatal(err)
		}
		rest = append(rest, s)
	}
	if _, err := b.Ask(shop, question(t, shop, 2, "add=b1")); !errors.Is(err, studies.ErrFull) {
		t.Errorf("the seventh: %v", err)
	}
	for _, s := range rest { // waiting ones
		if err := b.Stop(s.ID); err != nil {
			t.Error(err)
		}
		if got := until(t, b, s.ID, over); got.State != studies.Stopped || got.Result != nil {
			t.Errorf("%+v", got)
		}
	}
	close(learning)
	if got := until(t, b, first.ID, over); got.State != studies.Done || got.Result.Pairs != 2 || len(got.Result.Scenarios) != 2 || got.Percent() != 100 {
		t.Errorf("%+v", got)
	}
	until(t, b, long.ID, func(s studies.Study) bool { return s.Runs >= 4 })
	if err := b.Stop(long.ID); err != nil {
		t.Error(err)
	}
	if got := until(t, b, long.ID, over); got.State != studies.Stopped || got.Result == nil || !got.Result.Cut() || got.Result.Pairs < 1 {
		t.Errorf("%+v", got)
	}
	if err := b.Stop(99); !errors.Is(err, studies.ErrUnknown) {
		t.Error(err)
	}
	q := question(t, shop, 2, "add=i2")
	q.Scenarios[0][0].ID = "gone"
	var wrong *simulate.WrongChange
	if _, err := b.Ask(shop, q); !errors.As(err, &wrong) {
		t.Errorf("a change of something that is not there: %v", err)
	}
	for _, change := range []func(*studies.Question){
		func(q *studies.Question) { q.Weeks = 1000 }, func(q *studies.Question) { q.Pairs = 1 }, func(q *studies.Question) { q.Scenarios = nil },
	} {
		q := question(t, shop, 2, "add=i2")
		change(&q)
		if _, err := b.Ask(shop, q); err == nil {
			t.Errorf("%+v is simulated", q)
		}
	}
	if n := len(b.All()); n != 6 || b.All()[0].ID < b.All()[1].ID {
		t.Errorf("%d are kept", n)
	}
}

// TestFailureIsKept: what went wrong is told, and the next one runs.
func TestFailureIsKept(t *testing.T) {
	shop := demo(t)
	broken := true
	b := studies.New(studies.Options{Now: time.Now, Learn: func(context.Context, *queue.Shop, time.Time) (*simulate.Habits, simulate.Lengths, error) {
		if broken {
			return nil, nil, errors.New("the log is gone")
		}
		return nil, nil, nil
	}})
	defer b.Close()
	s, err := b.Ask(shop, question(t, shop, 2, "add=i2"))
	if err != nil {
		t.Fatal(err)
	}
	if got := until(t, b, s.ID, over); got.State != studies.Failed || got.Wrong != "the log is gone" {
		t.Errorf("%+v", got)
	}
	broken = false
	q := question(t, shop, 2, "add=i2")
	q.Ranking = true
	if s, err = b.Ask(shop, q); err != nil {
		t.Fatal(err)
	}
	until(t, b, s.ID, over)
	if r, ok := b.Ranking(); !ok || r.ID != s.ID {
		t.Errorf("%+v", r)
	}
}

// TestWords: each change is said in words, with its cautions, in English and in
// German; a table and a picture hold one line for each.
func TestWords(t *testing.T) {
	shop := demo(t)
	german := locale.Find("de")
	for change, want := range map[string][2]string{
		"add=i1":          {"one more like Interface 1", "Interface 1"},
		"add=l1":          {"one more place on Moor loop", "Moor loop"},
		"add=ruth":        {"one more technician like Ruth Hedgelow", "Ruth Hedgelow"},
		"without=c3":      {"without Charger 3", "ohne Charger 3"},
		"without=tomas":   {"without Tomas Quarrick", "ohne Tomas Quarrick"},
		"till=kofi@19:00": {"Kofi Stanmere works until 19:00", "bis 19:00"},
		"lit=p1":          {"lamps at Run-up pad behind the barn", "Lampen"},
		"crates=30":       {"30 crates on the first Monday", "30 Kisten"},
		"more=20":         {"20 % more work", "20 % mehr"},
		"more=-20":        {"20 % less work", "20 % weniger"},
	} {
		s := question(t, shop, 2, change).Scenarios[0]
		if got := studies.Text(locale.English(), shop, s); got != want[0] {
			t.Errorf("%s: %q", change, got)
		}
		if got := studies.Text(german, shop, s); !strings.Contains(got, want[1]) {
			t.Errorf("%s: %q", change, got)
		}
		if careful := len(studies.Cautions(s)) > 0; careful != (s[0].Op == simulate.Lit || s[0].Op == simulate.Till) {
			t.Errorf("%s: cautions %v", change, studies.Cautions(s))
		}
	}
	r := &simulate.Result{Pairs: 3, Scenarios: []simulate.Outcome{
		{Changes: question(t, shop, 2, "add=i1").Scenarios[0]},
		{Changes: question(t, shop, 2, "lit=p1").Scenarios[0], Diff: simulate.Figures{Full: simulate.Range{Mean: 2, Half: 1, Pairs: 3}, Stay: simulate.Range{Mean: -4, Half: 1, Pairs: 3}}},
	}}
	if rows := studies.Table(locale.English(), shop, r); len(rows) != 4 || rows[3][0] != "lit=p1" || rows[3][17] != "2.000" {
		t.Errorf("%q", rows)
	}
	for _, m := range studies.Measures() {
		f := studies.Figure(locale.English(), shop, r, m)
		if len(f.Lanes) != 2 || (m == studies.Full || m == studies.Stay) != strings.HasPrefix(f.Lanes[0], "lamps") {
			t.Errorf("%s: %q", m, f.Lanes)
		}
	}
}
