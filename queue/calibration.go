package queue

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/queue/said"
)

// Variants of a calibration: the idle as the maker set it, or raised by 100 or
// 200 revolutions a minute (common practice, no source).
const (
	VariantStandard Variant = ""
	VariantIdle100  Variant = "idle+100"
	VariantIdle200  Variant = "idle+200"
)

// Variants lists all of them.
func Variants() []Variant { return []Variant{VariantStandard, VariantIdle100, VariantIdle200} }

// Ref is the calibration's id and revision.
func (c *Calibration) Ref() CalibrationRef { return CalibrationRef{c.ID, c.Revision} }

// Catalogue answers which calibration is current for a machine. It is not
// changed after it was made.
type Catalogue struct {
	entries []Calibration      // by make, model, id and revision
	models  map[modelKey][]int // places in entries
	above   map[CalibrationID][]CalibrationID
}

type modelKey struct{ make, model string }

func modelOf(make, model string) modelKey {
	return modelKey{strings.ToLower(make), strings.ToLower(model)}
}

// NewCatalogue makes a catalogue of entries that [Catalogue.Check] has passed.
// Of two entries with the same id and revision the later one counts.
func NewCatalogue(entries ...Calibration) *Catalogue {
	c := &Catalogue{models: map[modelKey][]int{}, above: map[CalibrationID][]CalibrationID{}}
	at := map[CalibrationRef]int{}
	for _, e := range entries {
		if i, ok := at[e.Ref()]; ok {
			c.entries[i] = e
			continue
		}
		at[e.Ref()] = len(c.entries)
		c.entries = append(c.entries, e)
	}
	slices.SortStableFunc(c.entries, func(a, b Calibration) int {
		return cmp.Or(cmp.Compare(a.Make, b.Make), cmp.Compare(a.Model, b.Model), cmp.Compare(a.ID, b.ID), cmp.Compare(a.Revision, b.Revision))
	})
	for i := range c.entries {
		e := &c.entries[i]
		k := modelOf(e.Make, e.Model)
		c.models[k] = append(c.models[k], i)
		if e.Supersedes != "" && !slices.Contains(c.above[e.Supersedes], e.ID) {
			c.above[e.Supersedes] = append(c.above[e.Supersedes], e.ID)
		}
	}
	return c
}

// All are the entries by make, model, id and revision.
func (c *Catalogue) All() []Calibration { return slices.Clone(c.entries) }

// Of are the entries for a model, in the same order.
func (c *Catalogue) Of(make, model string) []Calibration {
	var out []Calibration
	for _, i := range c.models[modelOf(make, model)] {
		out = append(out, c.entries[i])
	}
	return out
}

// Find is the entry with an id and revision; nil: there is none.
func (c *Catalogue) Find(ref CalibrationRef) *Calibration {
	return find(c.entries, func(e *Calibration) bool { return e.Ref() == ref })
}

// Current answers for a machine on a day ("2006-01-02"; empty: whatever was
// released): exactly one of the calibration to flash and the reason why there
// is none, a refusal I4 that says what to tell the customer. Entries that
// another one which covers the machine supersedes don't count; of the rest the
// highest revision does.
func (c *Catalogue) Current(m *Machine, day string) (*Calibration, *Refusal) {
	covering, others := c.covering(m, day)
	best := c.newest(covering)
	switch {
	case best == nil && len(others) > 0:
		return nil, interlock(I4, "", "no calibration is listed for %s %s %d with fitment %q%s", m.Make, m.Model, m.Year, m.Fitment, m.Variant.with()).
			doing("Tell the customer: there is one for %s only; fit that, or leave the controller as it is.", strings.Join(sortedKeys(others), ", "))
	case best == nil:
		return nil, c.none(m, day)
	case best.NoneNeeded:
		return nil, interlock(I4, "", "%s %s %d needs no calibration", m.Make, m.Model, m.Year).
			doing("Tell the customer: this machine needs none. %s", best.ForCaller)
	}
	return best, nil
}

