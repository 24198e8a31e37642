package queue_test

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/queue"
	"tickover/queue/queuetest"
)

func entry(id string, rev int, more ...func(*queue.Calibration)) queue.Calibration {
	c := queue.Calibration{ID: queue.CalibrationID(id), Revision: rev, Make: "Mk", Model: "N1", YearFrom: 2020, YearTo: 2026, Family: "k1", Fitment: "standard", Released: fmt.Sprintf("2025-%02d-01", rev)}
	for _, m := range more {
		m(&c)
	}
	return c
}

func mandatory(c *queue.Calibration) { c.Mandatory = true }

// TestCatalogueRefusesContradictions: each kind of mistake is named, with the
// entry that it is found at.
func TestCatalogueRefusesContradictions(t *testing.T) {
	listed := queue.NewCatalogue(entry("a", 1), entry("a", 2))
	for name, c := range map[string]struct {
		entries []queue.Calibration
		want    string // "" is fine
		index   int
	}{
		"the same again":                {[]queue.Calibration{entry("a", 2)}, "", 0},
		"next revision":                 {[]queue.Calibration{entry("a", 3)}, "", 0},
		"same revision, other text":     {[]queue.Calibration{entry("a", 2, func(c *queue.Calibration) { c.ForCaller = "x" })}, "says something else", 0},
		"newer but released earlier":    {[]queue.Calibration{entry("a", 3, func(c *queue.Calibration) { c.Released = "2024-01-01" })}, "was released on", 0},
		"overlap":                       {[]queue.Calibration{entry("b", 1)}, "are both for Mk N1, 2020 to 2026", 0},
		"overlap that supersedes":       {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.Supersedes = "a" })}, "", 0},
		"other years":                   {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.YearFrom, c.YearTo = 2027, 2028 })}, "", 0},
		"one year in common":            {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.YearFrom, c.YearTo = 2026, 2028 })}, "2026 to 2026", 0},
		"other variant":                 {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.Variant = queue.VariantIdle100 })}, "", 0},
		"other fitment":                 {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.Fitment = "open" })}, "", 0},
		"none needed over one":          {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.NoneNeeded = true })}, "are both for", 0},
		"overlap in the list":           {[]queue.Calibration{entry("c", 1, func(c *queue.Calibration) { c.Model = "Z" }), entry("d", 1, func(c *queue.Calibration) { c.Model = "z" })}, "are both for", 1},
		"supersedes nobody":             {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.Supersedes = "zz" })}, "not listed", 0},
		"supersedes itself":             {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.Model, c.Supersedes = "Z", "b" })}, "supersedes itself", 0},
		"a circle":                      {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.Supersedes = "d" }), entry("d", 1, func(c *queue.Calibration) { c.Supersedes = "b" })}, "supersedes itself", 0},
		"id of another model":           {[]queue.Calibration{entry("a", 3, func(c *queue.Calibration) { c.Model = "Z" })}, "is listed for", 0},
		"no date":                       {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.Released = "12.1.2026" })}, "was released on", 0},
		"revision zero":                 {[]queue.Calibration{entry("b", 0)}, "the revision 0", 0},
		"years backwards":               {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.YearTo = 2019 })}, "for the years", 0},
		"a variant that does not exist": {[]queue.Calibration{entry("b", 1, func(c *queue.Calibration) { c.Variant = "idle+300" })}, "variant", 0},
	} {
		clashes := listed.Check(c.entries)
		switch {
		case c.want == "" && len(clashes) > 0:
			t.Errorf("%s: refused: %+v", name, clashes)
		case c.want != "" && !slices.ContainsFunc(clashes, func(x queue.Clash) bool {
			return x.Index == c.index && strings.Contains(x.What, c.want) && x.Do != ""
		}):
			t.Errorf("%s: want %q at %d, got %+v", name, c.want, c.index, clashes)
		}
	}
}

