package deploytest

import (
	"os/exec"
	"testing"
)

// Chromium is the path of a browser. It prefers the one without a window of its
// own: the other draws its toolbars for nobody, at a third more work.
func Chromium(t testing.TB) string {
	t.Helper()
	for _, name := range []string{"chromium-headless-shell", "chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	t.Fatal("no chromium found: install the package chromium-headless-shell or chromium (make deps)")
	return ""
}