// none says why no entry is for the machine's model, year and family, and what
// to tell the customer: what is not listed may yet exist where the catalogue
// does not know the make, or the machine's family is not known or misread.
func (c *Catalogue) none(m *Machine, day string) *Refusal {
	families := c.Families(m, day)
	entries := slices.DeleteFunc(slices.Clone(c.models[modelOf(m.Make, m.Model)]), func(i int) bool { return day != "" && c.entries[i].Released > day })
	switch {
	case len(families) > 0 && m.Family == "":
		return interlock(I4, "", "the controller family of %s %s %d is not known", m.Make, m.Model, m.Year).
			doing("There is a calibration for the family %s: read the family at the controller, write it down, and look again.", strings.Join(families, ", "))
	case len(families) > 0:
		return interlock(I4, "", "no calibration is listed for %s %s %d with the controller family %s", m.Make, m.Model, m.Year, m.Family).
			doing("There is one for the family %s only: check the family of this machine. If it is right, tell the customer that there is none for it.", strings.Join(families, ", "))
	case len(entries) > 0:
		return interlock(I4, "", "no calibration is listed for %s %s of the year %d", m.Make, m.Model, m.Year).
			doing("Tell the customer: none has been published for this year, only for %s.", c.years(entries))
	case slices.ContainsFunc(c.entries, func(e Calibration) bool { return strings.EqualFold(e.Make, m.Make) }):
		return interlock(I4, "Tell the customer: none has been published for this machine, so there is nothing to flash.",
			"no calibration is listed for %s %s %d", m.Make, m.Model, m.Year)
	}
	return interlock(I4, "Ask the maker whether there is one, and list it; tell the customer that you will find out.",
		"the catalogue has no machine of the make %s", m.Make)
}

// Families are the controller families for which the catalogue has something
// for the machine's model and year by a day, whatever its fitment; sorted.
func (c *Catalogue) Families(m *Machine, day string) []string {
	var out []string
	for _, i := range c.models[modelOf(m.Make, m.Model)] {
		if e := &c.entries[i]; e.YearFrom <= m.Year && m.Year <= e.YearTo && (day == "" || e.Released <= day) && !slices.Contains(out, string(e.Family)) {
			out = append(out, string(e.Family))
		}
	}
	slices.Sort(out)
	return out
}

// years are the model years that entries cover, as "2019–2023, 2025".
func (c *Catalogue) years(entries []int) string {
	covered := map[int]bool{}
	for _, i := range entries {
		for y := c.entries[i].YearFrom; y <= c.entries[i].YearTo; y++ {
			covered[y] = true
		}
	}
	var out []string
	for _, y := range sortedKeys(covered) {
		if covered[y-1] {
			continue
		}
		to := y
		for covered[to+1] {
			to++
		}
		if to == y {
			out = append(out, strconv.Itoa(y))
		} else {
			out = append(out, fmt.Sprintf("%d–%d", y, to))
		}
	}
	return strings.Join(out, ", ")
}

// covering are the entries for a machine that were released by a day, and what
// others of its model, year and family are for.
func (c *Catalogue) covering(m *Machine, day string) (covering []*Calibration, others map[string]bool) {
	others = map[string]bool{}
	for _, i := range c.models[modelOf(m.Make, m.Model)] {
		e := &c.entries[i]
		if m.Year < e.YearFrom || m.Year > e.YearTo || e.Family != m.Family || day != "" && e.Released > day {
			continue
		}
		switch {
		case e.Fitment == m.Fitment && e.Variant == m.Variant:
			covering = append(covering, e)
		case e.Fitment != m.Fitment:
			others[string(e.Fitment)] = true
		default:
			others[e.Variant.Text()] = true
		}
	}
	return covering, others
}

// InForce reports whether an entry is the one that counts, on a day, for some
// model year that it covers.
func (c *Catalogue) InForce(e *Calibration, day string) bool {
	for year := e.YearFrom; year <= e.YearTo; year++ {
		m := Machine{Make: e.Make, Model: e.Model, Year: year, Family: e.Family, Fitment: e.Fitment, Variant: e.Variant}
		covering, _ := c.covering(&m, day)
		if best := c.newest(covering); best != nil && best.Ref() == e.Ref() {
			return true
		}
	}
	return false
}

