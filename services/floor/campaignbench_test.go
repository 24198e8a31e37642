package floor_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"tickover/queue"
	"tickover/services/floor/live"
)

// BenchmarkRecord answers for 50,000 delivered machines and 2,000 calibrations
// of 500 models, all of them in the log and folded from it: what an issue asks
// is a lookup in less than 5 ms and a campaign over all units in less than 2 s.
//
// Every tenth machine came twice; every twentieth was flashed here. scan is the
// bare list of machines, beside which the campaign's pages are to be read.
func BenchmarkRecord(b *testing.B) {
	w := unserved(b)
	w.fleet(50_000, 2000)
	w.serve(live.Bounds{})
	w.be("ruth")
	st := w.l.View()
	if n := len(st.Units); n < 50_000 || len(st.Catalogue().All()) < 2000 {
		b.Fatalf("%d units, %d calibrations", n, len(st.Catalogue().All()))
	}
	camp := st.Campaigns["k7-r4"]
	m := queue.Machine{Make: "Mk", Model: "X250", Year: 2021, Family: "kr5", Fitment: "standard"}
	b.Run("lookup", func(b *testing.B) {
		for b.Loop() {
			if c, r := st.CalibrationFor(&m, morning); r != nil || c.Revision != 4 {
				b.Fatal(c, r)
			}
		}
	})
	b.Run("scan", func(b *testing.B) {
		for b.Loop() {
			st.Machines()
		}
	})
	b.Run("lines", func(b *testing.B) {
		for b.Loop() {
			if n := len(st.Lines(camp, w.clock.now())); n != 100 {
				b.Fatalf("%d lines", n)
			}
		}
	})
	for name, path := range map[string]string{
		"lookup by the API": "/api/v1/calibration?make=Mk&model=X250&year=2021&family=kr5&frame=FB00000001",
		"counter":           "/counter?make=Mk&model=X250&year=2021",
		"campaign":          "/campaigns/k7-r4",
		"campaign of all":   "/campaigns/all",
		"campaigns":         "/campaigns",
		"by the API":        "/api/v1/campaigns/all",
		"audit":             "/audit",
		"machine":           "/machines/FB00000001",
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				r := httptest.NewRequest(http.MethodGet, path, nil)
				r.Host = w.server.Listener.Addr().String()
				rec := httptest.NewRecorder()
				w.floor.ServeHTTP(rec, r)
				if rec.Code != http.StatusOK {
					b.Fatalf("%s: %d %.300s", path, rec.Code, rec.Body)
				}
			}
		})
	}
}

// fleet lists calibrations, four revisions for each model, and lets machines
// come and leave: the log of many years.
func (w *world) fleet(machines, calibrations int) {
	w.t.Helper()
	send := func(cmd queue.Command) {
		w.t.Helper()
		cmd.ID, cmd.Actor = queue.CommandID(w.id()), "ruth"
		if _, err := w.l.Do(context.Background(), cmd); err != nil {
			w.t.Fatal(err)
		}
	}
	var list []queue.Calibration
	for n := range calibrations {
		id := n / 4
		list = append(list, queue.Calibration{ID: queue.CalibrationID(fmt.Sprintf("k%d", id)), Revision: 1 + n%4, Make: "Mk", Model: fmt.Sprintf("X%d", id),
			YearFrom: 2015, YearTo: 2026, Family: "kr5", Fitment: "standard", Released: fmt.Sprintf("2025-0%d-01", 1+n%4), Mandatory: n == 31})
		if len(list) == 200 {
			send(queue.Command{Action: &queue.ListCalibrations{Calibrations: list}})
			list = nil
		}
	}
	send(queue.Command{Action: &queue.OpenCampaign{Campaign: queue.CampaignOpened{ID: "all", Title: "Every machine", Bulletin: &queue.Selection{Make: "mk"}}}})
	models := calibrations / 4
	limit := *w.l.View().Shop
	limit.Limits.UnitsOpenMax = 0
	send(queue.Command{Action: &queue.ConfigureShop{Shop: limit, FileHash: "open"}})
	leave := func(id queue.UnitID) {
		send(queue.Command{Action: &queue.HandOver{Unit: id}, Overrides: []queue.Override{{Interlock: queue.I11, Reason: "years ago", By: "ruth"}}})
	}
	const batch = 200
	visits := machines + machines/10
	for n := 0; n < visits; n += batch {
		w.clock.set(morning.Add(time.Duration(n) * time.Second))
		in := &queue.ReceiveUnits{}
		for i := n; i < min(n+batch, visits); i++ {
			of := i % machines
			in.Units = append(in.Units, queue.ReceiveUnit{Unit: queue.UnitID(fmt.Sprintf("U-%06d", i)), Arrival: queue.UnitArrived{
				Machine:   queue.Machine{Frame: fmt.Sprintf("FB%08d", of), Make: "mk", Model: fmt.Sprintf("x%d", of%models), Year: 2020, Family: "kr5", Fitment: "standard"},
				Ownership: queue.CustomerUnit, Route: "reflash", Promise: w.clock.now().Add(48 * time.Hour), Weight: 5,
			}})
		}
		send(queue.Command{Action: in})
		for i := range in.Units {
			id := in.Units[i].Unit
			if (n+i)%20 == 7 { // flashed here, while the shop is open
				send(queue.Command{Action: &queue.StartStep{Unit: id, Step: "check-in", Technician: "ines"}})
				send(queue.Command{Action: &queue.FinishStep{Unit: id, Step: "check-in", Technician: "ines", Evidence: queue.Evidence{"frame_number": in.Units[i].Arrival.Machine.Frame, "odometer_km": "12", "engine_h": "1"}}})
				send(queue.Command{Action: &queue.StartStep{Unit: id, Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}}, Overrides: []queue.Override{{Interlock: queue.I5, Reason: "years ago", By: "ruth"}}})
				send(queue.Command{Action: &queue.FinishStep{Unit: id, Step: "flash", Technician: "tomas", Evidence: queue.Evidence{"calibration": fmt.Sprintf("k%d", ((n+i)%machines)%models), "revision": "4"}}})
			}
			leave(id)
		}
	}
}
