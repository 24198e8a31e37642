package intake

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/said"
)

// Batch is the rows of a file that can be taken.
type Batch struct {
	Rows []Row
}

// Load reads a whole file. The batch holds the good rows, Errors every mistake
// of the others, by line; a ticket that stands twice is a mistake.
func Load(r io.Reader, shop *queue.Shop) (*Batch, Errors) {
	b := &Batch{}
	var errs Errors
	first := map[queue.UnitID]int{}
	for row, problems := range Read(r, shop) {
		if len(problems) > 0 {
			errs = append(errs, problems...)
			continue
		}
		if line, twice := first[row.Unit.Unit]; twice {
			errs = append(errs, badRow(row.Line, colTicket, "give each unit its own number, or take one of the two lines out", "ticket %s stands in line %d already", row.Unit.Unit, line))
			continue
		}
		first[row.Unit.Unit] = row.Line
		b.Rows = append(b.Rows, row)
	}
	errs.sort()
	return b, errs
}

func (e Errors) sort() {
	slices.SortStableFunc(e, func(a, b RowError) int { return cmp.Compare(a.Line, b.Line) })
}

// Sender is who imports and when.
type Sender struct {
	Now   time.Time
	Actor queue.PersonID // empty for the program itself
	// Overrides lets interlocks pass, for example a check digit that is wrong
	// on the frame itself (I12).
	Overrides []queue.Override
}

// Plan is what a batch comes to in a state of the queue.
type Plan struct {
	New       []queue.ReceiveUnit
	Unchanged int    // rows that arrived before, as they are
	Errors    Errors // rows that can't be taken, and why
}

// Against compares the batch with a state. A ticket that exists with the same
// content counts as unchanged, with another content as a mistake; what is new
// is judged by the queue's own rules. Nothing is changed.
func (b *Batch) Against(s *queue.State, by Sender) Plan {
	var p Plan
	var rows []Row
	for _, row := range b.Rows {
		u := s.Units[row.Unit.Unit]
		switch {
		case u == nil:
			rows = append(rows, row)
		case u.Arrival == row.Unit.Arrival.Hash():
			p.Unchanged++
		default:
			p.Errors = append(p.Errors, badRow(row.Line, colTicket, "change it on the unit's page, or give the new unit another number",
				"ticket %s exists with another content: %s %s, arrived %s", u.ID, u.Machine.Make, u.Machine.Model, u.Arrived.In(location(s)).Format(time.DateOnly)))
		}
	}
	if err, full := noRoom(s, len(rows)); full {
		p.Errors = append(p.Errors, err)
		return p
	}
	for _, row := range rows {
		if err := judge(s, row, by); err != nil {
			p.Errors = append(p.Errors, *err)
			continue
		}
		p.New = append(p.New, row.Unit)
	}
	p.Errors.sort()
	return p
}

func location(s *queue.State) *time.Location {
	if s.Shop == nil {
		return time.UTC
	}
	return s.Shop.Location()
}

// noRoom asks once for all rows; the queue asks for each command again.
func noRoom(s *queue.State, n int) (RowError, bool) {
	if s.Shop == nil || s.Shop.Limits.UnitsOpenMax == 0 || n == 0 {
		return RowError{}, false
	}
	most, open := s.Shop.Limits.UnitsOpenMax, len(s.OpenUnits())
	if open+n <= most {
		return RowError{}, false
	}
	return badRow(0, "", "hand finished units over, or raise limits.units_open_max in the shop file",
		"%d units are in the shop, %d more would exceed the limit of %d", open, n, most), true
}

// judge asks the queue whether it would take the unit.
func judge(s *queue.State, row Row, by Sender) *RowError {
	_, err := queue.Decide(s, queue.Conditions{Now: by.Now}, by.command([]queue.ReceiveUnit{row.Unit}))
	if err == nil {
		return nil
	}
	re := &RowError{Line: row.Line, What: err.Error()}
	if r, ok := err.(*queue.Refusal); ok {
		re.say, re.sayDo = r.Said()
		if r.Interlock > 0 {
			re.say = said.Say("%s: %s", r.Interlock.String(), re.say)
		}
		re.What, re.Do = re.say.String(), re.sayDo.String()
	}
	return re
}

// entryShare is how much of an entry's bytes the units' data may fill, and
// envelopeBytes what the log adds to each.
const (
	entryShare    = queue.EntryBytesMax * 9 / 10
	envelopeBytes = 900
)

// Commands cuts units into commands that each fit one entry of the log. The
// ids follow from the content: the same units give the same commands.
func Commands(units []queue.ReceiveUnit, by Sender) []queue.Command {
	var out []queue.Command
	from, size := 0, 0
	for i := range units {
		n := len(content(&units[i].Arrival)) + envelopeBytes
		if i-from == queue.EntryEventsMax || i > from && size+n > entryShare {
			out = append(out, by.command(units[from:i]))
			from, size = i, 0
		}
		size += n
	}
	if from < len(units) {
		out = append(out, by.command(units[from:]))
	}
	return out
}

// command is one command with an id made of its content.
func (by Sender) command(units []queue.ReceiveUnit) queue.Command {
	h := sha256.New()
	for i := range units {
		fmt.Fprintf(h, "%s\n%s\n", units[i].Unit, content(&units[i].Arrival))
	}
	return queue.Command{
		ID: queue.CommandID("import-" + hex.EncodeToString(h.Sum(nil)[:20])),
		At: by.Now, Actor: by.Actor, Overrides: by.Overrides,
		Action: &queue.ReceiveUnits{Units: slices.Clip(units)},
	}
}

// content is an arrival as the log keeps it.
func content(a *queue.UnitArrived) []byte {
	b, err := json.Marshal(a)
	if err != nil { // an enumeration's zero value; the queue refuses it
		return []byte(err.Error())
	}
	return b
}
