package floor_test

import (
	"bytes"
	"context"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tickover/services/floor"
	"tickover/services/photos"
)

// TestSweptPhotos: a photo whose command was refused goes once its time is up;
// one that the log names never does, however old, and after a restore neither.
func TestSweptPhotos(t *testing.T) {
	w := newWorld(t)
	w.clock.set(time.Now()) // files have the disk's time
	ctx := context.Background()
	w.arrive("LM-1", "reflash")
	keep := func(side int) photos.Hash {
		t.Helper()
		r := w.send(http.MethodPost, "/api/v1/photos", "image/jpeg", bytes.NewReader(aPhoto(t, side, 20)))
		if r.status != http.StatusOK {
			t.Fatalf("keep: %d %s", r.status, r.body)
		}
		return photos.Hash(r.object(t)["sha256"].(string))
	}
	sweep := func(f *floor.Floor, want photos.Swept) {
		t.Helper()
		if got, err := f.SweepPhotos(ctx); err != nil || got != want {
			t.Errorf("swept %+v, %v, want %+v", got, err, want)
		}
	}
	has := func(s *photos.Store, want map[photos.Hash]bool) {
		t.Helper()
		for h, there := range want {
			if got, err := s.Has(h); got != there || err != nil {
				t.Errorf("%s: there %v, %v, want %v", h, got, err, there)
			}
		}
	}
	named, refused, waits := keep(24), keep(32), keep(40)
	const problem = "/units/LM-1/steps/check-in/problem"
	w.must(problem, fields{"actor": "ines", "reason": "a worn cable", "evidence": fields{"photos": string(named)}})
	if r := w.call(problem, fields{"actor": "nobody", "reason": "a worn cable", "evidence": fields{"photos": string(refused)}}); r.status == http.StatusOK {
		t.Fatal("not refused")
	}
	w.clock.add(photos.UnnamedMax - time.Hour)
	sweep(w.floor, photos.Swept{})
	w.clock.add(2 * time.Hour)
	// A phone whose command has waited sends its photo again with each try.
	if err := os.Chtimes(w.photoFile(waits), time.Time{}, w.clock.now()); err != nil {
		t.Fatal(err)
	}
	sweep(w.floor, photos.Swept{Aside: 1})
	has(w.photos, map[photos.Hash]bool{named: true, refused: true, waits: true})
	if r := w.get("/photos/" + string(refused)); r.status != http.StatusOK {
		t.Errorf("laid aside, and not shown: %d", r.status)
	}
	w.clock.add(photos.AsideMax + time.Minute)
	sweep(w.floor, photos.Swept{Gone: 1})
	has(w.photos, map[photos.Hash]bool{named: true, refused: false, waits: true})
	w.must(problem, fields{"actor": "ines", "reason": "and a loose plug", "evidence": fields{"photos": string(waits)}})

	// Restored: the same log over a copy of the photos, however late.
	back, err := photos.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	if n, err := w.photos.Copy(ctx, back); n != 2 || err != nil {
		t.Fatal(n, err)
	}
	restored, err := floor.New(floor.Options{Ledger: w.l, Log: w.log, Site: w.l.View().Site, Plans: w.plans, Photos: back, Now: w.clock.now})
	if err != nil {
		t.Fatal(err)
	}
	defer restored.Close()
	for range 3 {
		w.clock.add(10 * photos.UnnamedMax)
		sweep(w.floor, photos.Swept{})
		sweep(restored, photos.Swept{})
	}
	has(w.photos, map[photos.Hash]bool{named: true, waits: true})
	has(back, map[photos.Hash]bool{named: true, waits: true})
	// Of another log, nothing names them.
	other := newWorld(t)
	other.clock.set(w.clock.now())
	strange, err := floor.New(floor.Options{Ledger: other.l, Log: other.log, Site: other.l.View().Site, Plans: other.plans, Photos: back, Now: other.clock.now})
	if err != nil {
		t.Fatal(err)
	}
	defer strange.Close()
	sweep(strange, photos.Swept{Aside: 2})
	sweep(restored, photos.Swept{Back: 2})
	has(back, map[photos.Hash]bool{named: true, waits: true})
}

// photoFile is where the world's store has a photo.
func (w *world) photoFile(h photos.Hash) string {
	return filepath.Join(w.photoDir, string(h[:2]), string(h)+".jpg")
}
