package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/queuetest"
)

// TestDeploymentFaults does to a deployment what a kill does not: two nodes
// that no longer hear each other while both hear the third, a disk that is full
// on one node, a clock that is set while the programs run. It is long and
// compiles the programs anew, so it is one of make faults.
func TestDeploymentFaults(t *testing.T) {
	if !long() {
		t.Skip("a part of make faults: TICKOVER_FAULTS=1")
	}
	deploytest.MayMount(t, deploymentFaults)
}

// smallDisk is the size of the disk of node-c.
const smallDisk = "96m"

func deploymentFaults(t *testing.T) {
	top := t
	disk := deploytest.SmallDisk(t, smallDisk)
	nodeClocks := []*deploytest.Clock{deploytest.NewClock(t), deploytest.NewClock(t), deploytest.NewClock(t)}
	nodes := deploytest.StartClusterWith(t, deploytest.Setup{
		Links: true, Binary: deploytest.Build(t, "github.com/nats-io/nats-server/v2", "nats-server"), Stores: map[int]string{2: disk},
		Env: map[int]string{0: nodeClocks[0].Env(), 1: nodeClocks[1].Env(), 2: nodeClocks[2].Env()},
	})
	d := deployOn(t, deploytest.Build(t, ".", "tickover"), nodes)
	clocks := map[*process]*deploytest.Clock{}
	start := func(role string, args ...string) *process {
		c := deploytest.NewClock(top)
		p := d.startWith(top, []string{c.Env()}, role, args...)
		clocks[p] = c
		return p
	}
	dispatchers := []*process{start("dispatch", d.shops...), start("dispatch")}
	start("bench")
	// One replica of the floor at each node: whoever is cut off has people
	// that press buttons.
	var floors []*process
	for _, n := range nodes.Nodes {
		floors = append(floors, start("floor", "--nats", n.URL+","+d.URLs()))
	}
	h, end := work(queuetest.Seed(t, 78), sites, func(site queue.SiteID) (list []*server) {
		for _, f := range floors {
			list = append(list, f.at(site))
		}
		return list
	})
	t.Cleanup(func() { h.stop.Store(true) })
	quiet := func() { time.Sleep(2 * time.Second); h.reset() }
	quiet()
	other := func(not ...*deploytest.Node) *deploytest.Node {
		for _, n := range nodes.Nodes {
			if n != not[0] && (len(not) < 2 || n != not[1]) {
				return n
			}
		}
		return nil
	}

	t.Run("cut between leader and follower", func(t *testing.T) {
		leader := d.logLeader(t)
		cut, heal := nodes.Between(leader, other(leader))
		h.reset()
		story := d.watchLead(t)
		cut()
		defer heal()
		time.Sleep(2 * settled())
		t.Logf("the log: %s", story())
		gapReport(t, "the node that leads the log and one other cut off from each other, both reach the third", h, 10*time.Second)
		heal()
		d.caughtUp(t)
		quiet()
	})
	t.Run("leader cut off", func(t *testing.T) {
		leader := d.logLeader(t)
		cut, heal := nodes.Around(leader)
		h.reset()
		story := d.watchLead(t)
		cut()
		defer heal()
		time.Sleep(settled())
		t.Logf("the log: %s", story())
		gapReport(t, "the node that leads the log cut off from both others and from all clients", h, 10*time.Second)
		heal()
		d.caughtUp(t)
		quiet()
	})
	t.Run("cut between followers", func(t *testing.T) {
		leader := d.logLeader(t)
		a := other(leader)
		cut, heal := nodes.Between(a, other(leader, a))
		cut()
		defer heal()
		time.Sleep(2 * settled())
		gapReport(t, "two nodes that do not lead the log cut off from each other, both reach the third", h, 10*time.Second)
		heal()
		d.caughtUp(t)
		quiet()
	})
	for _, leads := range []bool{false, true} {
		t.Run(fmt.Sprintf("disk full, leader %v", leads), func(t *testing.T) {
			full := nodes.Nodes[2]
			d.lead(t, full, leads)
			h.reset()
			ballast := deploytest.FillDisk(t, disk)
			time.Sleep(settled())
			what := "the disk of a node full"
			if leads {
				what = "the disk of the node that leads the log full"
			}
			gapReport(t, what, h, 10*time.Second)
			t.Logf("the log is led by %s; node-c says: %s", d.logLeader(t).Name, tail(full.Output(), "rite error|space left|full|DISABLED"))
			if err := os.Remove(ballast); err != nil {
				t.Fatal(err)
			}
			begun := time.Now()
			if err := d.behind(t, 20*time.Second); err != nil {
				t.Logf("room is made, and after 20 s: %v", err)
				d.named(t, full, dispatchers[0])
				full.Kill()
				full.Start(t)
				begun = time.Now()
			}
			d.caughtUp(t)
			report(t, "node with room again: all of the log", begun, 20*time.Second)
			quiet()
		})
	}
	for _, step := range []time.Duration{time.Hour, -time.Hour} {
		t.Run(fmt.Sprintf("clocks set by %v", step), func(t *testing.T) {
			leader := d.logLeader(t)
			for i, n := range nodes.Nodes {
				if n == leader {
					nodeClocks[i].Set(t, step)
					defer nodeClocks[i].Set(t, 0)
				}
			}
			time.Sleep(settled())
			gapReport(t, fmt.Sprintf("the clock of the node that leads the log set by %v", step), h, 10*time.Second)
			for i := range nodes.Nodes {
				nodeClocks[i].Set(t, 0)
			}
			time.Sleep(settled())
			gapReport(t, "and set right again", h, 10*time.Second)
			for _, p := range dispatchers {
				clocks[p].Set(t, step)
			}
			time.Sleep(settled())
			gapReport(t, fmt.Sprintf("the clocks of both dispatchers set by %v", step), h, 10*time.Second)
			for _, p := range dispatchers {
				clocks[p].Set(t, 0)
			}
			time.Sleep(settled() / 2)
			h.reset()
			clocks[floors[0]].Set(t, step)
			time.Sleep(settled())
			clocks[floors[0]].Set(t, 0)
			gapReport(t, fmt.Sprintf("the clock of one of three replicas of the floor set by %v", step), h, 10*time.Second)
			quiet()
		})
	}
	end()
	h.check(t)
	for _, w := range h.wrong {
		unit := strings.Split(w, "/")[2]
		for i, f := range d.all {
			for line := range strings.Lines(f.errs.String()) {
				if strings.Contains(line, unit+`"`) && !strings.Contains(line, "offer") {
					t.Logf("%d %s: %.400s", i, f.role, line)
				}
			}
		}
	}
	d.folds(t, h.acked)
}