// TestLookupIsTotalWithOneAnswer: for any catalogue that Check passes and any
// machine there is exactly one answer, whatever the order of the entries.
func TestLookupIsTotalWithOneAnswer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pick := func(label string, of ...string) string { return rapid.SampledFrom(of).Draw(t, label) }
		var all []queue.Calibration
		for range rapid.IntRange(0, 14).Draw(t, "entries") {
			from := rapid.IntRange(2020, 2024).Draw(t, "from")
			c := queue.Calibration{
				ID: queue.CalibrationID(pick("id", "a", "b", "c", "d", "e")), Revision: rapid.IntRange(1, 4).Draw(t, "revision"),
				Make: pick("make", "Mk", "mk"), Model: pick("model", "N1", "N2"), YearFrom: from, YearTo: from + rapid.IntRange(0, 3).Draw(t, "years"),
				Family: "k1", Fitment: queue.Fitment(pick("fitment", "standard", "open")), Variant: rapid.SampledFrom(queue.Variants()).Draw(t, "variant"),
				Released: fmt.Sprintf("2025-%02d-01", rapid.IntRange(1, 9).Draw(t, "month")), NoneNeeded: rapid.Bool().Draw(t, "none"),
				Supersedes: queue.CalibrationID(pick("supersedes", "", "", "a", "b", "c")),
			}
			if len(queue.NewCatalogue(all...).Check([]queue.Calibration{c})) == 0 {
				all = append(all, c)
			}
		}
		m := queue.Machine{Make: "MK", Model: pick("asked model", "n1", "N2", "N9"), Year: rapid.IntRange(2019, 2028).Draw(t, "year"), Family: "k1",
			Fitment: queue.Fitment(pick("asked fitment", "standard", "open", "other")), Variant: rapid.SampledFrom(queue.Variants()).Draw(t, "asked variant")}
		day := fmt.Sprintf("2025-%02d-15", rapid.IntRange(1, 9).Draw(t, "day"))
		c, r := queue.NewCatalogue(all...).Current(&m, day)
		if (c == nil) == (r == nil) {
			t.Fatalf("calibration %v and refusal %v", c, r)
		}
		if r != nil && (r.What == "" || r.Do == "" || r.Interlock != queue.I4) {
			t.Fatalf("refusal %+v", r)
		}
		if c != nil && (!strings.EqualFold(c.Model, m.Model) || m.Year < c.YearFrom || m.Year > c.YearTo || c.Fitment != m.Fitment || c.Variant != m.Variant || c.Released > day || c.NoneNeeded) {
			t.Fatalf("%+v does not fit %+v on %s", c, m, day)
		}
		shuffled := rapid.Permutation(all).Draw(t, "order")
		c2, r2 := queue.NewCatalogue(shuffled...).Current(&m, day)
		if (c == nil) != (c2 == nil) || c != nil && *c != *c2 || r != nil && r.What != r2.What {
			t.Fatalf("another order, another answer: %v %v, %v %v", c, r, c2, r2)
		}
	})
}

// fleet is a site with machines of several models, visits and flashes.
func fleet(t rapid.TB, r *rand.Rand, units int) *queuetest.Site {
	s := queuetest.NewSite()
	for i := range units {
		m := queue.Machine{Frame: fmt.Sprintf("FRAME%04d", r.IntN(units)), Make: "Mk", Model: fmt.Sprintf("M%d", 1+r.IntN(2)), Year: 2018 + r.IntN(9), Family: "k1", Fitment: "standard"}
		if r.IntN(4) == 0 {
			m.Fitment = "open"
		}
		a := queuetest.Arrival("flash-only", s.Now.Add(time.Hour))
		a.Machine = m
		id := queue.UnitID(fmt.Sprintf("F-%d", i))
		if _, err := s.Do("", &queue.ReceiveUnit{Unit: id, Arrival: a}); err != nil {
			t.Fatal(err)
		}
		if r.IntN(2) == 0 {
			_ = s.Run(id, "flash") // refused where there is no calibration
			s.Now = s.Now.Add(time.Second)
		}
	}
	return s
}

