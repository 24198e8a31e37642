package queuetest

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/said"
)

// Seed returns the seed of a random test and prints it: from TICKOVER_SEED if
// that is set, so that a failure can be repeated, else the given one.
func Seed(tb testing.TB, seed uint64) uint64 {
	tb.Helper()
	if s := os.Getenv("TICKOVER_SEED"); s != "" {
		v, err := strconv.ParseUint(s, 10, 64)
		if err != nil {
			tb.Fatalf("TICKOVER_SEED=%q is no number", s)
		}
		seed = v
	}
	tb.Logf("seed %d (repeat with TICKOVER_SEED=%d)", seed, seed)
	return seed
}

// Walk sends random commands to a site: mostly what a shop would do next,
// partly what somebody in a hurry would try.
type Walk struct {
	Site *Site
	Rand *rand.Rand
	// Sent is every command of the walk, refused or not.
	Sent []queue.Command
	Last error
}

// NewWalk starts a walk on a new site with two units.
func NewWalk(seed, stream uint64) *Walk {
	w := &Walk{Site: NewSite(), Rand: rand.New(rand.NewPCG(seed, stream))}
	w.arrive()
	w.arrive()
	return w
}

// Step lets some time pass and sends one command. It reports the outcome.
func (w *Walk) Step() (queue.Outcome, error) {
	s, r := w.Site, w.Rand
	s.Now = s.Now.Add(time.Duration(r.IntN(20)) * time.Minute)
	w.weather()
	actor, action := w.action()
	cmd := queue.Command{
		ID: queue.CommandID(fmt.Sprintf("w%d", len(w.Sent))), At: s.Now.Add(-time.Duration(r.IntN(60)) * time.Second),
		Actor: actor, Action: action,
	}
	if r.IntN(8) == 0 {
		cmd.Actor = "fred"
		for i := queue.I1; i <= queue.I13; i++ {
			cmd.Overrides = append(cmd.Overrides, queue.Override{Interlock: i, Reason: "I know", By: "fred"})
		}
	}
	w.Sent = append(w.Sent, cmd)
	var o queue.Outcome
	o, w.Last = s.Send(cmd)
	return o, w.Last
}

// weather changes the conditions now and then.
func (w *Walk) weather() {
	s, r := w.Site, w.Rand
	for _, id := range []queue.ResourceID{"p1", "l1"} {
		switch r.IntN(12) {
		case 0:
			s.Outdoor[id] = queue.Window{Why: said.Text{Format: "quiet hours"}}
		case 1, 2, 3:
			s.Outdoor[id] = queue.Window{Until: s.Now.Add(time.Duration(5+r.IntN(200)) * time.Minute), Why: said.Text{Format: "dusk"}}
		}
	}
	if r.IntN(10) == 0 {
		s.ClosesAt = s.Now.Add(time.Duration(r.IntN(300)) * time.Minute)
	}
}

func (w *Walk) arrive() {
	route := queue.RouteID("set-up")
	switch w.Rand.IntN(5) {
	case 0, 1:
		route = "flash-only"
	case 2:
		route = "stored"
	}
	a := Arrival(route, w.Site.Now.Add(8*time.Hour))
	if w.Rand.IntN(2) == 0 && route == "set-up" {
		a.Options = []queue.StepID{"fit"}
	}
	if w.Rand.IntN(8) == 0 {
		a.Machine.Fitment = "race pipe" // no calibration is listed for it
	}
	id := queue.UnitID(fmt.Sprintf("T-%d", len(w.Site.State.Units)+1))
	if _, err := w.Site.Do("", &queue.ReceiveUnit{Unit: id, Arrival: a}); err != nil {
		panic(err)
	}
}

func pick[T any](r *rand.Rand, list []T) T { return list[r.IntN(len(list))] }

func (w *Walk) action() (queue.PersonID, queue.Action) {
	r, st := w.Rand, w.Site.State
	open := st.OpenUnits()
	if len(open) == 0 || (len(st.Units) < 5 && r.IntN(12) == 0) {
		return "", &queue.ReceiveUnit{Unit: queue.UnitID(fmt.Sprintf("T-%d", len(st.Units)+1)), Arrival: Arrival("flash-only", w.Site.Now.Add(time.Hour))}
	}
	u := pick(r, open)
	who := pick(r, []queue.PersonID{"ada", "ada", "ada", "ben", "cleo"})
	if r.IntN(5) > 0 {
		if a := w.next(u, who); a != nil {
			return who, a
		}
	}
	return w.mischief(u, who)
}

