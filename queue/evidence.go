package queue

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

const evidenceValueMax = 500

// readingsOldestYear: a programming date before it is nonsense that a
// controller reports (common practice, no source): recorded and flagged.
const readingsOldestYear = 2000

// Why a reading is not believed, as it is written into the flag.
var (
	flagUnreadable    = mark("the controller reports something that is no date; kept as read, not believed")
	flagFuture        = mark("the controller reports a date in the future; kept as read, not believed")
	flagTooOld        = mark("the controller reports a date that can't be right; kept as read, not believed")
	flagBeforeMachine = mark("the controller reports a date before the machine was built; kept as read, not believed")
	flagOther         = mark("another calibration was read back than was begun; kept as read, not believed")
)

// mark marks a text that the pages say in a person's language.
func mark(text string) string { return text }

// missingEvidence names the required fields of a finished step that are empty.
func missingEvidence(op *Operation, ev Evidence) []string {
	var missing []string
	for _, f := range op.Evidence {
		if f.Required && ev[f.Key] == "" {
			missing = append(missing, cmp.Or(f.Label, string(f.Key)))
		}
	}
	return missing
}

var anyPhotos = EvidenceField{Key: EvidencePhotos, Label: "Photos", Type: Photo}

// PhotosMax is how many photos one field of evidence holds.
const PhotosMax = 7

// Photos lists the hashes in a value of type [Photo]; ok is false if it holds
// anything else, or the same twice.
func Photos(v string) (hashes []string, ok bool) {
	hashes = strings.Split(v, " ")
	if len(hashes) > PhotosMax {
		return nil, false
	}
	for i, h := range hashes {
		if len(h) != 64 || strings.Trim(h, "0123456789abcdef") != "" || slices.Contains(hashes[:i], h) {
			return nil, false
		}
	}
	return hashes, true
}

// checkEvidence verifies that each value is of a known field and readable.
func checkEvidence(op *Operation, ev Evidence) error {
	for _, key := range sortedKeys(ev) {
		f := find(op.Evidence, func(f *EvidenceField) bool { return f.Key == key })
		if f == nil && key == EvidencePhotos {
			f = &anyPhotos
		}
		if f == nil {
			return refuse(CodeMalformed, "Leave it out, or add the field to the operation in the shop file.",
				"operation %s asks for no evidence %q", op.ID, key)
		}
		v := ev[key]
		if v == "" {
			continue
		}
		if len(v) > evidenceValueMax {
			return refuse(CodeMalformed, "Shorten it.", "the value of %s is longer than %d bytes", f.Label, evidenceValueMax)
		}
		if !readable(f.Type, v) && key != EvidenceProgrammed {
			return refuse(CodeMalformed, "", "%s: %.40q can't be read as %s", f.Label, v, f.Type).
				doing("Write it as %s.", shapeOf(f.Type))
		}
	}
	return nil
}

func readable(t EvidenceType, v string) bool {
	switch t {
	case Number:
		_, ok := number(v)
		return ok
	case Count:
		_, err := strconv.ParseUint(v, 10, 31)
		return err == nil
	case Date:
		_, err := time.Parse(time.DateOnly, v)
		return err == nil
	case YesNo:
		return v == "yes" || v == "no"
	case Photo:
		_, ok := Photos(v)
		return ok
	}
	return true
}

func shapeOf(t EvidenceType) string {
	switch t {
	case Number:
		return "a plain number with a point, for example 12.6"
	case Count:
		return "a whole number, for example 3"
	case Date:
		return "a date, for example 2026-02-17"
	case YesNo:
		return "yes or no"
	case Photo:
		return "the SHA-256 of each photo, at most " + strconv.Itoa(PhotosMax)
	}
	return "text"
}

func number(s string) (float64, bool) {
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// plausible is I12: what can't be true is refused, what is merely odd is
// recorded as read and flagged.
func (d *decider) plausible(u *Unit, op *Operation, ev Evidence) ([]Flag, *Refusal) {
	var flags []Flag
	for _, f := range op.Evidence {
		v := ev[f.Key]
		if v == "" {
			continue
		}
		if x, ok := number(v); ok && f.Type.Measured() {
			if (f.Min != nil && x < *f.Min) || (f.Max != nil && x > *f.Max) {
				return nil, interlock(I12, "Measure again.", "%s of %s %s lies outside %s", f.Label, v, f.Unit, bounds(f))
			}
		}
	}
	back := func(key EvidenceKey, last *float64, what, unit string) *Refusal {
		x, ok := number(ev[key])
		if !ok || last == nil || x >= *last {
			return nil
		}
		return interlock(I12, "Read it again.", "%s %g %s is less than the %g %s read before", what, x, unit, *last, unit)
	}
	if r := back(EvidenceOdometer, u.OdometerKM, "the odometer's", "km"); r != nil {
		return nil, r
	}
	if r := back(EvidenceEngineHours, u.EngineH, "the engine's", "h"); r != nil {
		return nil, r
	}
	if why := d.programmed(u, ev[EvidenceProgrammed]); why != "" {
		flags = append(flags, Flag{EvidenceProgrammed, why})
	}
	return flags, nil
}

// programmed says why the date that a controller reports for its programming is
// not believed; empty: it is. Whatever it reports is recorded, never refused:
// before the first flash, and right after one, many report nonsense (common
// practice, no source), and nobody can tell that from a slip of the pen.
func (d *decider) programmed(u *Unit, v string) string {
	if v == "" {
		return ""
	}
	day, err := time.Parse(time.DateOnly, v)
	switch {
	case err != nil:
		return flagUnreadable
	case day.After(d.when().AddDate(0, 0, 1)): // a zone ahead of UTC is a day ahead
		return flagFuture
	case day.Year() < readingsOldestYear:
		return flagTooOld
	case u.Machine.Year > 0 && day.Year() < u.Machine.Year-1: // a model year begins in the year before
		return flagBeforeMachine
	}
	return ""
}

func bounds(f EvidenceField) string {
	switch {
	case f.Min != nil && f.Max != nil:
		return strconv.FormatFloat(*f.Min, 'g', -1, 64) + "…" + strconv.FormatFloat(*f.Max, 'g', -1, 64) + " " + f.Unit
	case f.Min != nil:
		return "at least " + strconv.FormatFloat(*f.Min, 'g', -1, 64) + " " + f.Unit
	}
	return "at most " + strconv.FormatFloat(*f.Max, 'g', -1, 64) + " " + f.Unit
}
