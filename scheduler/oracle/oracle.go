// Package oracle compares the planner with an exact optimum on small shop
// problems.
//
// It draws the problems from seeds (Draw), writes a problem as data for the
// MiniZinc model shop.mzn (Export), and turns what a general-purpose exact
// solver answers back into a plan (Read). The proved optima and the solver's
// schedules are in testdata/optimum.csv, so that the tests need no solver;
// cmd/oracle proves them again.
//
// What it guarantees: shop.mzn and Export are written from the words of
// package model and share nothing with the planner or the checker; a problem
// with something that they cannot say is refused with an *UnsupportedError,
// never approximated.
//
// What it cannot say: more than one mode, a buffer (C14), holds without an
// end, activities that are done, consumable resources, durations of zero,
// splittable stretches that are hands-off, of more than one worker, or on a
// resource with opening hours, and spans over resources with opening hours or
// closures. Pins are binding: an instance has none that must fail. Limits of
// running activities are binding: an instance has no breach.
package oracle

import (
	_ "embed"
	"fmt"

	"tickover/scheduler/model"
)

// Model is the MiniZinc model that the exported data belongs to.
//
//go:embed shop.mzn
var Model string

// UnsupportedError says what of a problem the exact model cannot say.
type UnsupportedError struct {
	What, Why string
}

// Error is "activity "u1/fit": more than one mode".
func (e *UnsupportedError) Error() string { return fmt.Sprintf("%s: %s", e.What, e.Why) }

// Supported reports as an *UnsupportedError what Export cannot say of p, which
// must be valid.
func Supported(p *model.Problem) error {
	if p.Buffer != nil {
		return &UnsupportedError{"problem", "a buffer"}
	}
	for _, h := range p.Holds {
		if h.Until == model.Unlimited {
			return &UnsupportedError{fmt.Sprintf("hold of %q", h.Activity), "no end"}
		}
	}
	open, spanned := map[model.ResourceID]bool{}, map[model.ResourceID]bool{}
	for i := range p.Resources {
		r := &p.Resources[i]
		if r.Consumable {
			return &UnsupportedError{fmt.Sprintf("resource %q", r.ID), "it is used up"}
		}
		open[r.ID] = r.Open != nil
		spanned[r.ID] = r.Open != nil || len(r.Closures) > 0
	}
	for i := range p.Spans {
		for j := range p.Resources {
			if r := &p.Resources[j]; matches(&p.Spans[i].Need, r) && spanned[r.ID] {
				return &UnsupportedError{fmt.Sprintf("span %q", p.Spans[i].ID), "a resource with opening hours or closures"}
			}
		}
	}
	for i := range p.Activities {
		if why := unsupported(p, &p.Activities[i], open); why != "" {
			return &UnsupportedError{fmt.Sprintf("activity %q", p.Activities[i].ID), why}
		}
	}
	return nil
}

func unsupported(p *model.Problem, a *model.Activity, open map[model.ResourceID]bool) string {
	switch {
	case len(a.Modes) != 1:
		return "more than one mode"
	case a.Progress != nil && a.Progress.Done:
		return "it is done"
	}
	m := &a.Modes[0]
	for i := range m.Stretches {
		s := &m.Stretches[i]
		switch {
		case s.Duration == 0:
			return "a duration of zero"
		case s.Splittable && s.Workers != 1:
			return "a splittable stretch without exactly one worker"
		case s.Splittable && onOpen(p, m, open):
			return "a splittable stretch on a resource with opening hours"
		}
	}
	for i := range m.Needs {
		if m.Needs[i].Span != "" && a.Progress != nil {
			return "it runs in a span"
		}
	}
	return ""
}

// onOpen says that a need of m may be met by a resource with opening hours.
func onOpen(p *model.Problem, m *model.Mode, open map[model.ResourceID]bool) bool {
	for i := range m.Needs {
		for j := range p.Resources {
			if r := &p.Resources[j]; open[r.ID] && matches(resolve(p, &m.Needs[i]), r) {
				return true
			}
		}
	}
	return false
}

// resolve is what a need asks for: its own words or its span's.
func resolve(p *model.Problem, n *model.Need) *model.Need {
	for i := range p.Spans {
		if n.Span == p.Spans[i].ID {
			return &p.Spans[i].Need
		}
	}
	return n
}

// matches: C7 of resources.
func matches(n *model.Need, r *model.Resource) bool {
	if len(n.Resources) > 0 {
		if !has(n.Resources, r.ID) {
			return false
		}
	} else if n.Kind != r.Kind {
		return false
	}
	return all(n.Tags, r.Tags)
}

func has[T comparable](list []T, v T) bool {
	for _, o := range list {
		if o == v {
			return true
		}
	}
	return false
}

func all(want, of []string) bool {
	for _, w := range want {
		if !has(of, w) {
			return false
		}
	}
	return true
}