// next is what the unit needs next: finish what runs, else start what can be.
func (w *Walk) next(u *queue.Unit, who queue.PersonID) queue.Action {
	r, shop := w.Rand, w.Site.State.Shop
	for i := range u.Steps {
		st := &u.Steps[i]
		op := shop.Operation(st.Operation)
		switch st.Status {
		case queue.Running:
			if st.Stretch+1 < len(op.Stretches) && r.IntN(3) > 0 {
				return &queue.AdvanceStep{Unit: u.ID, Step: st.ID, Stretch: st.Stretch + 1}
			}
			f := &queue.FinishStep{Unit: u.ID, Step: st.ID, Technician: who, Evidence: EvidenceFor(op, st, false)}
			if st.Kind == queue.Flash {
				f.Evidence[queue.EvidenceOdometer] = strconv.Itoa(r.IntN(12)) // may run backwards
			}
			if r.IntN(8) == 0 {
				f.Failed, f.Reason = true, "it failed"
			}
			return f
		case queue.Todo:
			a := &queue.StartStep{Unit: u.ID, Step: st.ID, Technician: who,
				Resources: ResourcesFor(op, shop, r.IntN(2)), Evidence: EvidenceFor(op, st, true)}
			if st.Kind == queue.Flash && r.IntN(6) == 0 { // no charger, perhaps a weak battery
				a.Resources = a.Resources[:len(a.Resources)-1]
				a.Evidence[queue.EvidenceBattery] = pick(r, []string{"11.9", "12.6"})
			}
			return a
		}
	}
	return &queue.HandOver{Unit: u.ID, Showroom: r.IntN(2) == 0}
}

// mischief is any command, sensible or not.
func (w *Walk) mischief(u *queue.Unit, who queue.PersonID) (queue.PersonID, queue.Action) {
	r, shop := w.Rand, w.Site.State.Shop
	st := &u.Steps[r.IntN(len(u.Steps))]
	op := shop.Operation(st.Operation)
	all := make([]queue.ResourceID, 0, len(shop.Resources))
	for i := range shop.Resources {
		all = append(all, shop.Resources[i].ID)
	}
	res := ResourcesFor(op, shop, r.IntN(2))
	if r.IntN(3) == 0 {
		res = append(res, pick(r, all))
	}
	switch r.IntN(18) {
	case 13:
		n := r.IntN(3) + 3
		return "fred", &queue.ListCalibrations{Calibrations: []queue.Calibration{{ID: "cal-b", Revision: n, Make: "Mk", Model: "M1", YearFrom: 2020, YearTo: 2026,
			Family: "k1", Fitment: "standard", Released: fmt.Sprintf("2025-%02d-01", 5+n), Mandatory: r.IntN(2) == 0, Supersedes: "cal-a"}}}
	case 14:
		if open := w.Site.State.OpenFor(u, w.Site.Now); len(open) > 0 {
			return "fred", &queue.SweepUnit{Unit: u.ID, Campaign: open[r.IntN(len(open))].ID}
		}
		return "fred", &queue.WithdrawCalibration{Ref: queue.CalibrationRef{ID: "cal-b", Revision: 3 + r.IntN(3)}, Reason: "faulty"}
	case 16:
		return who, &queue.AmendUnit{Unit: u.ID, Change: queue.UnitAmended{NewController: true, Reason: "water in it"}}
	case 17:
		for _, id := range slices.Sorted(maps.Keys(w.Site.State.Units)) {
			if w.Site.State.Units[id].Status == queue.InShowroom {
				return who, &queue.HandOver{Unit: id, Contact: "buyer"}
			}
		}
		return who, &queue.HandOver{Unit: u.ID, Showroom: true}
	case 15:
		return "fred", &queue.OpenCampaign{Campaign: queue.CampaignOpened{ID: "bulletin", Title: "Chain guide", Bulletin: &queue.Selection{Make: "mk"}}}
	case 12:
		a := &queue.Reopen{Resource: pick(r, all)}
		if cs := w.Site.State.Closures[a.Resource]; len(cs) > 0 && r.IntN(2) == 0 {
			a.Only = &cs[r.IntN(len(cs))]
		}
		return "fred", a
	case 0:
		return who, &queue.HandOver{Unit: u.ID}
	case 1:
		return "fred", &queue.ReopenStep{Unit: u.ID, Step: st.ID, Reason: "again"}
	case 2:
		return "fred", &queue.SkipStep{Unit: u.ID, Step: st.ID, Reason: "not needed"}
	case 3:
		return who, &queue.AcceptStep{Unit: u.ID, Step: st.ID, Technician: who, Resources: res}
	case 4:
		return who, &queue.ReturnStep{Unit: u.ID, Step: st.ID, Reason: "lunch"}
	case 5:
		return "fred", &queue.PinStep{Unit: u.ID, Step: st.ID, Pin: queue.Pin{Technician: who}}
	case 6:
		from := w.Site.Now.Add(time.Duration(r.IntN(60)) * time.Minute)
		return "fred", &queue.Close{Resource: pick(r, all), From: from, Until: from.Add(30 * time.Minute), Reason: "repair"}
	case 7:
		return who, &queue.FinishStep{Unit: u.ID, Step: st.ID, Technician: who, Evidence: EvidenceFor(op, st, false), Failed: r.IntN(2) == 0, Reason: "no"}
	case 8:
		held := r.IntN(3) == 0
		return "fred", &queue.AmendUnit{Unit: u.ID, Change: queue.UnitAmended{Held: &held}}
	default:
		return who, &queue.StartStep{Unit: u.ID, Step: st.ID, Technician: who, Resources: res, Evidence: EvidenceFor(op, st, true)}
	}
}
