package pages

import (
	"strings"
	"time"
	"unicode/utf8"

	"tickover/queue"
	"tickover/services/floor/board"
	"tickover/services/floor/locale"
)

// Heights of the board's drawing in pixels.
const (
	rowHeight  = 46
	blockInset = 3
)

func laneHeight(l board.Lane) int { return l.Rows * rowHeight }

func blockY(b board.Block) int { return b.Row*rowHeight + blockInset }

// label is what fits on a block.
type label struct {
	Top, Bottom string
	Tight       bool
}

// Widths in percent of the board from which a text fits; a board is at least
// about 1,000 pixels wide.
const (
	labelShort = 2.9
	labelFull  = 4.7
	labelEdge  = 0.9 // before the lower line
	letter     = 0.6 // of the lower line
	letterTop  = 0.8 // of the upper one, which is bold
)

// Label shortens the texts to the block's width; a narrow block has its
// colour, its title and the lists only.
func (p *boardPage) Label(b board.Block) *label {
	w := min(b.W, b.W+b.X, 100-b.X) // what is visible of it
	unit := string(b.Unit)
	switch {
	case w < labelShort:
		return nil
	case w < labelFull:
		short := unit[strings.LastIndexByte(unit, '-')+1:]
		return &label{Top: short[max(0, len(short)-4):], Tight: true}
	}
	l := &label{Top: unit, Bottom: p.lower(b, int((float64(w)-labelEdge)/letter))}
	switch b.State {
	case board.Running:
		l.Top = "▶ " + l.Top
	case board.Done:
		l.Top = "✓ " + l.Top
	}
	if b.Late {
		sign := " " + p.T("late")
		if float64(w) < labelEdge+letterTop*float64(utf8.RuneCountInString(l.Top+sign)) {
			sign = " !"
		}
		l.Top += sign
	}
	if b.Pinned {
		l.Top += " ◆"
	}
	if b.Problem {
		l.Top += " ⚑"
	}
	if b.Accepted && b.State == board.Planned {
		l.Top += " ✓"
	}
	return l
}

// lower is the longest text for a block's lower line that has at most so many
// letters.
func (p *boardPage) lower(b board.Block, letters int) string {
	word, _, _ := strings.Cut(b.Operation, " ")
	texts := []string{b.Operation, word}
	if b.WaitMin > 0 {
		waits := ", " + p.T("waits %s", p.Minutes(time.Duration(b.WaitMin)*time.Minute))
		texts = []string{b.Operation + waits, word + waits, b.Operation, word}
	}
	for _, t := range texts {
		if utf8.RuneCountInString(t) <= letters {
			return t
		}
	}
	return string([]rune(word)[:letters-1]) + "…"
}

// Shown reports whether a shade has its text written on it: where it fits, and
// always why something is closed.
func (p *boardPage) Shown(s board.Shade) bool {
	switch s.Class {
	case "down":
		return true
	case "quiet", "dark", "break":
		return labelEdge+letter*float64(utf8.RuneCountInString(p.Say(s.Text))) <= float64(min(s.W, s.W+s.X, 100-s.X))
	}
	return false
}

var blockStates = map[board.State]string{
	board.Planned: locale.Mark("planned"), board.Running: locale.Mark("running"), board.Done: locale.Mark("done"),
}

// BlockText says a block to somebody who does not see it.
func (p *boardPage) BlockText(b board.Block) string {
	out := []string{string(b.Unit) + " " + b.Operation, p.Word(blockStates[b.State]), p.T("%s to %s", p.Clock(b.Start), p.Clock(b.End))}
	if b.Technician != "" {
		out = append(out, p.Name(b.Technician))
	}
	if b.WaitMin > 0 {
		out = append(out, p.T("waits %d minutes with everything locked", b.WaitMin))
	}
	if b.Late {
		out = append(out, p.T("unit is late"))
	}
	if b.Pinned {
		out = append(out, p.T("pinned"))
	}
	return joinText(out)
}

// NextStep is the step that the row is about; empty: none is left.
func (r UnitRow) NextStep() queue.StepID {
	if r.Next == nil {
		return ""
	}
	return r.Next.Step.ID
}

// MinutesOf says a number of minutes.
func (b *Base) MinutesOf(min int64) string { return b.Minutes(time.Duration(min) * time.Minute) }

// PinText says what a pin fixes.
func (b *Base) PinText(p *queue.Pin) string { return b.pinText(*p) }
