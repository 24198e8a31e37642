package pages

import (
	"bytes"
	"fmt"
	"html/template"
	"net/http"
	"reflect"
	"sync"
	"time"

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
	mu          sync.Mutex
	before, now map[string]piece // of the drawing before and this one
}

type piece struct {
	of   any // all that it shows
	html template.HTML
}

// of is the set of those to whom all parts look the same, for a new drawing.
func (p *pieces) of(audience string) *pieceSet {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.sets[audience]
	if s == nil {
		if p.sets == nil || len(p.sets) >= sharedMax {
			p.sets = map[string]*pieceSet{}
		}
		s = &pieceSet{}
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

// audience is all that parts of a board depend on beside what they show; empty:
// they are for this request alone.
func (p *Pages) audience(r *http.Request, b *Base) string {
	if thenOf(r.Context()) != nil {
		return ""
	}
	return fmt.Sprintf("%s|%s|%v|%s|%p|%s", r.URL.RequestURI(), asKey(r, b.Shop), b.Prefs, b.Tag, b.Shop, b.Now.Format(time.DateOnly))
}

// drawer has the page draw its parts by the templates of the reader's language.
func (p *Pages) drawer(r *http.Request, page *boardPage) func(name, id string, of any) (template.HTML, error) {
	t := p.pages[languageOf(page)]["board"]
	draw := func(name string, of any) (template.HTML, error) {
		var buf bytes.Buffer
		err := t.ExecuteTemplate(&buf, name, map[string]any{"B": page, "Of": of})
		return template.HTML(buf.String()), err
	}
	who := p.audience(r, page.Base)
	if who == "" || page.match != nil { // what is dimmed depends on other units
		return func(name, _ string, of any) (template.HTML, error) { return draw(name, of) }
	}
	kept := p.pieces.of(who)
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
