package week

import (
	"cmp"
	"context"
	"math"
	"slices"
)

// Rule is what a foreman does by hand: whenever somebody and something is
// free, of all steps that may be begun the first in an order. He knows the
// whole queue, who can do what, the hours and the daylight, but makes no plan.
type Rule int

// The rules.
const (
	FirstCome Rule = iota + 1
	EarliestPromise
	// ApparentTardiness is the apparent tardiness cost of Vepsalainen & Morton
	// (Management Science 33, 1987) with look-ahead parameter k = 2.
	ApparentTardiness
)

// ByHand is a rule; with watching, whoever starts a flash or a relearn stays
// through its hands-off time. Nobody stands by a charger in either case.
func ByHand(r Rule, watching bool) Way {
	return Way{func(*Week) way { return &byHand{rule: r, stand: watching} }}
}

type byHand struct {
	rule  Rule
	stand bool
}

func (b *byHand) name() string {
	name := map[Rule]string{FirstCome: "first come", EarliestPromise: "earliest promise", ApparentTardiness: "apparent tardiness"}[b.rule]
	if b.stand {
		name += ", watching"
	}
	return name
}

func (b *byHand) watches() bool { return b.stand }

// candidate is something to begin: a step, or the rest of one that waits.
type candidate struct {
	act   int
	waits bool
	// key orders by rule, the least first.
	key float64
}

func (b *byHand) decide(_ context.Context, f *floor) (Time, error) {
	if !slices.ContainsFunc(f.busy, func(a int) bool { return a < 0 }) || openUntil(f.w.open, f.now) <= f.now {
		return 0, nil
	}
	for _, c := range b.candidates(f) {
		if c.waits {
			if w := slices.IndexFunc(f.w.acts[c.act].able, func(w int) bool { return f.mayContinue(c.act, w) }); w >= 0 {
				f.work(c.act, f.w.acts[c.act].able[w])
			}
			continue
		}
		b.begin(f, c.act)
	}
	return 0, nil
}

// candidates are those of now by rule; what waits to be signed off comes
// first, for it holds an interface or a charger.
func (b *byHand) candidates(f *floor) []candidate {
	var out []candidate
	for _, j := range f.live {
		for _, a := range f.w.jobs[j] {
			waits := f.state[a].waits
			if waits || f.ready(a) {
				out = append(out, candidate{act: a, waits: waits})
			}
		}
	}
	if b.rule == ApparentTardiness {
		apparent(f, out)
	} else {
		for i := range out {
			j := &f.w.shop.Jobs[f.w.acts[out[i].act].job]
			out[i].key = float64(j.Release)
			if b.rule == EarliestPromise {
				out[i].key = float64(j.Due)
			}
		}
	}
	slices.SortStableFunc(out, func(x, y candidate) int {
		if x.waits != y.waits {
			if x.waits {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(x.key, y.key), cmp.Compare(x.act, y.act))
	})
	return out
}

// begin starts a step if somebody and something is free: the least skilled,
// and what the fewest others could use.
func (b *byHand) begin(f *floor, a int) {
	if !f.ready(a) {
		return
	}
	held := make([]int, 0, 3)
	for _, fits := range f.w.acts[a].fits {
		i := slices.IndexFunc(fits, f.spare)
		if i < 0 {
			return
		}
		held = append(held, fits[i])
	}
	for _, w := range f.w.acts[a].able {
		if !f.free(a, w) {
			continue
		}
		if ok, _ := f.mayStart(a, w, held); ok {
			f.start(a, w, held)
			return
		}
	}
}

// apparent sets the keys to the negative of
//
//	weight / p · exp(−max(0, slack) / (k·p̄))
//
// with p the time that the unit still needs, p̄ its mean over the candidates,
// and slack the open hours until the promise less p.
func apparent(f *floor, list []candidate) {
	const k = 2
	var sum Time
	left := make([]Time, len(list))
	for i, c := range list {
		left[i] = f.remaining(f.w.acts[c.act].job)
		sum += left[i]
	}
	if sum == 0 {
		return
	}
	mean := float64(sum) / float64(len(list))
	for i := range list {
		j := &f.w.shop.Jobs[f.w.acts[list[i].act].job]
		slack := float64(max(0, covered(f.w.open, f.now, j.Due)-left[i]))
		list[i].key = -float64(j.Weight) / float64(max(1, left[i])) * math.Exp(-slack/(k*mean))
	}
}

// remaining is the standard time of a unit's steps that are not begun.
func (f *floor) remaining(job int) Time {
	var sum Time
	for _, a := range f.w.jobs[job] {
		if f.state[a].status == todo {
			for _, st := range f.w.acts[a].stretch {
				sum += st.Duration
			}
		}
	}
	return sum
}
