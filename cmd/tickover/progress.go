package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"
)

// progress draws one line that fills up, on a terminal only.
type progress struct {
	w     io.Writer
	what  string
	last  time.Time
	drawn bool
}

func newProgress(w io.Writer, what string) *progress {
	if f, ok := w.(*os.File); !ok || !isTerminal(f) {
		w = io.Discard
	}
	return &progress{w: w, what: what}
}

func isTerminal(f *os.File) bool {
	st, err := f.Stat()
	return err == nil && st.Mode()&os.ModeCharDevice != 0
}

const barWidth = 40

// set shows that done of total is done, at most ten times a second.
func (p *progress) set(done, total int64) {
	if now := time.Now(); now.Sub(p.last) >= 100*time.Millisecond || done == total {
		p.last = now
	} else {
		return
	}
	part := 0
	if total > 0 {
		part = int(barWidth * min(done, total) / total)
	}
	p.drawn = true
	fmt.Fprintf(p.w, "\r%s [%s%s] %d of %d ", p.what, strings.Repeat("#", part), strings.Repeat(".", barWidth-part), done, total)
}

// end leaves the line.
func (p *progress) end() {
	if p.drawn {
		fmt.Fprintln(p.w)
	}
}