// TestNewMandatoryRevisionOpensEveryAffectedMachineAndNothingElse compares the
// campaign with a count by hand over the visits.
func TestNewMandatoryRevisionOpensEveryAffectedMachineAndNothingElse(t *testing.T) {
	seed := queuetest.Seed(t, 1)
	for stream := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, stream))
		s := fleet(t, r, 20)
		c := queue.Calibration{ID: "cal-n", Revision: 1, Make: "mk", Model: "M1", YearFrom: 2021, YearTo: 2024, Family: "k1", Fitment: "standard", Released: "2025-06-01", Mandatory: true, Supersedes: "cal-b"}
		// It takes the place of both older ones.
		first := queue.Calibration{ID: "cal-b", Revision: 3, Make: "Mk", Model: "M1", YearFrom: 2020, YearTo: 2026, Family: "k1", Fitment: "standard", Released: "2025-05-02", Supersedes: "cal-a"}
		for _, l := range []queue.Calibration{first, c} {
			if _, err := s.Do("fred", &queue.ListCalibrations{Calibrations: []queue.Calibration{l}}); err != nil {
				t.Fatal(err)
			}
		}
		camp := s.State.Campaigns["cal-n-r1"]
		if camp == nil {
			t.Fatal("no campaign opened")
		}
		want := map[queue.MachineKey]bool{}
		last := map[string]*queue.Unit{}
		for _, u := range s.State.Units {
			if o := last[u.Machine.Frame]; o == nil || u.Arrived.After(o.Arrived) || u.Arrived.Equal(o.Arrived) && u.ID > o.ID {
				last[u.Machine.Frame] = u
			}
		}
		for frame, u := range last {
			if m := u.Machine; m.Model == "M1" && m.Year >= 2021 && m.Year <= 2024 && m.Fitment == "standard" {
				want[queue.MachineKey(frame)] = true
			}
		}
		got := map[queue.MachineKey]bool{}
		for _, l := range s.State.Lines(camp, s.Now) {
			if l.Open {
				got[l.Key] = true
			}
		}
		if !maps.Equal(got, want) {
			t.Fatalf("seed %d, stream %d: open %v, want %v", seed, stream, got, want)
		}
		for _, u := range s.State.Units {
			shows := len(s.State.OpenFor(u, s.Now)) > 0
			if shows != want[queue.KeyOf(u)] {
				t.Fatalf("seed %d, stream %d: unit %s shows open %v, want %v", seed, stream, u.ID, shows, want[queue.KeyOf(u)])
			}
		}
	}
}

// TestDeliveryIsRefusedUntilSwept: a unit that only gets accessories may not
// leave with an older calibration; swept, or let pass with a reason, it may.
func TestDeliveryIsRefusedUntilSwept(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "fit-only"))
	other := queuetest.Arrival("fit-only", s.Now.Add(time.Hour))
	other.Machine.Frame = "another"
	_, err := s.Do("", &queue.ReceiveUnit{Unit: "T-2", Arrival: other})
	ok(t, err)
	_, err = s.Do("fred", &queue.ListCalibrations{Calibrations: []queue.Calibration{{ID: "cal-b", Revision: 3, Make: "Mk", Model: "M1", YearFrom: 2020, YearTo: 2026,
		Family: "k1", Fitment: "standard", Released: "2025-06-01", Mandatory: true, Supersedes: "cal-a"}}})
	ok(t, err)
	for _, u := range []queue.UnitID{"T-1", "T-2"} {
		ok(t, s.Run(u, "fit"))
	}
	_, err = s.Do("fred", &queue.SweepUnit{Unit: "T-1", Campaign: "cal-b-r3"})
	ok(t, err)
	_, err = s.Do("fred", &queue.SweepUnit{Unit: "T-1", Campaign: "cal-b-r3"})
	wantCode(t, err, queue.CodeWrongStep)
	var ids []string
	for _, st := range s.State.Units["T-1"].Steps {
		ids = append(ids, string(st.ID))
	}
	if got := strings.Join(ids, " "); got != "fit flash resets relearn restart ride final" {
		t.Errorf("steps %s", got)
	}
	if err := s.Start("T-1", "final"); err == nil {
		t.Error("the final check may be done before the sweep")
	}
	for _, st := range []queue.StepID{"flash", "resets", "relearn", "restart", "ride", "final"} {
		ok(t, s.Run("T-1", st))
	}
	_, err = s.Do("fred", &queue.HandOver{Unit: "T-1"})
	ok(t, err)
	ok(t, s.Run("T-2", "final"))
	_, err = s.Do("fred", &queue.HandOver{Unit: "T-2"})
	wantRefusal(t, err, queue.I11, "called back by", "cal-b revision 3")
	ok(t, override(s, queue.I11, &queue.HandOver{Unit: "T-2"}))
	if got := s.State.Units["T-2"]; got.Status != queue.Delivered || !got.LeftOver {
		t.Errorf("unit %+v", got)
	}
	// The log keeps that it is open: sold does not mean swept.
	var open []queue.MachineKey
	for _, l := range s.State.Lines(s.State.Campaigns["cal-b-r3"], s.Now) {
		if l.Open {
			open = append(open, l.Key)
		}
	}
	if !slices.Equal(open, []queue.MachineKey{"AN0THER"}) {
		t.Errorf("open %v", open)
	}
}

