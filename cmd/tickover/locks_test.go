package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"

	"tickover/queue"
)

// lockOp is a try to lock an interface by starting a flash, or to free it by
// ending one.
type lockOp struct {
	site  queue.SiteID
	iface string
	unit  string
	start bool
}

// lockModel is what an interface is: one flash at a time holds it. A start is
// refused exactly when another holds it; who ends holds it. Whether a history
// of concurrent calls has an order that fits is decided by porcupine (the
// checker after Lowe, "Testing for linearizability", 2017).
var lockModel = porcupine.Model{
	Partition: func(all []porcupine.Operation) [][]porcupine.Operation {
		parts := map[string][]porcupine.Operation{}
		for _, op := range all {
			in := op.Input.(lockOp)
			key := string(in.site) + "/" + in.iface
			parts[key] = append(parts[key], op)
		}
		var out [][]porcupine.Operation
		for _, p := range parts {
			out = append(out, p)
		}
		return out
	},
	Init: func() any { return "" },
	Step: func(state, input, output any) (bool, any) {
		holder, in, ok := state.(string), input.(lockOp), output.(bool)
		switch {
		case !in.start:
			return ok && holder == in.unit, ""
		case ok:
			return holder == "", in.unit
		default:
			return holder != "" && holder != in.unit, holder
		}
	},
	DescribeOperation: func(input, output any) string { return fmt.Sprintf("%+v → %v", input, output) },
}

// witness is what all clients saw.
type witness struct {
	gaps
	stop  atomic.Bool
	mu    sync.Mutex
	ops   []porcupine.Operation
	acked map[queue.SiteID][]*load
	wrong []string
}

func (h *witness) note(client int, op lockOp, called time.Time, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.ops = append(h.ops, porcupine.Operation{ClientId: client, Input: op, Call: called.UnixNano(), Output: ok, Return: time.Now().UnixNano()})
}

// check judges the history.
func (h *witness) check(t testing.TB) {
	t.Helper()
	for _, w := range h.wrong {
		t.Error(w)
	}
	locked, refused := 0, 0
	for _, op := range h.ops {
		if op.Input.(lockOp).start && op.Output.(bool) {
			locked++
		} else if op.Input.(lockOp).start {
			refused++
		}
	}
	t.Logf("interface locks: %d taken, %d refused", locked, refused)
	if locked < 20 || refused < 20 {
		t.Errorf("the clients did not get into each other's way: %d locked, %d refused", locked, refused)
	}
	switch result := porcupine.CheckOperationsTimeout(lockModel, h.ops, time.Minute); result {
	case porcupine.Ok:
	case porcupine.Unknown:
		t.Error("the history was not judged within a minute")
	default:
		t.Error("the history of the interface locks is not linearizable: an interface was locked twice, or refused while it was free")
	}
}

// client works at one bench of a site: units come, and their flash is tried on
// either interface until one is free. Each command goes to any replica, and
// again, with its id, until there is an answer.
type client struct {
	id             int
	site           queue.SiteID
	bench, charger string
	rng            *rand.Rand
	servers        func() []*server
	h              *witness
	l              *load
	n              int
}