// tail is the last lines of a text that have one of the words.
func tail(text, words string) string {
	var found []string
	for line := range strings.Lines(text) {
		for _, w := range strings.Split(words, "|") {
			if strings.Contains(line, w) {
				found = append(found, strings.TrimSpace(line))
				break
			}
		}
	}
	return strings.Join(found[max(0, len(found)-3):], "\n")
}

// lead makes the node the log's leader, or another if it is not to be.
func (d *deployment) lead(t testing.TB, n *deploytest.Node, leads bool) {
	t.Helper()
	deploytest.WaitFor(t, "the log to be led by the node that is wanted", time.Minute, func() error {
		if (d.logLeader(t) == n) == leads {
			return nil
		}
		_, _ = d.js.Conn().Request("$JS.API.STREAM.LEADER.STEPDOWN.SHOP", nil, 2*time.Second)
		time.Sleep(time.Second)
		return errors.New("led by another")
	})
}

// named: the doctor and the dispatcher's readiness name the node that does not
// catch up, and what to do.
func (d *deployment) named(t testing.TB, n *deploytest.Node, p *process) {
	t.Helper()
	var out, errs bytes.Buffer
	run(t.Context(), []string{"doctor", "--data", t.TempDir(), "--nats", d.URLs(), "--nats-key", d.Keys["backup"], "--nats-ca", d.CA,
		"--nats-cert", d.Certs["client"], "--nats-cert-key", d.Certs["client"] + ".key"}, streams{&out, &errs})
	if want := n.Name + ": " + log.StuckDo; !strings.Contains(out.String(), want) {
		t.Errorf("the doctor does not say %q but\n%s", want, &out)
	}
	deploytest.WaitFor(t, "the dispatcher to name the node", time.Minute, func() error {
		resp, err := http.Get(p.probe + "/readyz")
		if err != nil {
			return err
		}
		defer resp.Body.Close()
		text, _ := io.ReadAll(resp.Body)
		if want := n.Name + " does not catch up"; resp.StatusCode != http.StatusOK || !strings.Contains(string(text), want) {
			return fmt.Errorf("%d %s", resp.StatusCode, text)
		}
		return nil
	})
}
