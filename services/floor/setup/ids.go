package setup

import (
	"fmt"
	"slices"
	"strings"

	"tickover/queue"
)

// withIDs gives ids to the new rows that have none.
func (f *Form) withIDs(was *queue.Shop) *Form {
	g := *f
	g.Resources, g.Technicians = slices.Clone(f.Resources), slices.Clone(f.Technicians)
	if g.Site == "" {
		g.Site = slug(g.Name)
	}
	taken := map[string]bool{}
	for i := range was.Resources {
		taken[string(was.Resources[i].ID)] = true
	}
	for _, r := range g.Resources {
		taken[r.ID] = true
	}
	next := map[string]int{}
	for i := range g.Resources {
		r := &g.Resources[i]
		for r.ID == "" {
			letter := "x"
			if r.Kind != "" && r.Kind[0] >= 'a' && r.Kind[0] <= 'z' {
				letter = r.Kind[:1]
			}
			next[letter]++
			if id := fmt.Sprintf("%s%d", letter, next[letter]); !taken[id] {
				r.ID, taken[id] = id, true
			}
		}
	}
	people := map[string]bool{}
	for i := range was.Technicians {
		people[string(was.Technicians[i].ID)] = true
	}
	for _, id := range was.Foremen {
		people[string(id)] = true
	}
	for _, t := range g.Technicians {
		people[t.ID] = true
	}
	for i := range g.Technicians {
		t := &g.Technicians[i]
		if t.ID != "" || t.Name == "" {
			continue
		}
		first, _, _ := strings.Cut(t.Name, " ")
		base := slug(first)
		if base == "" {
			base = "t"
		}
		for n := 1; t.ID == ""; n++ {
			id := base
			if n > 1 {
				id = fmt.Sprintf("%s-%d", base, n)
			}
			if !people[id] {
				t.ID, people[id] = id, true
			}
		}
	}
	return &g
}

// slug makes an id of a name: its letters a to z and digits, '-' between words.
func slug(name string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(name) {
		if plain, ok := letters[r]; ok {
			b.WriteString(plain)
		} else if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			b.WriteRune(r)
		} else if s := b.String(); s != "" && !strings.HasSuffix(s, "-") && (r == ' ' || r == '-') {
			b.WriteByte('-')
		}
	}
	s := b.String()
	return strings.Trim(s[:min(len(s), 32)], "-")
}

// letters of names that have a usual spelling in a to z.
var letters = map[rune]string{'ä': "ae", 'ö': "oe", 'ü': "ue", 'ß': "ss", 'å': "a", 'ø': "o", 'æ': "ae", 'é': "e", 'è': "e", 'ê': "e", 'ë': "e",
	'á': "a", 'à': "a", 'â': "a", 'ã': "a", 'í': "i", 'ì': "i", 'î': "i", 'ï': "i", 'ó': "o", 'ò': "o", 'ô': "o", 'õ': "o", 'ú': "u", 'ù': "u", 'û': "u",
	'ç': "c", 'ñ': "n", 'ł': "l", 'š': "s", 'ž': "z", 'č': "c", 'ř': "r", 'ě': "e", 'ý': "y"}