// send repeats a command until it is answered; refused by I1 is an answer.
func (c *client) send(path, cmd string, body map[string]any) (ok bool) {
	body["command_id"], body["actor"] = cmd, "ruth"
	begun := time.Now()
	defer func() { c.h.answered(time.Since(begun)) }()
	for {
		list := c.servers()
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		at := c.rng.IntN(len(list))
		answer, status, err := list[at].post(ctx, path, body)
		cancel()
		switch {
		case err == nil && status == http.StatusOK:
			c.h.mu.Lock()
			c.l.acked = append(c.l.acked, sent{path, body})
			c.h.mu.Unlock()
			c.h.ack()
			return true
		case err == nil && status < 500 && answer["interlock"] == "I1":
			c.h.ack()
			return false
		case err == nil && status < 500 && status != http.StatusTooManyRequests:
			c.h.mu.Lock()
			c.h.wrong = append(c.h.wrong, fmt.Sprintf("%s, server %d: %s %s: %d %v", time.Now().UTC().Format(time.TimeOnly), at, path, cmd, status, answer))
			c.h.mu.Unlock()
			return false
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func (c *client) run() {
	for !c.h.stop.Load() && len(c.h.wrong) == 0 {
		unit := fmt.Sprintf("%s-%d-%d", c.site, c.id, c.n)
		if c.n++; !c.send("/units", "arrive-"+unit, arrival(unit)) {
			return
		}
		op := lockOp{site: c.site, unit: unit, start: true}
		for try := 0; ; try++ {
			op.iface = []string{"i1", "i2"}[c.rng.IntN(2)]
			called := time.Now()
			ok := c.send("/units/"+unit+"/steps/flash/start", fmt.Sprintf("start-%s-%d", unit, try), map[string]any{
				"technician": "ruth", "resources": []string{c.bench, op.iface, c.charger}, "evidence": map[string]string{"battery_v": "12.7"},
			})
			c.h.note(c.id, op, called, ok)
			if ok {
				break
			}
			if c.h.stop.Load() {
				return
			}
		}
		time.Sleep(time.Duration(c.rng.IntN(20)) * time.Millisecond)
		op.start = false
		called := time.Now()
		c.h.note(c.id, op, called, c.send("/units/"+unit+"/steps/flash/finish", "finish-"+unit, map[string]any{
			"technician": "ruth", "failed": true, "reason": "the test takes it off again",
		}))
	}
}

// work starts three clients at each site, which share two interfaces; end ends
// them and waits.
func work(seed uint64, at []queue.SiteID, servers func(queue.SiteID) []*server) (h *witness, end func()) {
	h = &witness{acked: map[queue.SiteID][]*load{}}
	var wg sync.WaitGroup
	for i, site := range at {
		for k, place := range [][2]string{{"b2", "c3"}, {"b3", "c1"}, {"b4", "c2"}} {
			c := &client{id: 3*i + k, site: site, bench: place[0], charger: place[1], h: h, l: &load{},
				rng: rand.New(rand.NewPCG(seed, uint64(3*i+k))), servers: func() []*server { return servers(site) }}
			h.acked[site] = append(h.acked[site], c.l)
			wg.Go(c.run)
		}
	}
	return h, func() {
		h.stop.Store(true)
		wg.Wait()
	}
}

// TestLockModel: the judge finds an interface that was locked twice.
func TestLockModel(t *testing.T) {
	op := func(client int, in lockOp, call, ret int64, ok bool) porcupine.Operation {
		in.site, in.iface = "larkmoor", "i1"
		return porcupine.Operation{ClientId: client, Input: in, Call: call, Output: ok, Return: ret}
	}
	a, b := lockOp{unit: "A", start: true}, lockOp{unit: "B", start: true}
	for _, c := range []struct {
		name string
		ops  []porcupine.Operation
		want bool
	}{
		{"one after the other", []porcupine.Operation{op(1, a, 1, 2, true), op(1, lockOp{unit: "A"}, 3, 4, true), op(2, b, 5, 6, true)}, true},
		{"at once, one refused", []porcupine.Operation{op(1, a, 1, 5, true), op(2, b, 2, 4, false)}, true},
		{"twice", []porcupine.Operation{op(1, a, 1, 5, true), op(2, b, 2, 4, true)}, false},
		{"refused while free", []porcupine.Operation{op(2, b, 1, 2, false), op(1, a, 3, 4, true)}, false},
		{"freed by another", []porcupine.Operation{op(1, a, 1, 2, true), op(2, lockOp{unit: "B"}, 3, 4, true)}, false},
	} {
		if got := porcupine.CheckOperations(lockModel, c.ops); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
