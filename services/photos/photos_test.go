package photos

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"strings"
	"testing"
)

func open(t *testing.T) *Store {
	t.Helper()
	s, err := Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// fileOf is where a directory has a photo.
func fileOf(s *Store, h Hash) string { return s.keeps.(*files).path(h) }

// picture is red on the left half and blue on the right.
func picture(w, h int) image.Image {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{220, 0, 0, 255}
			if x >= w/2 {
				c = color.RGBA{0, 0, 220, 255}
			}
			img.SetRGBA(x, y, c)
		}
	}
	return img
}

func asJPEG(t *testing.T, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// segment is a marker with its length and body.
func segment(mark byte, body string) []byte {
	out := []byte{0xff, mark}
	out = binary.BigEndian.AppendUint16(out, uint16(2+len(body)))
	return append(out, body...)
}

// noted puts segments behind the JPEG's first marker.
func withSegments(b []byte, segments ...[]byte) []byte {
	out := bytes.Clone(b[:2])
	for _, s := range segments {
		out = append(out, s...)
	}
	return append(out, b[2:]...)
}

// exif is a big-endian TIFF header with the orientation and a text that stands
// for a place.
func exif(orientation uint16) []byte {
	b := []byte("Exif\x00\x00MM\x00\x2a\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01")
	b = binary.BigEndian.AppendUint16(b, orientation)
	return segment(0xe1, string(b)+"\x00\x00\x00\x00\x00\x00GPS 55.6N 2.8W")
}

func put(t *testing.T, s *Store, b []byte) (Hash, []byte) {
	t.Helper()
	h, err := s.Put(t.Context(), bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	kept, err := s.Get(h)
	if err != nil {
		t.Fatal(err)
	}
	if sum := sha256.Sum256(kept); hex.EncodeToString(sum[:]) != string(h) {
		t.Fatalf("hash %s is not that of the content", h)
	}
	return h, kept
}

func TestPlainJPEGIsKeptAsItIs(t *testing.T) {
	s := open(t)
	sent := asJPEG(t, picture(320, 200))
	h, kept := put(t, s, sent)
	if !bytes.Equal(kept, sent) {
		t.Error("a plain JPEG was drawn anew")
	}
	if again, _ := put(t, s, sent); again != h {
		t.Errorf("the same photo is %s and %s", h, again)
	}
	if n, err := s.Verify(t.Context()); n != 1 || err != nil {
		t.Errorf("verify: %d, %v", n, err)
	}
}

// TestNotesOfTheCameraAreGone: whatever a camera or a program wrote beside the
// picture, it is not kept, wherever it stands.
func TestNotesOfTheCameraAreGone(t *testing.T) {
	const secret = "GPS 55.6N"
	plain := asJPEG(t, picture(320, 200))
	for name, sent := range map[string][]byte{
		"exif":        withSegments(plain, exif(1)),
		"comment":     withSegments(plain, segment(0xfe, secret)),
		"xmp":         withSegments(plain, segment(0xe1, "http://ns.adobe.com/xap/1.0/\x00"+secret)),
		"iptc":        withSegments(plain, segment(0xed, secret)),
		"long JFIF":   withSegments(plain, segment(0xe0, "JFIF\x00"+secret+"000000")),
		"behind":      append(bytes.Clone(plain), secret...),
		"second":      append(bytes.Clone(plain), withSegments(plain, exif(1))...),
		"other app":   withSegments(plain, segment(0xeb, secret)),
		"PNG comment": pngWithText(t, secret),
	} {
		if !bytes.Contains(sent, []byte(secret)) {
			t.Fatalf("%s: the secret is not in what is sent", name)
		}
		s := open(t)
		_, kept := put(t, s, sent)
		if bytes.Contains(kept, []byte(secret)) {
			t.Errorf("%s: the secret is kept", name)
		}
		if bytes.Contains(kept, []byte("Exif")) {
			t.Errorf("%s: there are notes of the camera", name)
		}
		if img, err := jpeg.Decode(bytes.NewReader(kept)); err != nil || img.Bounds().Dx() != 320 {
			t.Errorf("%s: kept picture: %v", name, err)
		}
	}
}

func pngWithText(t *testing.T, secret string) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, picture(320, 200)); err != nil {
		t.Fatal(err)
	}
	const header = 8 + 25 // signature and IHDR
	body := "tEXtplace\x00" + secret
	chunk := binary.BigEndian.AppendUint32(nil, uint32(len(body)-4))
	chunk = append(chunk, body...)
	chunk = binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE([]byte(body)))
	return append(append(bytes.Clone(b.Bytes()[:header]), chunk...), b.Bytes()[header:]...)
}

// TestOrientation: the picture stands upright although the note that says how
// is gone (Exif 2.32, tag 0x0112). Red was on the left.
func TestOrientation(t *testing.T) {
	at := map[uint16]string{1: "left", 2: "right", 3: "right", 4: "left", 5: "top", 6: "top", 7: "bottom", 8: "bottom"}
	for o, red := range at {
		_, kept := put(t, open(t), withSegments(asJPEG(t, picture(320, 200)), exif(o)))
		img, err := jpeg.Decode(bytes.NewReader(kept))
		if err != nil {
			t.Fatal(err)
		}
		size := img.Bounds().Size()
		if want := image.Pt(320, 200); o >= 5 && size != image.Pt(200, 320) || o < 5 && size != want {
			t.Errorf("orientation %d: %v", o, size)
		}
		spot := map[string]image.Point{"left": {5, size.Y / 2}, "right": {size.X - 5, size.Y / 2}, "top": {size.X / 2, 5}, "bottom": {size.X / 2, size.Y - 5}}[red]
		if r, _, b, _ := img.At(spot.X, spot.Y).RGBA(); r < b {
			t.Errorf("orientation %d: the %s is not red", o, red)
		}
	}
}

