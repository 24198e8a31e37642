package queue

import (
	"fmt"
	"strings"
)

// CalibrationFor answers which calibration is current for a machine: the one
// with the highest revision among those listed for its make, model, year,
// controller family and fitment. If none is listed the refusal is I4, with
// what to tell the customer.
func (s *Shop) CalibrationFor(m *Machine) (*Calibration, *Refusal) {
	var best *Calibration
	otherFitments := map[string]bool{}
	for i := range s.Calibrations {
		c := &s.Calibrations[i]
		if !c.covers(m) {
			continue
		}
		if c.Fitment != m.Fitment {
			otherFitments[string(c.Fitment)] = true
			continue
		}
		if best == nil || c.Revision > best.Revision {
			best = c
		}
	}
	switch {
	case best == nil && len(otherFitments) > 0:
		return nil, interlock(I4, fmt.Sprintf("Tell the customer: there is one for %s only; fit that, or leave the controller as it is.",
			strings.Join(sortedKeys(otherFitments), ", ")),
			"no calibration is listed for %s %s %d with fitment %q", m.Make, m.Model, m.Year, m.Fitment)
	case best == nil:
		return nil, interlock(I4, "Tell the customer: none has been published for this machine, so there is nothing to flash.",
			"no calibration is listed for %s %s %d (controller family %q)", m.Make, m.Model, m.Year, m.Family)
	case best.NoneNeeded:
		return nil, interlock(I4, "Tell the customer: this machine needs none. "+best.ForCaller,
			"%s %s %d needs no calibration", m.Make, m.Model, m.Year)
	}
	return best, nil
}

func (c *Calibration) covers(m *Machine) bool {
	return strings.EqualFold(c.Make, m.Make) && strings.EqualFold(c.Model, m.Model) &&
		c.YearFrom <= m.Year && m.Year <= c.YearTo && c.Family == m.Family
}
