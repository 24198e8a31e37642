package faultsim

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/ledger"
)

// judge is one site's: it reads the log from its beginning, once, and knows
// what everybody was told.
type judge struct {
	s     *sim
	x     *site
	laws  *laws
	state *queue.State // its own fold
	last  *queue.State // the view of it, until it changes

	hashes map[uint64]queue.Hash
	views  map[uint64]*queue.State // of the newest entries
	recent []uint64
	where  map[queue.CommandID]uint64
}

// viewsKept is how far behind a ledger's state is still compared.
const viewsKept = 600

func newJudge(s *sim, x *site) *judge {
	j := &judge{s: s, x: x, state: queue.NewState(x.id), hashes: map[uint64]queue.Hash{}, views: map[uint64]*queue.State{}, where: map[queue.CommandID]uint64{}}
	j.laws = newLaws(func(format string, args ...any) { s.fail("site "+string(x.id)+": "+format, args...) })
	return j
}

// view is the state of the log's end.
func (j *judge) view() *queue.State {
	if j.last == nil {
		j.last = j.state.View()
	}
	return j.last
}

// entry judges what was just stored.
func (j *judge) entry(seq uint64) {
	n := 0
	err := j.s.log.mem.Read(ctx, j.x.id, j.state.Seq, func(en *queue.Entry) error {
		n++
		id := en.Command()
		base, _, _ := strings.Cut(string(id), "#")
		if before := j.where[queue.CommandID(base)]; before != 0 {
			j.s.fail("site %s: command %s is in entry %d and in entry %d", j.x.id, base, before, en.Seq)
		}
		if id != "setup" && j.x.known[queue.CommandID(base)] == nil {
			j.s.fail("site %s: entry %d has a command %s that nobody sent", j.x.id, en.Seq, id)
		}
		j.where[queue.CommandID(base)] = en.Seq
		j.laws.entry(en)
		if applied, err := j.state.Apply(en); err != nil || !applied {
			j.s.fail("site %s: entry %d does not follow: %v", j.x.id, en.Seq, err)
		}
		for _, words := range j.state.Audit() {
			j.s.fail("site %s: entry %d: %s", j.x.id, en.Seq, words)
		}
		j.hashes[en.Seq] = en.Hash()
		for i := range en.Events {
			if en.Events[i].ClockSuspect {
				j.s.count("events by a clock that is not believed", 1)
			}
		}
		j.s.count("events", len(en.Events))
		return nil
	})
	if err != nil || n != 1 || j.state.Seq != seq {
		j.s.fail("site %s: %d new entries at %d, folded to %d: %v", j.x.id, n, seq, j.state.Seq, err)
	}
	j.last = nil
	j.views[seq] = j.view()
	if j.recent = append(j.recent, seq); len(j.recent) > viewsKept {
		delete(j.views, j.recent[0])
		j.recent = j.recent[1:]
	}
}

// opened judges a state that a process began with.
func (j *judge) opened(v *server, l *ledger.Ledger) { j.compare(v, l) }

// folded judges an entry that a ledger has folded, and now and then all of it.
func (j *judge) folded(v *server, en *queue.Entry) {
	if j.hashes[en.Seq] != en.Hash() {
		j.s.fail("%s folded an entry %d of site %s that is not the log's", v.name, en.Seq, j.x.id)
	}
	if en.Seq%29 == 0 {
		j.s.on(v.host, 0, func() { j.compare(v, v.ledgers[j.x]) })
	}
}

// compare holds a ledger's state against the fold.
func (j *judge) compare(v *server, l *ledger.Ledger) {
	have := l.View()
	want := j.views[have.Seq]
	if want == nil {
		if have.Seq == 0 || len(j.recent) > 0 && have.Seq < j.recent[0] {
			return
		}
		j.s.fail("%s is at entry %d of site %s, which is not in the log", v.name, have.Seq, j.x.id)
		return
	}
	j.s.count("states held against the fold", 1)
	a, err1 := have.MarshalSnapshot()
	b, err2 := want.MarshalSnapshot()
	if err := errors.Join(err1, err2); err != nil {
		j.s.fail("compare states: %v", err)
	} else if !bytes.Equal(a, b) {
		j.s.fail("%s: the state of site %s at entry %d is not the fold of the log: %s", v.name, j.x.id, have.Seq, differ(a, b))
	}
}

// differ shows where two texts part.
func differ(a, b []byte) string {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	piece := func(x []byte) []byte { return x[max(0, i-60):min(len(x), i+60)] }
	return string(piece(a)) + " ≠ " + string(piece(b))
}

// whole compares a ledger with the fold, the memory of commands included.
func (j *judge) whole(v *server, l *ledger.Ledger) {
	k := &keeper{}
	want, err := j.state.Clone().MarshalSnapshot()
	if err := errors.Join(err, l.SaveTo(ctx, k)); err != nil {
		j.s.fail("compare states: %v", err)
	}
	if !bytes.Equal(k.data, want) {
		j.s.fail("%s: the state of site %s is not the fold of the log: %s", v.name, j.x.id, differ(k.data, want))
	}
}

type keeper struct{ data []byte }

func (k *keeper) SaveSnapshot(_ context.Context, sn log.Snapshot) error { k.data = sn.Data; return nil }