func TestLargePhotoIsShrunk(t *testing.T) {
	_, kept := put(t, open(t), asJPEG(t, picture(4000, 3000)))
	size, err := jpeg.DecodeConfig(bytes.NewReader(kept))
	if err != nil || size.Width != SideMax || size.Height != SideMax*3/4 {
		t.Errorf("kept %dx%d, %v", size.Width, size.Height, err)
	}
}

// webp1 is a lossy WebP picture of one pixel, from the format's public
// description of its smallest files (from memory; the decoder agrees).
const webp1 = "UklGRiIAAABXRUJQVlA4IBYAAAAwAQCdASoBAAEADsD+JaQAA3AAAAAA"

func TestWebPIsTaken(t *testing.T) {
	b, err := base64.StdEncoding.DecodeString(webp1)
	if err != nil {
		t.Fatal(err)
	}
	_, kept := put(t, open(t), b)
	if _, err := jpeg.Decode(bytes.NewReader(kept)); err != nil {
		t.Errorf("kept picture: %v", err)
	}
}

func TestWhatIsNoPhotoIsRefused(t *testing.T) {
	plain := asJPEG(t, picture(320, 200))
	huge := bytes.Clone(plain)
	i := bytes.Index(huge, []byte{0xff, 0xc0}) // the frame's header says how large it is
	binary.BigEndian.PutUint16(huge[i+5:], 60000)
	binary.BigEndian.PutUint16(huge[i+7:], 60000)
	for name, c := range map[string]struct {
		sent []byte
		want error
	}{
		"text":       {[]byte("no picture"), ErrKind},
		"empty":      {nil, ErrKind},
		"html":       {[]byte("<html><script>alert(1)</script>"), ErrKind},
		"svg":        {[]byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`), ErrKind},
		"gif":        {[]byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"), ErrKind},
		"cut":        {plain[:len(plain)/2], ErrDamaged},
		"too large":  {append(bytes.Clone(plain), make([]byte, BytesMax)...), ErrTooLarge},
		"too many":   {huge, ErrPixels},
		"only start": {plain[:2], ErrKind},
	} {
		s := open(t)
		if _, err := s.Put(t.Context(), bytes.NewReader(c.sent)); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
		if n, err := s.Verify(t.Context()); n != 0 || err != nil {
			t.Errorf("%s: %d photos kept, %v", name, n, err)
		}
	}
}

func TestChangedFileIsFound(t *testing.T) {
	s := open(t)
	h, kept := put(t, s, asJPEG(t, picture(320, 200)))
	kept[len(kept)-5] ^= 1
	if err := os.WriteFile(fileOf(s, h), kept, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Get(h); !errors.Is(err, ErrChanged) {
		t.Errorf("get: %v", err)
	}
	if _, err := s.Verify(t.Context()); !errors.Is(err, ErrChanged) {
		t.Errorf("verify: %v", err)
	}
	if _, err := s.Copy(t.Context(), open(t)); !errors.Is(err, ErrChanged) {
		t.Errorf("copy: %v", err)
	}
	// The photo itself puts it right.
	if again, _ := put(t, s, asJPEG(t, picture(320, 200))); again != h {
		t.Errorf("kept as %s", again)
	}
}

// has reports whether a store that can be asked has a photo.
func has(t testing.TB, s *Store, h Hash) bool {
	t.Helper()
	there, err := s.Has(h)
	if err != nil {
		t.Fatal(err)
	}
	return there
}

func TestNamesThatAreNone(t *testing.T) {
	s := open(t)
	for _, h := range []Hash{"", "x", "../../../etc/passwd", Hash(strings.Repeat("A", 64)), Hash(strings.Repeat("0", 63)), Hash(strings.Repeat("0", 64))} {
		if _, err := s.Get(h); !errors.Is(err, ErrNone) {
			t.Errorf("%q: %v", h, err)
		}
		if has(t, s, h) {
			t.Errorf("%q is there", h)
		}
	}
}

func TestCopy(t *testing.T) {
	s, to := open(t), open(t)
	h, _ := put(t, s, asJPEG(t, picture(320, 200)))
	put(t, s, asJPEG(t, picture(100, 100)))
	for range 2 {
		if n, err := s.Copy(t.Context(), to); n != 2 || err != nil {
			t.Fatalf("copied %d, %v", n, err)
		}
	}
	if !has(t, to, h) {
		t.Error("it did not arrive")
	}
}

func FuzzPut(f *testing.F) {
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x08Exif\x00\x00"))
	s, err := Open(f.TempDir())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := s.Put(t.Context(), bytes.NewReader(b))
		if err != nil {
			return
		}
		kept, err := s.Get(h)
		if err != nil {
			t.Fatal(err)
		}
		if size, err := jpeg.DecodeConfig(bytes.NewReader(kept)); err != nil || max(size.Width, size.Height) > SideMax {
			t.Fatalf("kept %v, %v", size, err)
		}
		if again, err := s.Put(t.Context(), bytes.NewReader(kept)); err != nil || again != h {
			t.Fatalf("kept %s, put again %s, %v", h, again, err)
		}
	})
}

// TestNotesBehindARestartMarker: a reader skips what follows a restart marker
// before the picture, so that a note may stand there.
func TestNotesBehindARestartMarker(t *testing.T) {
	b := asJPEG(t, picture(32, 24))
	sent := append(append(append([]byte{}, b[:2]...), segment(0xd0, "serial 4711, 55.6 N")...), b[2:]...)
	if _, kept := put(t, open(t), sent); bytes.Contains(kept, []byte("4711")) {
		t.Error("the note is kept")
	}
}
