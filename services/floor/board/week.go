package board

import (
	"time"

	"tickover/services/floor/job"
	"tickover/services/floor/locale"
)

// Day is one day of the week's view.
type Day struct {
	Day      time.Time // midnight, local
	From, To time.Time // opening hours; equal: shut
	Shut     locale.Said
	Loads    []Load
}

// Load is how busy a lane is on a day.
type Load struct {
	ID         string
	Name       string
	Group      string
	Technician bool
	// Busy is the time that it is worked with: hands-on of a technician, held
	// of anything else. Waste is the part of Busy in which nothing happens.
	Busy, Waste time.Duration
	// Open is the time that it could be.
	Open time.Duration
}

// Percent is Busy of Open, at most 100.
func (l Load) Percent() int {
	if l.Open <= 0 {
		return 0
	}
	return min(100, int(100*l.Busy/l.Open))
}

const daysOfWeek = 7

// Week is seven days from the input's day on.
func Week(in Input) []Day {
	y, m, d := in.Day.In(in.Almanac.Location()).Date()
	book := job.NewBook(in.State, in.Plan)
	in.book = book
	var out []Day
	for i := range daysOfWeek {
		in.Day = time.Date(y, m, d+i, 12, 0, 0, 0, in.Almanac.Location())
		out = append(out, day(in))
	}
	return out
}

func day(in Input) Day {
	b := Build(in)
	out := Day{Day: b.Day, From: b.From.Add(margin), To: b.To.Add(-margin), Shut: b.Shut}
	if !b.Shut.IsZero() {
		out.To = out.From
		return out
	}
	for _, g := range b.Groups {
		for i := range g.Lanes {
			out.Loads = append(out.Loads, b.load(g.Name, &g.Lanes[i]))
		}
	}
	return out
}

// load adds the blocks of a lane up. What shades a lane takes from its time.
func (b *Board) load(group string, l *Lane) Load {
	out := Load{ID: l.ID, Name: l.Name, Group: group, Technician: l.Technician}
	whole := b.To.Sub(b.From)
	share := func(p Percent) time.Duration { return time.Duration(float64(whole) * float64(p) / 100) }
	open := whole
	for _, s := range l.Shades {
		if s.Class != "quiet" && s.Class != "day" || !l.Technician {
			open -= share(s.W)
		}
	}
	out.Open = max(0, open) * time.Duration(max(1, l.Rows))
	for _, blk := range l.Blocks {
		for _, part := range blk.Parts {
			from, to := max(blk.Start.Add(scale(blk, part.X)).UnixNano(), b.From.UnixNano()), min(blk.Start.Add(scale(blk, part.X+part.W)).UnixNano(), b.To.UnixNano())
			if to <= from {
				continue
			}
			if n := time.Duration(to - from); part.Class == Waiting {
				out.Waste += n
				out.Busy += n
			} else {
				out.Busy += n
			}
		}
	}
	return out
}

// scale is a share of a block's length.
func scale(b Block, p Percent) time.Duration {
	return time.Duration(float64(b.End.Sub(b.Start)) * float64(p) / 100)
}
