package pages

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io/fs"
	"math"
	"net/http"
	"path"
	"slices"
	"strconv"
	"sync"
)

// shell is what a page needs to open without a network: our own files, and
// the version of them all.
type shell struct {
	Version string   `json:"version"`
	Files   []string `json:"files"` // addresses
}

func shellOf(static fs.FS) (shell, error) {
	s := shell{Files: []string{"/offline", "/manifest.webmanifest"}}
	h := sha256.New()
	err := fs.WalkDir(static, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(static, name)
		if err != nil {
			return err
		}
		fmt.Fprintf(h, "%s %d\n", name, len(b))
		h.Write(b)
		switch path.Ext(name) {
		case ".css", ".js", ".svg":
			if name != workerFile {
				s.Files = append(s.Files, "/static/"+name)
			}
		}
		return nil
	})
	slices.Sort(s.Files)
	s.Version = hex.EncodeToString(h.Sum(nil))[:16]
	return s, err
}

const workerFile = "worker.js"

// offlineRoutes serves what makes the pages open without a network and be
// installed: the service worker, the manifest, the icons.
func (p *Pages) offlineRoutes(static fs.FS) error {
	s, err := shellOf(static)
	if err != nil {
		return err
	}
	p.version = s.Version
	body, err := fs.ReadFile(static, workerFile)
	if err != nil {
		return err
	}
	head, err := json.Marshal(s)
	if err != nil {
		return err
	}
	worker := append([]byte("const shell = "+string(head)+";\n"), body...)
	serve := func(pattern, contentType string, content func() []byte) {
		p.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", contentType)
			w.Header().Set("Cache-Control", "no-cache")
			_, _ = w.Write(content())
		})
	}
	serve("GET /sw.js", "text/javascript; charset=utf-8", func() []byte { return worker })
	serve("GET /manifest.webmanifest", "application/manifest+json", sync.OnceValue(manifest))
	for _, size := range iconSizes {
		serve(fmt.Sprintf("GET /icon-%d.png", size), "image/png", sync.OnceValue(func() []byte { return iconPNG(size) }))
	}
	p.mux.Handle("GET /offline", p.handle(p.offline))
	return nil
}

// offline is what is shown for a page that was not kept.
func (p *Pages) offline(_ *http.Request, b *Base) (string, any, error) {
	b.Title = b.T("No network")
	return "offline", struct{ *Base }{b}, nil
}

var iconSizes = []int{192, 512}

// manifest lets a phone install the pages; the colours are those of app.css.
func manifest() []byte {
	type icon struct {
		Source  string `json:"src"`
		Sizes   string `json:"sizes"`
		Type    string `json:"type"`
		Purpose string `json:"purpose,omitempty"`
	}
	icons := []icon{{Source: "/static/icon.svg", Sizes: "any", Type: "image/svg+xml"}}
	for _, size := range iconSizes {
		n := strconv.Itoa(size)
		for _, purpose := range []string{"any", "maskable"} {
			icons = append(icons, icon{"/icon-" + n + ".png", n + "x" + n, "image/png", purpose})
		}
	}
	b, err := json.MarshalIndent(map[string]any{
		"name": "Tickover", "short_name": "Tickover", "id": "/job", "start_url": "/job", "scope": "/", "display": "standalone",
		"background_color": "#f3f2ec", "theme_color": "#0b6b57", "icons": icons,
	}, "", "  ")
	if err != nil {
		panic(err) // strings only
	}
	return b
}

// iconPNG draws the mark, a clock's ring and hands, on a full square, with
// room around it for a phone that cuts a circle or a rounded square out.
func iconPNG(size int) []byte {
	ground, mark := color.RGBA{0x0b, 0x6b, 0x57, 0xff}, color.RGBA{0xff, 0xff, 0xff, 0xff}
	img := image.NewRGBA(image.Rect(0, 0, size, size))
	scale := 36 / float64(size) // the mark's own grid is 24 wide, 6 are left on each side
	for y := range size {
		for x := range size {
			px, py := (float64(x)+.5)*scale-18, (float64(y)+.5)*scale-18
			d := math.Abs(math.Hypot(px, py) - 9.5)
			d = min(d, toLine(px, py, 0, 0, 0, -6), toLine(px, py, 0, 0, 4.5, 2.5))
			share := min(1, max(0, (1.1-d)/scale+.5)) // a pixel on the edge is mixed
			img.SetRGBA(x, y, mix(ground, mark, share))
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		panic(err) // a buffer takes everything
	}
	return b.Bytes()
}

// toLine is the distance of a point from a line between two points.
func toLine(x, y, ax, ay, bx, by float64) float64 {
	t := ((x-ax)*(bx-ax) + (y-ay)*(by-ay)) / ((bx-ax)*(bx-ax) + (by-ay)*(by-ay))
	t = min(1, max(0, t))
	return math.Hypot(x-ax-t*(bx-ax), y-ay-t*(by-ay))
}

func mix(a, b color.RGBA, share float64) color.RGBA {
	m := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + share*(float64(b)-float64(a)))) }
	return color.RGBA{m(a.R, b.R), m(a.G, b.G), m(a.B, b.B), 0xff}
}