// TestFlashedWithAnOlderOneIsFlashedAgain: a revision that comes out during
// the visit voids nothing by itself; the sweep asks for the flash again.
func TestFlashedWithAnOlderOneIsFlashedAgain(t *testing.T) {
	s := queuetest.NewSite()
	upTo(t, s, "T-1", "ride")
	list := &queue.ListCalibrations{Calibrations: []queue.Calibration{{ID: "cal-b", Revision: 3, Make: "Mk", Model: "M1", YearFrom: 2020, YearTo: 2026,
		Family: "k1", Fitment: "standard", Released: "2025-06-01", Mandatory: true, Supersedes: "cal-a"}}}
	_, err := s.Do("ada", list)
	wantCode(t, err, queue.CodeWrongPerson)
	_, err = s.Do("fred", list)
	ok(t, err)
	ok(t, s.Run("T-1", "ride"))
	_, err = s.Do("fred", &queue.HandOver{Unit: "T-1"})
	wantRefusal(t, err, queue.I11, "called back")
	_, err = s.Do("fred", &queue.SweepUnit{Unit: "T-1", Campaign: "cal-b-r3"})
	ok(t, err)
	for _, st := range []queue.StepID{"flash", "resets", "relearn", "restart", "ride"} {
		ok(t, s.Run("T-1", st))
	}
	if got := s.State.Units["T-1"].Step("flash").Calibration; got == nil || got.Revision != 3 {
		t.Errorf("flashed %+v", got)
	}
	_, err = s.Do("fred", &queue.HandOver{Unit: "T-1"})
	ok(t, err)
}

