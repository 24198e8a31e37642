package photos

import (
	"bytes"
	"errors"
	"image"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/log"
)

// stores are fresh ones of each kind, and how to damage a photo in one.
func stores(t *testing.T) map[string]func(t *testing.T) (s *Store, damage func(Hash)) {
	srv, err := log.Open(t.Context(), log.Options{Dir: filepath.Join(t.TempDir(), "log")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	nc, err := srv.Connect()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	sites := 0
	return map[string]func(t *testing.T) (*Store, func(Hash)){
		"files": func(t *testing.T) (*Store, func(Hash)) {
			s := open(t)
			return s, func(h Hash) {
				if err := s.keeps.put(t.Context(), h, []byte("something else")); err != nil {
					t.Fatal(err)
				}
			}
		},
		"nodes": func(t *testing.T) (*Store, func(Hash)) {
			sites++
			s, err := OpenNATS(t.Context(), nc, queue.SiteID("site-"+strconv.Itoa(sites)), 1)
			if err != nil {
				t.Fatal(err)
			}
			return s, func(h Hash) {
				if _, err := s.keeps.(*nodes).js.Publish(t.Context(), s.keeps.(*nodes).subject(h, "0"), []byte("something else")); err != nil {
					t.Fatal(err)
				}
			}
		},
	}
}

// TestStores: a directory and the nodes of a deployment keep the same promises.
func TestStores(t *testing.T) {
	for name, fresh := range stores(t) {
		t.Run(name, func(t *testing.T) {
			s, damage := fresh(t)
			large := asJPEG(t, noise(1600, 1600)) // of several parts
			if len(large) < 2*partMax {
				t.Fatalf("%d bytes are one part", len(large))
			}
			var all []Hash
			for _, sent := range [][]byte{large, asJPEG(t, picture(10, 8)), asJPEG(t, picture(12, 8))} {
				h, kept := put(t, s, sent)
				if again, _ := put(t, s, sent); again != h || !bytes.Equal(kept, sent) {
					t.Errorf("sent again: %s, %s; %d bytes kept of %d", h, again, len(kept), len(sent))
				}
				all = append(all, h)
			}
			if n, err := s.Verify(t.Context()); n != 3 || err != nil {
				t.Errorf("verify: %d, %v", n, err)
			}
			for h := range map[Hash]bool{"": true, "x": true, Hash(make([]byte, 64)): true, "*": true, all[0][:63] + ">": true, all[0][:63] + "g": true} {
				if _, err := s.Get(h); !errors.Is(err, ErrNone) || has(t, s, h) {
					t.Errorf("%q: %v", h, err)
				}
			}
			// Nobody else's.
			other, _ := fresh(t)
			if has(t, other, all[0]) {
				t.Error("another site has the photo")
			}
			if n, err := s.Copy(t.Context(), other); n != 3 || err != nil || !has(t, other, all[0]) {
				t.Errorf("copy: %d, %v", n, err)
			}
			damage(all[2])
			if _, err := s.Get(all[2]); !errors.Is(err, ErrChanged) {
				t.Errorf("a changed photo: %v", err)
			}
			if _, err := s.Verify(t.Context()); !errors.Is(err, ErrChanged) {
				t.Errorf("verify: %v", err)
			}
			if _, err := s.Copy(t.Context(), other); !errors.Is(err, ErrChanged) {
				t.Errorf("copy: %v", err)
			}
			put(t, s, asJPEG(t, picture(12, 8))) // puts it right
			sweepStore(t, s, all)
		})
	}
}

// noise is a picture that no compression makes small.
func noise(w, h int) image.Image {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range img.Pix {
		img.Pix[i] = byte(uint32(i) * 2654435761 >> 13)
	}
	return img
}

// sweepStore goes through a photo's life: named, refused, named after all.
func sweepStore(t *testing.T, s *Store, all []Hash) {
	now := time.Now()
	named := map[Hash]bool{all[0]: true}
	sweep := func(after time.Duration, want Swept) {
		t.Helper()
		now = now.Add(after)
		got, err := s.Sweep(t.Context(), now, func(set map[Hash]bool) error {
			for h := range named {
				delete(set, h)
			}
			return nil
		})
		if err != nil || got != want {
			t.Errorf("swept %+v, %v, want %+v", got, err, want)
		}
	}
	sweep(UnnamedMax-time.Hour, Swept{})
	sweep(2*time.Hour, Swept{Aside: 2})
	sweep(time.Hour, Swept{})
	if n, err := s.Verify(t.Context()); n != 3 || err != nil {
		t.Errorf("what lies aside is not found: %d, %v", n, err)
	}
	named[all[1]] = true // recorded while the log was read
	sweep(time.Hour, Swept{Back: 1})
	sweep(AsideMax, Swept{Gone: 1})
	for i, h := range all {
		if _, err := s.Get(h); has(t, s, h) != (i < 2) || (err == nil) != (i < 2) {
			t.Errorf("photo %d: there %v, %v", i, has(t, s, h), err)
		}
	}
	if h, _ := put(t, s, asJPEG(t, picture(12, 8))); h != all[2] || !has(t, s, h) {
		t.Error("a photo that is sent once more is not there")
	}
}

// TestSentAgainWhileSwept: a photo that is sent again while a sweep has it in
// hand stays whole, whatever the sweep had read of it before.
func TestSentAgainWhileSwept(t *testing.T) {
	s, _ := stores(t)["nodes"](t)
	d, ctx := s.keeps.(*nodes), t.Context()
	sent := asJPEG(t, noise(1600, 1600))
	h, _ := put(t, s, sent)
	var done Swept
	later := time.Now().Add(UnnamedMax + time.Hour)
	if err := d.layAside(h, later, &done); err != nil || done.Aside != 1 {
		t.Fatal(done, err)
	}
	head, err := d.last(ctx, d.subject(h, "head"))
	if err != nil {
		t.Fatal(err)
	}
	// Its first part is there anew, its head is not yet.
	if _, err := d.js.Publish(ctx, d.subject(h, "0"), sent[:partMax]); err != nil {
		t.Fatal(err)
	}
	if err := d.remove(h, head, &done); err != nil || done.Gone != 0 {
		t.Errorf("deleted while it came: %+v, %v", done, err)
	}
	put(t, s, sent)
	// And all of it anew: what the sweep had read is of before.
	if err := d.remove(h, head, &done); err != nil {
		t.Error(err)
	}
	if ok, err := d.behead(head, d.head(h, partsOf(head))); ok || err != nil {
		t.Errorf("an old head took the new one's place: %v", err)
	}
	if b, err := s.Get(h); err != nil || !bytes.Equal(b, sent) {
		t.Errorf("not whole: %v", err)
	}
}

// TestNodesThatDoNotAnswer: they are no word that a photo is not there.
func TestNodesThatDoNotAnswer(t *testing.T) {
	s, _ := stores(t)["nodes"](t)
	h, _ := put(t, s, asJPEG(t, picture(12, 8)))
	if !has(t, s, h) {
		t.Fatal("it is not there")
	}
	s.keeps.(*nodes).js.Conn().Close()
	if there, err := s.Has(h); there || err == nil {
		t.Errorf("there %v, %v; want an error", there, err)
	}
	if _, err := s.Get(h); err == nil || errors.Is(err, ErrNone) {
		t.Errorf("got with %v; want that they do not answer", err)
	}
}
