package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/contacts"
	"tickover/services/floor"
	"tickover/services/floor/api"
	"tickover/services/ledger"
	"tickover/services/simshop"
)

// reach is one shop with a few simulated days in its log, asked three ways.
type reach struct {
	t      *testing.T
	dir    string
	url    string
	client *http.Client
	l      *ledger.Ledger
	end    time.Time
}

const reachCampaign = "kb250-std-r4"

// simulated fills a log with four days of the demo shop, in which a mandatory
// calibration came out.
func simulated(t *testing.T, srv *log.Server) time.Time {
	t.Helper()
	shop, hash, err := (&demoCmd{}).shop()
	if err != nil {
		t.Fatal(err)
	}
	s, err := simshop.New(t.Context(), simshop.Options{Shop: shop, ShopFile: hash, Seed: 7, Days: 4, Log: srv, Schedules: 1})
	if err != nil {
		t.Fatal(err)
	}
	start := s.Now()
	if err := s.FastForward(t.Context(), start.Add(44*time.Hour)); err != nil {
		t.Fatal(err)
	}
	err = s.List(t.Context(), []queue.Calibration{{ID: "kb250-std", Revision: 4, Make: "Kestrow", Model: "Brae 250", YearFrom: 2024, YearTo: 2026,
		Family: "kr5", Fitment: "standard", Released: "2026-01-20", Mandatory: true}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.FastForward(t.Context(), start.Add(88*time.Hour)); err != nil {
		t.Fatal(err)
	}
	return s.Now()
}

// serveSimulated serves the shop at its end, with a person in its book.
func serveSimulated(t *testing.T) *reach {
	t.Helper()
	r := &reach{t: t, dir: t.TempDir()}
	srv, err := log.Open(t.Context(), log.Options{Dir: logDir(r.dir)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	r.end = simulated(t, srv)
	now := func() time.Time { return r.end }
	if r.l, err = ledger.Open(t.Context(), ledger.Options{Site: "larkmoor", Log: srv, Now: now}); err != nil {
		t.Fatal(err)
	}
	nc, err := srv.Connect()
	if err != nil {
		t.Fatal(err)
	}
	people, err := contacts.Open(t.Context(), nc, "larkmoor", 0, now)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- people.Run(ctx) }()
	if _, err := people.Save(ctx, contacts.Person{ID: "p-1", Name: "Ada Brook", Phone: "0131 496 0000"}); err != nil {
		t.Fatal(err)
	}
	f, err := floor.New(floor.Options{Ledger: r.l, Log: srv, Site: "larkmoor", Contacts: people, Now: now, Backup: handOut(srv, nc)})
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(f)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	r.url, r.client = server.URL, &http.Client{Jar: jar}
	t.Cleanup(func() {
		r.client.CloseIdleConnections()
		f.Close()
		server.Close()
		stop()
		<-done
		nc.Close()
	})
	res, err := r.client.PostForm(r.url+"/me", url.Values{"person": {"ruth"}, "back": {"/cautions"}})
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	return r
}

func (r *reach) get(path string) string {
	r.t.Helper()
	res, err := r.client.Get(r.url + path)
	if err != nil {
		r.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		r.t.Fatalf("%s: %d %v %.300s", path, res.StatusCode, err, b)
	}
	return string(b)
}

// cli runs the command line.
func (r *reach) cli(args ...string) string {
	r.t.Helper()
	var out, errs bytes.Buffer
	if code := run(r.t.Context(), append(args, "--server", r.url), streams{&out, &errs}); code != exitOK {
		r.t.Fatalf("tickover %s: %d %s", strings.Join(args, " "), code, errs.String())
	}
	return out.String()
}

// backUp copies the running shop, log and people, into a data directory, as a
// person does it.
func (r *reach) backUp(data string) {
	r.t.Helper()
	file := filepath.Join(r.t.TempDir(), "copy")
	if said := r.cli("backup", file, "--data", r.dir); !strings.Contains(said, "hands its log, people and accounts out") {
		r.t.Fatalf("backup of a running shop: %s", said)
	}
	var out, errs bytes.Buffer
	if code := run(r.t.Context(), []string{"restore", file, "--data", data}, streams{&out, &errs}); code != exitOK || !strings.Contains(out.String(), "1 people, 0 stay erased") {
		r.t.Fatalf("restore: %d %s %s", code, out.String(), errs.String())
	}
}

var (
	markup = regexp.MustCompile(`<[^>]*>`)
	blanks = regexp.MustCompile(`[\s\x{a0}]+`)
)

// words is what a page says, without its marks.
func words(page string) string {
	return blanks.ReplaceAllString(html.UnescapeString(markup.ReplaceAllString(page, " ")), " ")
}

// capability is one thing that people and programs ask a shop, three ways.
// figures picks from the API's answer what page and command line must say too.
type capability struct {
	name      string
	page, api string
	cli       []string
	figures   func(answer []byte) (page, line []string)
	same      bool // the three are one file
}

func decoded[T any](f func(T) (page, line []string)) func([]byte) ([]string, []string) {
	return func(b []byte) ([]string, []string) {
		var v T
		if err := json.Unmarshal(b, &v); err != nil {
			return []string{"unreadable: " + err.Error()}, nil
		}
		return f(v)
	}
}

func number(v float64, decimals int) string { return strconv.FormatFloat(v, 'f', decimals, 64) }

// exact is a length as the pages write it.
func exact(min float64) string {
	d := time.Duration(min * float64(time.Minute)).Round(time.Minute)
	if m := int(d / time.Minute); m >= 60 {
		return fmt.Sprintf("%d h %02d min", m/60, m%60)
	}
	return fmt.Sprintf("%d min", int(d/time.Minute))
}

func capabilities(machine, unit, claimed string) []capability {
	const day = "day=2026-02-18"
	q := url.PathEscape
	return []capability{
		{"machine record", "/machines/" + q(machine), "/machines/" + q(machine), []string{"machines", "show", machine}, decoded(func(v api.MachineView) ([]string, []string) {
			f := v.Flashes[len(v.Flashes)-1]
			flash := fmt.Sprintf("%s revision %d", f.Calibration.ID, f.Calibration.Revision)
			return []string{v.Is.Frame, fmt.Sprintf("%d visit", len(v.Visits)), flash, number(v.OdometerKM.Value, 1) + " km", number(v.EngineH.Value, 1) + " h"},
				[]string{v.Is.Frame, fmt.Sprintf("%s r%d", f.Calibration.ID, f.Calibration.Revision), number(v.OdometerKM.Value, 1) + " km", number(v.EngineH.Value, 1) + " h", string(f.Unit)}
		}), false},
		{"trade-in check", "/machines/" + q(machine) + "/trade-in", "/machines/" + q(machine) + "/trade-in", []string{"machines", "check", machine}, decoded(func(v api.TradeIn) ([]string, []string) {
			f := []string{number(v.EngineH.Value, 1) + " h", number(v.OdometerKM.Value, 1) + " km"}
			for _, c := range v.Campaigns {
				f = append(f, c.Title)
			}
			return f, f
		}), false},
		{"frame number as typed", "/machines/" + q(strings.ToLower(machine)), "/machines/" + q(strings.ToLower(machine)), []string{"machines", "show", strings.ToLower(machine)}, decoded(func(v api.MachineView) ([]string, []string) {
			return []string{v.Is.Frame}, []string{v.Is.Frame}
		}), false},
		{"unit with its steps", "/units/" + unit, "/units/" + unit, []string{"units", "show", unit}, decoded(func(v api.UnitView) ([]string, []string) {
			return []string{string(v.Unit.ID), v.Unit.Machine.Frame}, []string{string(v.Unit.ID), v.Unit.Machine.Frame}
		}), false},
		{"unit's history", "/units/" + unit, "/units/" + unit + "/history", []string{"units", "history", unit}, decoded(func(v api.EventList) ([]string, []string) {
			last := v.Events[len(v.Events)-1]
			return []string{last.Time.Format("2 Jan 15:04")}, []string{string(last.Type), fmt.Sprint(last.N), last.Time.Format("2006-01-02 15:04")}
		}), false},
		{"labour", "/labour?span=day&" + day, "/labour?span=day&" + day, []string{"labour", "show", "--span", "day", "--day", "2026-02-18"}, decoded(func(v api.LabourReport) ([]string, []string) {
			return []string{exact(v.All.WorkedMin), exact(v.All.ProducedMin), exact(v.All.AvailableMin), fmt.Sprintf("%.0f %%", 100**v.All.Proficiency)},
				[]string{number(v.All.WorkedMin, 1), number(v.All.ProducedMin, 1), number(v.All.AvailableMin, 1), number(100**v.All.Proficiency, 1) + " %"}
		}), false},
		{"labour lines", "/labour/lines.csv?span=day&" + day, "/labour/lines.csv?span=day&" + day, []string{"labour", "lines", "--span", "day", "--day", "2026-02-18"}, nil, true},
		{"technician's day", "/technicians/tomas/day.ics?" + day, "/technicians/tomas/day.ics?" + day, []string{"technicians", "day", "tomas", "--day", "2026-02-18"}, nil, true},
		{"campaigns", "/campaigns", "/campaigns", []string{"campaigns", "list"}, decoded(func(v api.CampaignList) ([]string, []string) {
			c := v.Campaigns[0]
			return []string{c.Title, fmt.Sprintf("%d of %d swept", c.Swept, c.Total)}, []string{string(c.ID), fmt.Sprintf("%d of %d", c.Swept, c.Total)}
		}), false},
		{"campaign's machines", "/campaigns/" + reachCampaign, "/campaigns/" + reachCampaign, []string{"campaigns", "show", reachCampaign}, decoded(func(v api.CampaignDetail) ([]string, []string) {
			var f []string
			for _, l := range v.Lines {
				f = append(f, string(l.Unit))
			}
			return f, f
		}), false},
		{"times to come", "/campaigns/" + reachCampaign + "/book?machine=" + q(claimed), "/campaigns/" + reachCampaign + "/times?machine=" + q(claimed), []string{"campaigns", "times", reachCampaign, claimed}, decoded(func(v api.TimesView) ([]string, []string) {
			if len(v.Times) == 0 {
				return []string{v.Why}, []string{v.Why}
			}
			return []string{v.Times[0].At.Format("15:04")}, []string{v.Times[0].At.Format("2006-01-02 15:04")}
		}), false},
		{"claim sheet", "/campaigns/" + reachCampaign + "/claim", "/campaigns/" + reachCampaign + "/claim", []string{"campaigns", "claim", reachCampaign}, decoded(func(v api.ClaimSheet) ([]string, []string) {
			f := []string{number(v.HandsOnMin, 1)}
			var line []string
			for _, l := range v.Lines {
				line = append(line, string(l.Unit), number(l.HandsOnMin, 1))
			}
			return append(f, line...), line
		}), false},
		{"claim as CSV", "/campaigns/" + reachCampaign + "/claim.csv", "/campaigns/" + reachCampaign + "/claim.csv", []string{"campaigns", "claim", reachCampaign}, nil, true},
		{"showroom audit", "/audit", "/showroom/audit", []string{"showroom", "audit"}, decoded(func(v api.AuditList) ([]string, []string) {
			var f []string
			for _, m := range v.Machines {
				f = append(f, string(m.Unit))
			}
			return f, f
		}), false},
		{"calibration lookup", "/counter?make=Kestrow&model=Brae+250&year=2025", "/calibration?make=Kestrow&model=Brae+250&year=2025&family=kr5",
			[]string{"calibrations", "find", "--make", "Kestrow", "--model", "Brae 250", "--year", "2025", "--family", "kr5"}, decoded(func(v api.CalibrationAnswer) ([]string, []string) {
				return []string{string(v.ID)}, []string{fmt.Sprintf("%s revision %d", v.ID, v.Revision)}
			}), false},
		{"a person", "/people/p-1", "/people/p-1", []string{"people", "show", "p-1"}, decoded(func(v api.PersonView) ([]string, []string) {
			return []string{v.Name}, []string{v.Name, v.Phone}
		}), false},
		{"a person's data", "/people/p-1/export", "/people/p-1/export", []string{"people", "export", "p-1"}, nil, true},
		{"the past", "/units?asof=2026-02-17T12:00", "/units?asof=2026-02-17T12:00", []string{"units", "list", "--asof", "2026-02-17T12:00"}, decoded(func(v api.UnitList) ([]string, []string) {
			var f []string
			for _, u := range v.Units {
				f = append(f, string(u.Unit))
			}
			return f, f
		}), false},
		{"labour of the past", "/labour?span=day&asof=2026-02-17T15:00", "/labour?span=day&asof=2026-02-17T15:00", []string{"labour", "show", "--span", "day", "--asof", "2026-02-17T15:00"}, decoded(func(v api.LabourReport) ([]string, []string) {
			return []string{exact(v.All.WorkedMin)}, []string{number(v.All.WorkedMin, 1)}
		}), false},
	}
}

// TestEverythingThreeWays: what the shop tells of calibrations, campaigns and
// machines is there by page, API and command line, with the same figures from
// the same log; and of the stopped shop's data directory the command line says
// the same again.
func TestEverythingThreeWays(t *testing.T) {
	r := serveSimulated(t)
	var machine, unit, claimed string
	st := r.l.View()
	for _, m := range st.Machines() {
		u := m.Latest()
		if m.Flashed != nil && u.Status == queue.Delivered && u.OdometerKM != nil && u.EngineH != nil && u.Machine.Model == "Brae 250" {
			machine, unit = u.Machine.Frame, string(u.ID)
		}
	}
	lines := st.Lines(st.Campaigns[reachCampaign], r.end)
	for _, l := range lines {
		if l.Open && l.Latest().Status != queue.InShop {
			claimed = string(l.Key)
		}
	}
	if machine == "" || claimed == "" {
		t.Fatalf("the simulated days have no machine to ask about: %q %q of %d", machine, claimed, len(lines))
	}
	moment := r.end.UTC().Format(time.RFC3339)
	stopped := map[string]string{} // what is to be said again of the data directory
	var again [][]string
	for _, c := range capabilities(machine, unit, claimed) {
		page, answer := r.get(c.page), r.get(api.Prefix+c.api)
		line := r.cli(c.cli...)
		if c.same {
			if strings.TrimSpace(page) != strings.TrimSpace(answer) || strings.TrimSpace(line) != strings.TrimSpace(answer) || len(answer) < 40 {
				t.Errorf("%s: page %.200q\nAPI %.200q\ncommand line %.200q", c.name, page, answer, line)
			}
		} else {
			if asked := r.cli(append(c.cli, "--json")...); asked != answer {
				t.Errorf("%s: --json says %.300s\nthe API %.300s", c.name, asked, answer)
			}
			onPage, onLine := c.figures([]byte(answer))
			said := words(page)
			for _, f := range onPage {
				if f == "" || !strings.Contains(said, f) {
					t.Errorf("%s: the page does not say %q: %.1500s", c.name, f, said)
				}
			}
			for _, f := range onLine {
				if f == "" || !strings.Contains(line, f) {
					t.Errorf("%s: the command line does not say %q: %.1500s", c.name, f, line)
				}
			}
			if len(onPage) == 0 || len(onLine) == 0 {
				t.Errorf("%s: nothing to compare", c.name)
			}
		}
		if c.cli[0] == "people" || c.cli[1] == "times" || c.cli[1] == "day" || strings.Contains(c.page, "asof") {
			continue // of now, or of a plan
		}
		args := append(c.cli, "--asof", moment)
		stopped[strings.Join(args, " ")] = r.cli(args...)
		again = append(again, args)
	}
	data := t.TempDir()
	r.backUp(data)
	for _, args := range again {
		var out, errs bytes.Buffer
		if code := run(t.Context(), append(args, "--data", data, "--site", "larkmoor"), streams{&out, &errs}); code != exitOK || out.String() != stopped[strings.Join(args, " ")] {
			t.Errorf("tickover %s --data: %d %s\n%.300s\nrunning: %.300s", strings.Join(args, " "), code, errs.String(), out.String(), stopped[strings.Join(args, " ")])
		}
	}
}