// TestBulletinAndContacts: a bulletin selects by frame numbers; the owner's
// state is kept; done elsewhere closes the line, a decline does not.
func TestBulletinAndContacts(t *testing.T) {
	s := queuetest.NewSite()
	for i, frame := range []string{"AA100", "AA150", "AA200", "AA99"} {
		a := queuetest.Arrival("fit-only", s.Now.Add(time.Hour))
		a.Machine.Frame = frame
		_, err := s.Do("", &queue.ReceiveUnit{Unit: queue.UnitID(fmt.Sprintf("B-%d", i)), Arrival: a})
		ok(t, err)
	}
	open := func(x queue.Selection) error {
		_, err := s.Do("fred", &queue.OpenCampaign{Campaign: queue.CampaignOpened{ID: "chain-guide", Title: "Chain guide", Bulletin: &x}})
		return err
	}
	wantCode(t, open(queue.Selection{}), queue.CodeMalformed)
	ok(t, open(queue.Selection{FrameFrom: "AA100", FrameTo: "AA199"}))
	lines := func() (open []string) {
		for _, l := range s.State.Lines(s.State.Campaigns["chain-guide"], s.Now) {
			if l.Open {
				open = append(open, string(l.Key))
			}
		}
		return open
	}
	if got := lines(); !slices.Equal(got, []string{"AA100", "AA150"}) {
		t.Errorf("open %v", got)
	}
	contact := func(c queue.CampaignContacted) error {
		c.ID = "chain-guide"
		_, err := s.Do("ada", &queue.ContactOwner{Contact: c})
		return err
	}
	wantCode(t, contact(queue.CampaignContacted{Machine: "AA200", State: queue.Called}), queue.CodeUnknown)
	wantCode(t, contact(queue.CampaignContacted{Machine: "AA100", State: queue.Booked}), queue.CodeMalformed)
	wantCode(t, contact(queue.CampaignContacted{Machine: "AA100", State: queue.Declined}), queue.CodeMalformed)
	ok(t, contact(queue.CampaignContacted{Machine: "AA100", State: queue.Declined, Note: "sells it"}))
	if got := lines(); len(got) != 2 {
		t.Errorf("a decline closed a line: %v", got)
	}
	ok(t, contact(queue.CampaignContacted{Machine: "AA100", State: queue.SweptElsewhere, Note: "at the works"}))
	if got := lines(); !slices.Equal(got, []string{"AA150"}) {
		t.Errorf("open %v", got)
	}
	_, err := s.Do("fred", &queue.SweepUnit{Unit: "B-1", Campaign: "chain-guide"})
	ok(t, err)
	_, err = s.Do("fred", &queue.CloseCampaign{ID: "chain-guide", Reason: "withdrawn by the maker"})
	ok(t, err)
	wantCode(t, contact(queue.CampaignContacted{Machine: "AA150", State: queue.Called}), queue.CodeWrongStep)
}

// TestBulletinCountsTheFlashToCome: a visit that will be flashed anyway is not
// flashed twice for a bulletin.
func TestBulletinCountsTheFlashToCome(t *testing.T) {
	s := queuetest.NewSite()
	upTo(t, s, "T-1", "flash")
	_, err := s.Do("fred", &queue.OpenCampaign{Campaign: queue.CampaignOpened{ID: "idle", Title: "Idle", Bulletin: &queue.Selection{Make: "Mk"}}})
	ok(t, err)
	_, err = s.Do("fred", &queue.SweepUnit{Unit: "T-1", Campaign: "idle"})
	ok(t, err)
	_, err = s.Do("fred", &queue.SweepUnit{Unit: "T-1", Campaign: "idle"})
	wantCode(t, err, queue.CodeWrongStep)
	for _, st := range []queue.StepID{"flash", "resets", "relearn", "restart", "ride"} {
		ok(t, s.Run("T-1", st))
	}
	_, err = s.Do("fred", &queue.HandOver{Unit: "T-1"})
	ok(t, err)
}

// TestFinalCheckWaitsForAllThatIsAdded: also where the added steps end in two.
func TestFinalCheckWaitsForAllThatIsAdded(t *testing.T) {
	s := queuetest.NewSite()
	r := s.State.Shop.Route("flash-only")
	for i := range r.Steps {
		if r.Steps[i].ID == "ride" {
			r.Steps[i].After = []queue.After{{Step: "relearn", Max: -1}}
		}
	}
	ok(t, s.Arrive("T-1", "fit-only"))
	_, err := s.Do("fred", &queue.OpenCampaign{Campaign: queue.CampaignOpened{ID: "idle", Title: "Idle", Bulletin: &queue.Selection{Make: "Mk"}}})
	ok(t, err)
	_, err = s.Do("fred", &queue.SweepUnit{Unit: "T-1", Campaign: "idle"})
	ok(t, err)
	for _, want := range []queue.StepID{"restart", "ride"} {
		if !slices.ContainsFunc(s.State.Units["T-1"].Step("final").After, func(a queue.After) bool { return a.Step == want }) {
			t.Errorf("the final check does not wait for %s", want)
		}
	}
}