// Text is the variant in words.
func (v Variant) Text() string {
	switch v {
	case VariantStandard:
		return "standard idle"
	case VariantIdle100:
		return "idle raised by 100 rpm"
	case VariantIdle200:
		return "idle raised by 200 rpm"
	}
	return string(v)
}

func (v Variant) with() string {
	if v == VariantStandard {
		return ""
	}
	return ", " + v.Text()
}

func (c *Catalogue) newest(covering []*Calibration) *Calibration {
	var best *Calibration
	for _, e := range covering {
		if slices.ContainsFunc(covering, func(o *Calibration) bool { return o.ID != e.ID && c.supersedes(o.ID, e.ID) }) {
			continue
		}
		if best == nil || cmp.Or(cmp.Compare(e.Revision, best.Revision), cmp.Compare(e.Released, best.Released), cmp.Compare(best.ID, e.ID)) > 0 {
			best = e
		}
	}
	return best
}

// supersedes reports whether a replaces b, perhaps over others.
func (c *Catalogue) supersedes(a, b CalibrationID) bool {
	seen := map[CalibrationID]bool{}
	var reach func(id CalibrationID) bool
	reach = func(id CalibrationID) bool {
		for _, up := range c.above[id] {
			if up == a || !seen[up] && func() bool { seen[up] = true; return reach(up) }() {
				return true
			}
		}
		return false
	}
	return reach(b)
}

// Clash is why an entry can't be listed.
type Clash struct {
	Index int // of the entry that was to be listed
	// Other is an entry of the same list that it contradicts; −1: it is the
	// entry itself, or one that is listed already.
	Other int
	What  string
	Do    string
	Say   said.Text // What in any language; Do is a message as it is
}

// Check looks for entries that can't be listed beside each other and those
// that are listed: malformed, contradictory, overlapping. Entries that are
// listed already as they are, are fine.
func (c *Catalogue) Check(entries []Calibration) []Clash {
	var out []Clash
	clash := func(i, other int, do string, say said.Text) {
		out = append(out, Clash{i, other, say.String(), do, say})
	}
	for i := range entries {
		if what, do := entries[i].malformed(); !what.IsZero() {
			clash(i, -1, do, what)
		}
	}
	if len(out) > 0 {
		return out
	}
	all := NewCatalogue(append(slices.Clone(c.entries), entries...)...)
	ids := map[CalibrationID]bool{}
	for i := range all.entries {
		ids[all.entries[i].ID] = true
	}
	for i := range entries {
		e := &entries[i]
		switch {
		case e.Supersedes == "":
		case e.Supersedes == e.ID || all.supersedes(e.ID, e.ID):
			clash(i, -1, mark("Say which one is newer."), said.Say("%s supersedes itself, perhaps over others", e.ID))
		case !ids[e.Supersedes]:
			clash(i, -1, mark("List that one first, or leave the field empty."), said.Say("%s supersedes %s, which is not listed", e.ID, e.Supersedes))
		}
	}
	// The same place may hold an entry of the list or one listed before.
	placed := map[modelKey][]int{}
	for i := range entries {
		k := modelOf(entries[i].Make, entries[i].Model)
		for _, j := range placed[k] {
			if what, do := all.contradiction(&entries[i], &entries[j]); !what.IsZero() {
				clash(i, j, do, what)
			}
		}
		placed[k] = append(placed[k], i)
		for _, j := range c.models[k] {
			if what, do := all.contradiction(&entries[i], &c.entries[j]); !what.IsZero() {
				clash(i, -1, do, said.Say("%s, which is listed already", what))
			}
		}
	}
	return append(out, c.moved(entries)...)
}

