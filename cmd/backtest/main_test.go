package main

import (
	"context"
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/services/simshop"
	"tickover/testdata"
)

// TestReplayedLog: the log that a simulated shop left in a data directory is
// judged, unit by unit; what is asked for wrongly is said.
func TestReplayedLog(t *testing.T) {
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	srv, err := log.Open(t.Context(), log.Options{Dir: filepath.Join(dir, "log")})
	if err != nil {
		t.Fatal(err)
	}
	r, err := simshop.Run(t.Context(), simshop.Options{Shop: shop, ShopFile: hash, Seed: queuetest.Seed(t, 1), Days: 2, Schedules: 1, Log: srv})
	if err != nil {
		t.Fatal(err)
	}
	if err := srv.Close(); err != nil {
		t.Fatal(err)
	}
	table := filepath.Join(dir, "curve.csv")
	c := cli{Data: dir, Site: string(shop.Site), Threads: 2, CSV: table, SVG: filepath.Join(dir, "curve.svg"), Tolerate: 3}
	if err := c.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(table)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	was := 0
	for i, row := range rows[1:] {
		n, _ := strconv.Atoi(row[1])
		kept, _ := strconv.Atoi(row[2])
		// A unit that is ready by the time said with 50 % is ready by that of 60 %.
		if n < r.UnitsFinished/2 || n > r.UnitsArrived || kept < was || kept > n {
			t.Errorf("line %d: %v of %d that arrived and %d that left", i+2, row, r.UnitsArrived, r.UnitsFinished)
		}
		was = kept
	}
	if was == 0 {
		t.Error("nothing was kept")
	}
	if s, err := os.ReadFile(c.SVG); err != nil || !strings.HasPrefix(string(s), "<svg ") {
		t.Errorf("picture: %v", err)
	}

	c = cli{Data: dir}
	if err := c.run(t.Context()); err == nil || !strings.Contains(err.Error(), "say which site: SITE=NAME") {
		t.Errorf("no site: %v", err)
	}
	c.Site = "nowhere"
	if err := c.run(t.Context()); err == nil || !strings.Contains(err.Error(), `no unit of site "nowhere"`) {
		t.Errorf("another site: %v", err)
	}
	empty := t.TempDir()
	c = cli{Data: empty, Site: string(shop.Site)}
	if err := c.run(context.Background()); err == nil || !strings.Contains(err.Error(), "no log") {
		t.Errorf("no log: %v", err)
	}
	if list, _ := os.ReadDir(empty); len(list) > 0 {
		t.Error("a directory without a log was written to")
	}
}
