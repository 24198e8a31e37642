package instances_test

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"tickover/scheduler/instances"
)

// Fisher & Thompson's 6×6 job shop (1963), optimum 55, in a folder laid out
// like the published sets.
const ft06 = `6 6
2 1 0 3 1 6 3 7 5 3 4 6
1 8 2 5 4 10 5 10 0 10 3 4
2 5 3 4 5 8 0 9 1 1 4 7
1 5 0 5 2 5 3 3 4 8 5 9
2 9 1 3 4 5 5 4 0 3 3 1
1 3 3 3 5 9 0 10 4 4 2 1
`

func clock() time.Time { return time.Time{} }

// TestRunTakesTheFigures runs the one instance whose optimum is known, and
// reads the figures back from the CSV.
func TestRunTakesTheFigures(t *testing.T) {
	data := fstest.MapFS{
		"jsp/bks.csv":     {Data: []byte("instance,jobs,machines,lower,upper\nft06,6,6,55,55\n")},
		"jsp/ft/ft06.jss": {Data: []byte(ft06)},
	}
	list, err := instances.Load(data, "jsp/ft")
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 1 || list[0].Best != 55 || list[0].Path != 47 { // the longest job, 47
		t.Fatalf("read %+v", list)
	}
	row, err := instances.Run(context.Background(), list, instances.Budget{Schedules: 2000, Seed: 1}, clock)
	if err != nil {
		t.Fatal(err)
	}
	if row.Reached != 1 || row.MeanRefPct != 0 || row.Feasible != 1 || len(row.Violations) != 0 {
		t.Errorf("figures %+v", row)
	}
	var out bytes.Buffer
	if err := instances.WriteCSV(&out, []instances.Row{row}); err != nil {
		t.Fatal(err)
	}
	if want := instances.Header + "\n" + "jsp/ft,1,2000,1,0"; !strings.HasPrefix(out.String(), want) {
		t.Errorf("CSV %q, want it to begin with %q", out.String(), want)
	}
}

// TestRunUnderATimeBudget: when an instance's context ends, the row tells how
// many schedules were generated, and the plan is whole.
func TestRunUnderATimeBudget(t *testing.T) {
	data := fstest.MapFS{
		"jsp/bks.csv":     {Data: []byte("instance,jobs,machines,lower,upper\nft06,6,6,55,55\n")},
		"jsp/ft/ft06.jss": {Data: []byte(ft06)},
	}
	list, err := instances.Load(data, "jsp/ft")
	if err != nil {
		t.Fatal(err)
	}
	ended := func(ctx context.Context) (context.Context, context.CancelFunc) {
		ctx, cancel := context.WithCancel(ctx)
		cancel()
		return ctx, cancel
	}
	row, err := instances.Run(context.Background(), list, instances.Budget{Schedules: 1 << 40, Limit: ended, Threads: 2, Seed: 1}, clock)
	if err != nil {
		t.Fatal(err)
	}
	if row.Feasible != 1 || row.Schedules < 1 || row.Schedules > 100 || len(row.Violations) != 0 {
		t.Errorf("figures %+v", row)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := instances.Run(ctx, list, instances.Budget{Schedules: 10}, clock); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped from outside: %v", err)
	}
}

// TestWithoutBestValues: a set whose list of best values is missing, or knows
// another instance, is planned all the same.
func TestWithoutBestValues(t *testing.T) {
	for name, data := range map[string]fstest.MapFS{
		"no list":       {"jsp/ft/ft06.jss": {Data: []byte(ft06)}},
		"another's":     {"jsp/ft/ft06.jss": {Data: []byte(ft06)}, "jsp/bks.csv": {Data: []byte("instance,upper\nft10,930\n")}},
		"flexible":      {"fjsp/own/a.fjs": {Data: []byte("1 1 1\n1 1 0 7\n")}},
		"single lines":  {"wt/wt1.txt": {Data: []byte("3\n2\n1\n")}},
		"several modes": {"psplib-mm/none/readme.txt": {Data: []byte("x")}},
	} {
		sets, err := instances.Sets(data)
		if err != nil || len(sets) != 1 {
			t.Fatalf("%s: sets %v, %v", name, sets, err)
		}
		list, err := instances.Load(data, sets[0])
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		row, err := instances.Run(context.Background(), list, instances.Budget{Schedules: 20, Seed: 1}, clock)
		if err != nil || row.Feasible != len(list) || row.Known != 0 || row.MeanRefPct != 0 {
			t.Errorf("%s: figures %+v, %v", name, row, err)
		}
	}
}

func TestChoose(t *testing.T) {
	sets := []string{"psplib/j30", "psplib/j120", "psplib-mm/j30", "wt/wt40", "oracle-calendar"}
	for asked, want := range map[string]string{
		"":                        "psplib/j30 psplib/j120 psplib-mm/j30 wt/wt40 oracle-calendar",
		"j120":                    "psplib/j120",
		"psplib":                  "psplib/j30 psplib/j120",
		"wt40 psplib j120":        "wt/wt40 psplib/j30 psplib/j120",
		"oracle-calendar wt/wt40": "oracle-calendar wt/wt40",
	} {
		got, err := instances.Choose(sets, strings.Fields(asked))
		if err != nil || strings.Join(got, " ") != want {
			t.Errorf("%q: %v, %v; want %s", asked, got, err, want)
		}
	}
	for asked, want := range map[string]string{"j60": "there are psplib/j30", "j30": "psplib/j30, psplib-mm/j30"} {
		if _, err := instances.Choose(sets, []string{asked}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want it to name %s", asked, err, want)
		}
	}
}

// TestBadFilesNameTheLine: what is cut off or is no number is told with its
// line.
func TestBadFilesNameTheLine(t *testing.T) {
	for name, text := range map[string]string{
		"cut off":    strings.TrimSuffix(ft06, "1 3 3 3 5 9 0 10 4 4 2 1\n"),
		"no number":  strings.Replace(ft06, "10 0 10 3 4", "10 0 x 3 4", 1),
		"no machine": strings.Replace(ft06, "2 1 0 3", "9 1 0 3", 1),
		"empty":      "",
	} {
		_, err := instances.JobShop(name, strings.NewReader(text))
		if err == nil {
			t.Errorf("%s: read without an error", name)
		} else if name == "no number" && !strings.Contains(err.Error(), "3") {
			t.Errorf("%s: %v names no line", name, err)
		}
	}
}

func FuzzReaders(f *testing.F) {
	f.Add(ft06)
	f.Add("1 1\n1 1 0 5\n")
	f.Add(`{"N":1}`)
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1<<14 {
			return
		}
		_, _ = instances.JobShop("x", strings.NewReader(text))
		_, _ = instances.FlexibleJobShop("x", strings.NewReader(text))
		_, _ = instances.Project("x", strings.NewReader(text))
		_, _ = instances.CalendarShop("x", strings.NewReader(text))
		_, _ = instances.WeightedTardiness("x", strings.NewReader(text), 4)
	})
}