// moved finds ids that were listed for another model: revisions of one
// calibration belong to one model.
func (c *Catalogue) moved(entries []Calibration) []Clash {
	var out []Clash
	model := map[CalibrationID]modelKey{}
	for i := range c.entries {
		model[c.entries[i].ID] = modelOf(c.entries[i].Make, c.entries[i].Model)
	}
	for i := range entries {
		e := &entries[i]
		k := modelOf(e.Make, e.Model)
		if was, ok := model[e.ID]; ok && was != k {
			say := said.Say("%s is listed for %s %s, not for %s %s", e.ID, was.make, was.model, e.Make, e.Model)
			out = append(out, Clash{i, -1, say.String(), mark("Give it an id of its own."), say})
		}
		model[e.ID] = k
	}
	return out
}

func (e *Calibration) malformed() (what said.Text, do string) {
	_, err := time.Parse(time.DateOnly, e.Released)
	switch {
	case e.ID == "" || len(e.ID) > idMax:
		return said.Say("a calibration has no usable id"), mark("Give it an id of 1 to 64 characters.")
	case e.Revision < 1:
		return said.Say("%s has the revision %d", e.ID, e.Revision), mark("Revisions are whole numbers from 1.")
	case e.Make == "" || e.Model == "":
		return said.Say("%s has no make or no model", e.ID), mark("Fill both in.")
	case e.YearFrom < 1900 || e.YearTo > 2200 || e.YearTo < e.YearFrom:
		return said.Say("%s is for the years %d to %d", e.ID, e.YearFrom, e.YearTo), mark("Give the first and the last model year.")
	case e.Fitment == "":
		return said.Say("%s has no fitment", e.ID), mark("Write standard, or the exhaust or intake that it is for.")
	case err != nil:
		return said.Say("%s was released on %q", e.ID, e.Released), mark("Write the date as 2026-01-12.")
	case !slices.Contains(Variants(), e.Variant):
		return said.Say("%s has the variant %q", e.ID, e.Variant), mark("Write standard, idle+100 or idle+200.")
	case len(e.Make) > textMax || len(e.Model) > textMax || len(e.ForCaller) > textMax || len(e.Family) > idMax || len(e.Fitment) > idMax:
		return said.Say("%s has a text that is too long", e.ID), mark("Shorten it.")
	}
	return said.Text{}, ""
}

// contradiction is why two entries can't stand beside each other.
func (c *Catalogue) contradiction(a, b *Calibration) (what said.Text, do string) {
	switch {
	case a.ID == b.ID && a.Revision == b.Revision:
		if *a != *b {
			return said.Say("%s revision %d says something else than another line for the same revision", a.ID, a.Revision), mark("Give the newer one a higher revision.")
		}
	case a.ID == b.ID:
		if (a.Revision > b.Revision) != (a.Released >= b.Released) && a.Released != b.Released {
			return said.Say("%s revision %d was released on %s, revision %d on %s", a.ID, a.Revision, a.Released, b.Revision, b.Released), mark("A higher revision can't be older.")
		}
	case a.overlaps(b) && !c.supersedes(a.ID, b.ID) && !c.supersedes(b.ID, a.ID):
		return said.Say("%s revision %d and %s revision %d are both for %s %s, %d to %d", a.ID, a.Revision, b.ID, b.Revision, a.Make, a.Model,
			max(a.YearFrom, b.YearFrom), min(a.YearTo, b.YearTo)), mark("Separate the years, fitment or variant, or say which supersedes the other.")
	}
	return said.Text{}, ""
}

func (a *Calibration) overlaps(b *Calibration) bool {
	return a.YearFrom <= b.YearTo && b.YearFrom <= a.YearTo && a.Family == b.Family && a.Fitment == b.Fitment && a.Variant == b.Variant &&
		modelOf(a.Make, a.Model) == modelOf(b.Make, b.Model) // last: it costs most
}

// Catalogue is what the shop file and later listings come to.
func (s *State) Catalogue() *Catalogue {
	if s.catalogue == nil {
		return NewCatalogue()
	}
	return s.catalogue
}

// catalogued builds the catalogue anew.
func (s *State) catalogued() {
	var all []Calibration
	if s.Shop != nil {
		all = append(all, s.Shop.Calibrations...)
	}
	all = append(all, s.Listed...)
	all = slices.DeleteFunc(all, func(e Calibration) bool { _, gone := s.Withdrawn[e.Ref()]; return gone })
	s.catalogue = NewCatalogue(all...)
}

