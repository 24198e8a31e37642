package instances_test

import (
	"context"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/scheduler/instances"
)

// BenchmarkSets runs the sets of the folder in TICKOVER_DATA, those in SETS if
// set, at the numbers of SCHEDULES (default 1000), and prints the table.
func BenchmarkSets(b *testing.B) {
	dir := os.Getenv("TICKOVER_DATA")
	if dir == "" {
		b.Skip("set TICKOVER_DATA to a folder of benchmark sets")
	}
	data := os.DirFS(dir)
	sets, err := instances.Sets(data)
	if err != nil {
		b.Fatal(err)
	}
	if want := os.Getenv("SETS"); want != "" {
		sets = strings.Split(want, ",")
	}
	counts := os.Getenv("SCHEDULES")
	if counts == "" {
		counts = "1000"
	}
	for b.Loop() {
		var rows []instances.Row
		for _, set := range sets {
			list, err := instances.Load(data, set)
			if err != nil {
				b.Fatal(err)
			}
			for _, s := range strings.Split(counts, ",") {
				n, err := strconv.Atoi(s)
				if err != nil {
					b.Fatal(err)
				}
				row, err := instances.Run(context.Background(), list, n, 1, 1, time.Now)
				if err != nil {
					b.Fatal(err)
				}
				if len(row.Violations) > 0 {
					b.Errorf("%d violations, first %s", len(row.Violations), row.Violations[0])
				}
				rows = append(rows, row)
			}
		}
		if err := instances.WriteTable(os.Stdout, rows); err != nil {
			b.Fatal(err)
		}
	}
}