// acknowledged: a device was told that it is recorded.
func (s *sim) acknowledged(x *press) {
	s.count("acknowledgements", 1)
	if x.phone.site.judge.where[x.cmd.ID] == 0 {
		s.fail("site %s: %s was acknowledged and is not in the log", x.phone.site.id, x)
	}
}

// refused: a replica refuses a command on the newest state, so that it can't be
// in the log.
func (j *judge) refused(x *press) {
	if seq := j.where[x.cmd.ID]; seq != 0 {
		j.s.fail("site %s: %s is refused and is entry %d", j.x.id, x, seq)
	}
}

// viewed judges the shared views of a site after a write.
func (s *sim) viewed(id queue.SiteID) {
	j := s.site(id).judge
	head, rows, err := s.views.mem.Units(ctx, id)
	if err != nil {
		s.fail("site %s: views after a write: %v", id, err)
		return
	}
	st := j.views[head.Seq]
	if st == nil {
		return // long ago
	}
	want := view.Of(st)
	s.count("shared views held against the fold", 1)
	if have := (view.Whole{Head: head, Rows: rows}); !slices.Equal(rows, want.Rows) || head != want.Head {
		s.fail("site %s: the shared view is not that of the fold at entry %d:\n%s", id, head.Seq, cmp.Diff(want, have, noRows))
	}
}

var noRows = cmp.Transformer("rows", func(r []view.Row) []view.Row {
	if len(r) == 0 {
		return nil
	}
	return r
})

// planned judges a plan that was made.
func (j *judge) planned(who string, r dispatch.Report) {
	if r.Err != nil {
		j.s.fail("%s can't plan site %s at entry %d: %v", who, j.x.id, r.Seq, r.Err)
	}
	for _, v := range r.Violations {
		j.s.fail("%s: the plan of site %s at entry %d violates %s", who, j.x.id, r.Seq, v)
	}
	if r.Reason != "" {
		j.s.count("plans", 1)
	}
}

// published judges a plan that was put into force.
func (s *sim) published(x *site, was, p *dispatch.Plan) {
	if was == nil {
		return
	}
	if p.Epoch < was.Epoch {
		s.fail("site %s: a plan of epoch %d takes the place of one of epoch %d", x.id, p.Epoch, was.Epoch)
	}
	if p.Epoch == was.Epoch && p.Seq < was.Seq {
		s.fail("site %s: a plan of entry %d takes the place of one of entry %d", x.id, p.Seq, was.Seq)
	}
}

// night looks for what is locked and forgotten: there must be an alarm.
func (j *judge) night() {
	w, st := j.x.bench, j.view()
	l := w.ledgers[j.x]
	if !w.up || l == nil || l.View().Seq != st.Seq || w.skew != 0 || j.s.now.Before(w.until) {
		return
	}
	for _, u := range st.OpenUnits() {
		for i := range u.Steps {
			step := &u.Steps[i]
			if step.Status != queue.Running {
				continue
			}
			ends := dispatch.StretchEnd(st, j.x.almanac, step)
			if j.s.now.Before(ends.Add(st.Shop.Limits.OverdueAfter + 10*time.Minute)) {
				continue
			}
			station := w.stations[dispatch.StationOf(st.Shop, step.Resources)]
			alarmed := false
			if station != nil {
				for _, a := range station.Alerts() {
					alarmed = alarmed || a.Kind == bench.Overdue && a.Unit == u.ID && a.Step == step.ID
				}
			}
			j.s.count("locks held against alarms at night", 1)
			if !alarmed {
				j.s.fail("site %s: %s of unit %s should have ended at %s and has no alarm", j.x.id, step.ID, u.ID, ends.Format(time.RFC3339))
			}
		}
	}
}

// converged judges the whole some time after faults have ended; empty: it has.
func (s *sim) converged() string {
	for _, x := range s.sites {
		j := x.judge
		for _, p := range x.phones {
			if len(p.list) > 0 {
				return string(p.who) + "'s phone still has " + p.list[0].String()
			}
		}
		for _, v := range s.servers {
			l := v.ledgers[x]
			if l == nil {
				if w := x.bench; v == w.server || !v.serves(x) {
					continue
				}
				return v.name + " has not opened " + string(x.id)
			}
			if l.View().Seq != j.state.Seq {
				return v.name + " is behind at " + string(x.id)
			}
		}
		head, rows, err := s.views.mem.Units(ctx, x.id)
		if err != nil || head.Seq != j.state.Seq {
			return "the shared view of " + string(x.id) + " is behind"
		}
		if diff := cmp.Diff(view.Of(j.view()), view.Whole{Head: head, Rows: rows}, noRows); diff != "" {
			return "the shared view of " + string(x.id) + " is another: " + diff
		}
		switch p := x.board.plan; {
		case p == nil || p.Seq != j.state.Seq:
			return "the plan of " + string(x.id) + " is out of date"
		case p.Epoch != x.board.leader():
			return "the plan of " + string(x.id) + " is not of who dispatches"
		case x.shown != p:
			return "the pages of " + string(x.id) + " show another plan"
		}
	}
	return ""
}

// serves: the server's ledgers are of all sites, a wall's of its own.
func (v *server) serves(x *site) bool {
	for _, y := range v.s.sites {
		if y.bench.server == v {
			return y == x
		}
	}
	return true
}