// CalibrationFor answers which calibration is current for a machine on a day
// in the shop's zone; a zero time: whatever was released.
func (s *State) CalibrationFor(m *Machine, at time.Time) (*Calibration, *Refusal) {
	return s.Catalogue().Current(m, s.day(at))
}

func (s *State) day(at time.Time) string {
	if at.IsZero() || s.Shop == nil {
		return ""
	}
	return at.In(s.Shop.Location()).Format(time.DateOnly)
}

// listingMax bounds one listing, so that its entry stays small.
const listingMax = 200

// ListCalibrations adds to the catalogue. A mandatory one opens a campaign.
type ListCalibrations struct {
	Calibrations []Calibration
}

func (*ListCalibrations) subject() Subject { return ShopSubject }

func (a *ListCalibrations) decide(d *decider) error {
	if err := d.foremanOnly("list calibrations"); err != nil {
		return err
	}
	if len(a.Calibrations) == 0 || len(a.Calibrations) > listingMax {
		return refuse(CodeMalformed, "Send between 1 and 200 at once.", "%d calibrations in one listing", len(a.Calibrations))
	}
	cat := d.state.Catalogue()
	if clashes := cat.Check(a.Calibrations); len(clashes) > 0 {
		return refuse(CodeExists, clashes[0].Do, "%s", clashes[0].Say)
	}
	var fresh []Calibration
	for _, c := range a.Calibrations {
		if old := cat.Find(c.Ref()); old == nil || *old != c {
			fresh = append(fresh, c)
		}
	}
	if len(fresh) == 0 {
		return refuse(CodeExists, "Nothing to do.", "these calibrations are listed already as they are")
	}
	d.emit(ShopSubject, TypeCalibrationsListed, &CalibrationsListed{fresh})
	for _, c := range fresh {
		if id := CampaignFor(c.Ref()); c.Mandatory && !c.NoneNeeded && d.state.Campaigns[id] == nil {
			ref := c.Ref()
			d.emit(ShopSubject, TypeCampaignOpened, &CampaignOpened{ID: id, Calibration: &ref,
				Title: fmt.Sprintf("%s %s: %s revision %d", c.Make, c.Model, c.ID, c.Revision), ForCaller: c.ForCaller})
		}
	}
	return nil
}

// WithdrawCalibration takes one revision out of the catalogue.
type WithdrawCalibration struct {
	Ref    CalibrationRef
	Reason string
}

func (*WithdrawCalibration) subject() Subject { return ShopSubject }

func (a *WithdrawCalibration) decide(d *decider) error {
	if err := d.foremanOnly("withdraw a calibration"); err != nil {
		return err
	}
	if err := checkText("the reason", a.Reason, true); err != nil {
		return err
	}
	if d.state.Catalogue().Find(a.Ref) == nil {
		return refuse(CodeUnknown, "Look at the catalogue for its id and revision.", "%s revision %d is not listed", a.Ref.ID, a.Ref.Revision)
	}
	d.emit(ShopSubject, TypeCalibrationWithdrawn, &CalibrationWithdrawn{a.Ref, a.Reason})
	return nil
}

func (s *State) list(d *CalibrationsListed) {
	listed, withdrawn := slices.Clone(s.Listed), maps.Clone(s.Withdrawn)
	for _, c := range d.Calibrations {
		delete(withdrawn, c.Ref())
		if i := slices.IndexFunc(listed, func(o Calibration) bool { return o.Ref() == c.Ref() }); i >= 0 {
			listed[i] = c
			continue
		}
		listed = append(listed, c)
	}
	s.Listed, s.Withdrawn = listed, withdrawn
	s.catalogued()
}

func (s *State) withdraw(d *CalibrationWithdrawn) {
	s.Withdrawn = maps.Clone(s.Withdrawn)
	if s.Withdrawn == nil {
		s.Withdrawn = map[CalibrationRef]string{}
	}
	s.Withdrawn[d.Ref] = d.Reason
	s.catalogued()
}