// TestBulletinByFrameNeedsAFrame: a machine without a number is not among
// those from a number on.
func TestBulletinByFrameNeedsAFrame(t *testing.T) {
	s := queuetest.NewSite()
	a := queuetest.Arrival("fit-only", s.Now.Add(time.Hour))
	a.Machine.Frame = ""
	_, err := s.Do("", &queue.ReceiveUnit{Unit: "T-1", Arrival: a})
	ok(t, err)
	from := strings.Repeat("A", len(queue.KeyOf(s.State.Units["T-1"])))
	_, err = s.Do("fred", &queue.OpenCampaign{Campaign: queue.CampaignOpened{ID: "b", Title: "B", Bulletin: &queue.Selection{FrameFrom: from}}})
	ok(t, err)
	if open := s.State.OpenFor(s.State.Units["T-1"], s.Now); len(open) > 0 {
		t.Errorf("open in %s", open[0].ID)
	}
}

// TestCatalogueSurvivesTheSnapshot: listings, withdrawals and campaigns are the
// same after a restart.
func TestCatalogueSurvivesTheSnapshot(t *testing.T) {
	s := queuetest.NewSite()
	for _, a := range []queue.Action{
		&queue.ListCalibrations{Calibrations: []queue.Calibration{entry("a", 1), entry("a", 2, mandatory)}},
		&queue.WithdrawCalibration{Ref: queue.CalibrationRef{ID: "cal-b", Revision: 2}, Reason: "faulty"},
	} {
		_, err := s.Do("fred", a)
		ok(t, err)
	}
	b, err := s.State.MarshalSnapshot()
	ok(t, err)
	back, err := queue.UnmarshalSnapshot(b)
	ok(t, err)
	if got, want := fmt.Sprint(back.Catalogue().All(), len(back.Campaigns)), fmt.Sprint(s.State.Catalogue().All(), len(s.State.Campaigns)); got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
	m := queuetest.Machine()
	if c, r := back.CalibrationFor(&m, s.Now); r != nil || c.ID != "cal-a" {
		t.Errorf("with cal-b withdrawn: %v %v", c, r)
	}
}

// bigState is 50,000 units and 2,000 calibrations.
func bigState(b *testing.B) (*queue.State, *queue.Campaign) {
	s := queuetest.NewSite()
	for i := range 10 {
		var l queue.ListCalibrations
		for j := range 200 {
			n := i*200 + j
			l.Calibrations = append(l.Calibrations, queue.Calibration{ID: queue.CalibrationID(fmt.Sprintf("k%d", n/4)), Revision: 1 + n%4, Make: "Mk", Model: fmt.Sprintf("X%d", n/4),
				YearFrom: 2015, YearTo: 2026, Family: "k1", Fitment: "standard", Released: fmt.Sprintf("2025-0%d-01", 1+n%4), Mandatory: n == 3})
		}
		if _, err := s.Do("fred", &l); err != nil {
			b.Fatal(err)
		}
	}
	for i := range 50_000 {
		id := queue.UnitID(fmt.Sprintf("U-%d", i))
		s.State.Units[id] = &queue.Unit{ID: id, Machine: queue.Machine{Frame: fmt.Sprintf("LK2TR30A5S1%06d", i), Make: "mk", Model: fmt.Sprintf("x%d", i%500), Year: 2020, Family: "k1", Fitment: "standard"}, Status: queue.Delivered}
	}
	return s.State, s.State.Campaigns["k0-r4"]
}

func BenchmarkLookup(b *testing.B) {
	st, _ := bigState(b)
	at := queuetest.Monday
	m := queue.Machine{Make: "Mk", Model: "X250", Year: 2021, Family: "k1", Fitment: "standard"}
	for b.Loop() {
		if _, r := st.CalibrationFor(&m, at); r != nil {
			b.Fatal(r)
		}
	}
}

func BenchmarkCampaign(b *testing.B) {
	st, c := bigState(b)
	for b.Loop() {
		if n := len(st.Lines(c, queuetest.Monday)); n != 100 {
			b.Fatalf("%d lines", n)
		}
	}
}
