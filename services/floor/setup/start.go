package setup

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"sync"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/testdata"
)

// head is how a new shop file begins.
const head = `# The shop file. Setup in the browser writes it, and so can you:
# ` + "`tickover check FILE`" + ` tells every mistake at once, with line and column.
#
# Times of day are 24-hour "07:30-17:00"; durations are 28m, 1h30m or 60d.
# Names before a colon are ids: letters, digits, '-', '_' and '.'; the log
# keeps them for ever, so change the name, not the id.
# Durations of work are common practice, no source: put yours.

site: my-shop                 # names the log; never changes
name: My shop

place:                        # the sun is computed from this
  time_zone: UTC
  latitude: 0                 # degrees, north positive
  longitude: 0                # degrees, east positive

hours:                        # when the shop is open; a day that is not named is shut
  mon-fri: 08:00-17:30
  sat: 08:30-13:00

# Engines run outdoors from 10 minutes after sunrise to 20 minutes before
# sunset. civil-twilight instead of sunrise takes dawn and dusk in.
daylight: {from: sunrise, after: 10m, before: 20m}

`

// start is a new shop's file before anything is typed.
type start struct {
	text []byte
	shop *queue.Shop
	file *file
}

// template is made of the demo shop's operations, routes, objective, planning and
// limits, and of the least that they need.
var template = sync.OnceValue(func() *start {
	demo, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		panic(fmt.Sprintf("setup: the demo's shop file: %v", err)) // it is part of the program and tested
	}
	cut, err := open(testdata.Larkmoor)
	if err != nil {
		panic(fmt.Sprintf("setup: the demo's shop file: %v", err))
	}
	var b bytes.Buffer
	b.WriteString(head)
	b.WriteString("resources:                    # what a step holds; one unit at a time\n")
	for _, r := range least(demo) {
		for _, l := range dump(r.ID, resourceNode(r), 2) {
			b.WriteString(l + "\n")
		}
	}
	b.WriteString("\ntechnicians:\n")
	who := technicianNode(Technician{ID: firstTechnician, Name: "Technician", Skills: joined(skills(demo))})
	for _, l := range dump(firstTechnician, who, 2) {
		b.WriteString(l + "\n")
	}
	b.WriteString("\n# Who may override an interlock, with a reason. Somebody who is not a\n# technician is written `person: id`.\nforemen: [" + firstTechnician + "]\n")
	for _, key := range []string{"operations", "routes", "objective", "planning", "limits"} {
		p := cut.section(key)
		b.WriteString("\n" + strings.Join(cut.lines[cut.lead(p):p.to], "\n") + "\n")
	}
	s := &start{text: b.Bytes()}
	if s.shop, _, err = shopfile.Parse("the template", s.text); err == nil {
		s.file, err = open(s.text)
	}
	if err != nil {
		panic(fmt.Sprintf("setup: the template: %v", err))
	}
	return s
})

// firstTechnician is the id of the template's technician, whom the form leaves
// to be named.
const firstTechnician = "somebody"

// least is one of each kind of resource and tag that the operations need.
func least(s *queue.Shop) []Resource {
	names := map[queue.ResourceKind]string{queue.Bench: "Bench", queue.Interface: "Interface", queue.Charger: "Charger", queue.Pad: "Run-up pad", queue.Loop: "Test loop"}
	seen := map[queue.Need]bool{}
	var out []Resource
	for _, kind := range []queue.ResourceKind{queue.Bench, queue.Interface, queue.Charger, queue.Pad, queue.Loop} {
		n := 0
		for i := range s.Operations {
			for _, need := range s.Operations[i].Needs {
				if need.Kind != kind || seen[need] || need.Tag == "" && n > 0 {
					continue
				}
				seen[need] = true
				n++
				r := Resource{ID: fmt.Sprintf("%s%d", kind.String()[:1], n), Kind: kind.String(), Name: fmt.Sprintf("%s %d", names[kind], n), Tags: need.Tag}
				if kind == queue.Interface {
					r.Families = anyFamily
				}
				out = append(out, r)
			}
		}
	}
	return out
}

func skills(s *queue.Shop) []queue.Skill {
	var out []queue.Skill
	for i := range s.Operations {
		for _, st := range s.Operations[i].Stretches {
			if st.Skill != "" && !slices.Contains(out, st.Skill) {
				out = append(out, st.Skill)
			}
		}
	}
	return out
}

// item is an operation or a route of the template, as it is written there.
func (s *start) item(section, id string) item {
	p := s.file.entries(section)[id]
	indent := p.key.Column - 1
	it := item{key: id, node: p.value}
	for _, l := range s.file.lines[p.from:p.to] {
		it.raw = append(it.raw, strings.TrimPrefix(l, strings.Repeat(" ", indent)))
	}
	return it
}

// Start is the base of a new shop, which has no file yet.
func Start(name string) Base {
	s := template()
	return Base{Name: name, Text: bytes.Clone(s.text), Shop: s.shop, Fresh: true}
}

// Blank is the form of a new shop: what only its people know is left empty.
func Blank() *Form {
	f := Of(template().shop)
	f.Site, f.Name, f.Zone, f.Latitude, f.Longitude, f.Elevation = "", "", "", "", "", ""
	t := f.Technicians[0]
	f.Technicians = []Technician{{Skills: t.Skills, Foreman: true}}
	return f
}

// RouteChoice is a route that a shop has, or could have.
type RouteChoice struct {
	ID, Name string
	Steps    []string
	Chosen   bool
	Template bool // not in the file yet
}

// Choices are the file's routes, then those of the template that it lacks.
func Choices(b Base, f *Form) []RouteChoice {
	var out []RouteChoice
	add := func(s *queue.Shop, template bool) {
		for i := range s.Routes {
			rt := &s.Routes[i]
			if template && b.Shop.Route(rt.ID) != nil {
				continue
			}
			c := RouteChoice{ID: string(rt.ID), Name: rt.Name, Chosen: slices.Contains(f.Routes, string(rt.ID)), Template: template}
			for _, st := range rt.Steps {
				name := string(st.Operation)
				if op := s.Operation(st.Operation); op != nil {
					name = op.Name
				}
				c.Steps = append(c.Steps, name)
			}
			out = append(out, c)
		}
	}
	add(b.Shop, false)
	add(template().shop, true)
	return out
}
