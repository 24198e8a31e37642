package pages

import (
	"bytes"
	"html/template"
	"net/http"
	"reflect"
	"sync"
	"time"

	"tickover/queue"
	"tickover/services/floor/board"
)

// pieces keeps the parts of a board as they were last drawn, so that an event
// draws anew only what it changed.
type pieces struct {
	mu   sync.Mutex
	sets map[string]*pieceSet // by who sees what
}

// pieceSet has the parts of one board as one reader sees it.
type pieceSet struct {
	shop        *queue.Shop // whose names they say
	mu          sync.Mutex
	before, now map[string]piece // of the drawing before and this one
}

type piece struct {
	of   any // all that it shows
	html template.HTML
}

// of is the set of those to whom all parts look the same, for a new drawing.
func (p *pieces) of(audience string, shop *queue.Shop) *pieceSet {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.sets[audience]
	if s == nil || s.shop != shop {
		if p.sets == nil || len(p.sets) >= sharedMax {
			p.sets = map[string]*pieceSet{}
		}
		s = &pieceSet{shop: shop}
		p.sets[audience] = s
	}
	s.mu.Lock()
	s.before, s.now = s.now, map[string]piece{} // what is not drawn any more is forgotten
	s.mu.Unlock()
	return s
}

// get is the part as it was drawn of the same, or drawn anew.
func (s *pieceSet) get(id string, of any, draw func() (template.HTML, error)) (template.HTML, error) {
	s.mu.Lock()
	p, ok := s.before[id]
	s.mu.Unlock()
	if !ok || !reflect.DeepEqual(p.of, of) {
		html, err := draw()
		if err != nil {
			return "", err
		}
		p = piece{of, html}
	}
	s.mu.Lock()
	s.now[id] = p
	s.mu.Unlock()
	return p.html, nil
}

// drawer has the page draw its parts by the templates of the reader's language.
func (p *Pages) drawer(r *http.Request, page *boardPage) func(name, id string, of any) (template.HTML, error) {
	t := p.pages[languageOf(page)]["board"]
	draw := func(name string, of any) (template.HTML, error) {
		var buf bytes.Buffer
		err := t.ExecuteTemplate(&buf, name, map[string]any{"B": page, "Of": of})
		return template.HTML(buf.String()), err
	}
	// The past is for this request alone, and what is dimmed depends on other units.
	if thenOf(r.Context()) != nil || page.match != nil {
		return func(name, _ string, of any) (template.HTML, error) { return draw(name, of) }
	}
	// All that parts depend on beside what they show; days have other words.
	kept := p.pieces.of(readerKey(r, page.Shop)+page.Now.Format(time.DateOnly), page.Shop)
	return func(name, id string, of any) (template.HTML, error) {
		return kept.get(name+" "+id, of, func() (template.HTML, error) { return draw(name, of) })
	}
}

// laneInside is what a lane shows but for the time, which moves.
type laneInside struct {
	board.Lane
	Ticks []board.Tick
}

// LaneInside draws what is in a lane.
func (p *boardPage) LaneInside(l board.Lane) (template.HTML, error) {
	return p.draw("board-lane", l.Kind+" "+l.ID, laneInside{l, p.Board.Ticks})
}

// unitLine is what a row of the list shows.
type unitLine struct {
	UnitRow
	IdleDays int
}

// UnitLine draws a row of the list.
func (p *boardPage) UnitLine(u UnitRow) (template.HTML, error) {
	return p.draw("board-row", string(u.Unit.ID), unitLine{u, p.IdleDays(u.Unit)})
}
