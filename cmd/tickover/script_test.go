package main

import (
	"context"
	"maps"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/rogpeppe/go-internal/testscript"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/services/floor/browsertest"
	"tickover/services/ledger"
	"tickover/services/simshop"
	"tickover/testdata"
)

func TestMain(m *testing.M) {
	testscript.Main(browsertest.Closing{M: cleaning{m}}, map[string]func(){"tickover": main})
}

// cleaning removes the built program after the tests.
type cleaning struct{ *testing.M }

func (c cleaning) Run() int {
	code := c.M.Run()
	if bin, err := program(); err == nil {
		_ = os.RemoveAll(filepath.Dir(bin))
	}
	return code
}

// TestScripts runs the command line as a person types it; see testdata/script.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(env *testscript.Env) error {
			for name, b := range map[string][]byte{"larkmoor.yaml": testdata.Larkmoor, "busy.csv": testdata.BusyDay, "newer.csv": testdata.Calibrations} {
				if err := os.WriteFile(filepath.Join(env.WorkDir, name), b, 0o600); err != nil {
					return err
				}
			}
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"mklog":    makeLog,
			"damage":   damage,
			"takeport": takePort,
			"setup":    setUp,
			"simlog":   simLog,
			"unit":     unitLike,
		},
	})
}

// makeLog writes a small log: mklog DIR [newer] ends it, if asked to, with an
// entry that a newer program wrote.
func makeLog(ts *testscript.TestScript, _ bool, args []string) {
	srv, err := log.Open(context.Background(), log.Options{Dir: logDir(ts.MkAbs(args[0]))})
	ts.Check(err)
	defer srv.Close()
	site := queuetest.NewSite()
	for i := range 20 {
		ts.Check(site.Arrive(queue.UnitID("T-"+string(rune('a'+i))), "set-up"))
	}
	for i := range site.Entries {
		en := site.Entries[i]
		_, err := srv.Append(context.Background(), &en, uint64(i))
		ts.Check(err)
	}
	if len(args) > 1 && args[1] == "newer" {
		nc, err := srv.Connect()
		ts.Check(err)
		defer nc.Close()
		ts.Check(appendNewer(nc, site.State.LastEntry))
	}
}

// setUp puts the demo's shop file into effect in a data directory.
func setUp(ts *testscript.TestScript, _ bool, args []string) {
	srv, err := log.Open(context.Background(), log.Options{Dir: logDir(ts.MkAbs(args[0]))})
	ts.Check(err)
	defer srv.Close()
	shop, hash, err := parseShop("larkmoor.yaml", testdata.Larkmoor)
	ts.Check(err)
	_, err = openLedger(context.Background(), shopOptions{shop: shop, file: hash, log: srv, now: time.Now})
	ts.Check(err)
}

// simLog writes the log of a simulated demo shop: simlog DIR DAYS.
func simLog(ts *testscript.TestScript, _ bool, args []string) {
	srv, err := log.Open(context.Background(), log.Options{Dir: logDir(ts.MkAbs(args[0]))})
	ts.Check(err)
	defer srv.Close()
	shop, hash, err := parseShop("larkmoor.yaml", testdata.Larkmoor)
	ts.Check(err)
	days, err := strconv.Atoi(args[1])
	ts.Check(err)
	_, err = simshop.Run(context.Background(), simshop.Options{Shop: shop, ShopFile: hash, Seed: 1, Days: days, Schedules: 1, Log: srv})
	ts.Check(err)
}

// unitLike names a unit of a log in a variable: unit DIR VAR STATUS [STEP], the
// first one in that status in which the step, if one is given, is done.
func unitLike(ts *testscript.TestScript, _ bool, args []string) {
	srv, err := log.Open(context.Background(), log.Options{Dir: logDir(ts.MkAbs(args[0]))})
	ts.Check(err)
	defer srv.Close()
	l, err := ledger.Open(context.Background(), ledger.Options{Site: "larkmoor", Log: srv, Now: time.Now})
	ts.Check(err)
	units := l.View().Units
	for _, id := range slices.Sorted(maps.Keys(units)) {
		u := units[id]
		if u.Status.String() == args[2] && (len(args) < 4 || u.Step(queue.StepID(args[3])) != nil && u.Step(queue.StepID(args[3])).Status == queue.Done) {
			ts.Setenv(args[1], string(id))
			return
		}
	}
	ts.Fatalf("no unit is like %v", args[2:])
}

// damage flips a bit in the middle of the newest block of a log.
func damage(ts *testscript.TestScript, _ bool, args []string) {
	blocks, err := filepath.Glob(filepath.Join(logDir(ts.MkAbs(args[0])), "store", "jetstream", "*", "streams", "*", "msgs", "*.blk"))
	ts.Check(err)
	if len(blocks) == 0 {
		ts.Fatalf("no blocks in %s", args[0])
	}
	b, err := os.ReadFile(blocks[0])
	ts.Check(err)
	b[len(b)/2] ^= 1
	ts.Check(os.WriteFile(blocks[0], b, 0o600))
}

// takePort listens on a free port and keeps it; PORT names it.
func takePort(ts *testscript.TestScript, _ bool, _ []string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	ts.Check(err)
	ts.Defer(func() { _ = l.Close() })
	_, port, err := net.SplitHostPort(l.Addr().String())
	ts.Check(err)
	ts.Setenv("PORT", port)
}

// appendNewer publishes an entry of the next format version, as a newer
// program would.
func appendNewer(nc *nats.Conn, prev queue.Hash) error {
	m := nats.NewMsg("shop.test")
	m.Data = []byte(`[{"specversion":"1.0","id":"n.0","source":"/sites/test","type":"unit.arrived.v2","subject":"unit/X","time":"2026-02-16T10:00:00Z","datacontenttype":"application/json","received":"2026-02-16T10:00:00Z","command":"n","n":1,"data":{}}]`)
	m.Header.Set("Tickover-Prev", string(prev))
	m.Header.Set("Tickover-Format", strconv.Itoa(queue.FormatVersion+1))
	m.Header.Set("Tickover-Program", "9.9")
	m.Header.Set("Tickover-Command", "n")
	_, err := nc.RequestMsg(m, 5*time.Second)
	return err
}
