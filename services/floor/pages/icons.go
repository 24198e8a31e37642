package pages

import (
	"fmt"
	"html/template"

	"tickover/queue"
)

// icons are our own: strokes on a 20 by 20 grid.
var icons = map[string]string{
	"board":   `<path d="M3 4v12M3 5h8v3H3M6 10h9v3H6" />`,
	"job":     `<circle cx="10" cy="6" r="3"/><path d="M4 17c0-4 3-6 6-6s6 2 6 6"/>`,
	"bench":   `<path d="M2 8h16M4 8v8M16 8v8M6 8V5h8v3"/>`,
	"units":   `<circle cx="5" cy="13" r="3"/><circle cx="15" cy="13" r="3"/><path d="M5 13l3-5h5l2 5M8 8L6 6H4M13 8l1-2"/>`,
	"in":      `<path d="M10 3v9M6 8l4 4 4-4M3 16h14"/>`,
	"caution": `<path d="M10 3l7.5 13.5h-15zM10 8v4M10 14.4v.2"/>`,
	"globe":   `<circle cx="10" cy="10" r="7"/><path d="M3 10h14M10 3c3 3 3 11 0 14M10 3c-3 3-3 11 0 14"/>`,
	"talk":    `<path d="M3 4h14v9H9l-4 4v-4H3zM6.500 7.500h7M6.500 10h4"/>`,
	"print":   `<path d="M6 8V3h8v5M4 8h12v6H4zM6 12h8v5H6z"/>`,
	"home":    `<path d="M3 10l7-6 7 6M5 9v8h10V9"/>`,
	"find":    `<circle cx="9" cy="9" r="5"/><path d="M13 13l4 4"/>`,
	"clock":   `<circle cx="10" cy="10" r="7"/><path d="M10 6v4l3 2"/>`,
	"lock":    `<rect x="4" y="9" width="12" height="8" rx="1"/><path d="M7 9V6a3 3 0 016 0v3"/>`,
	"pin":     `<path d="M7 3h6l-1 6 3 3H5l3-3zM10 12v6"/>`,
	"check":   `<path d="M4 11l4 4 8-10"/>`,
	"cross":   `<path d="M5 5l10 10M15 5L5 15"/>`,
	"play":    `<path d="M6 4l10 6-10 6z"/>`,
	"hand":    `<path d="M6 10V5.5a1.3 1.3 0 012.6 0V9M8.6 9V4a1.3 1.3 0 012.6 0v5M11.2 9V5a1.3 1.3 0 012.6 0v6c0 4-1.8 6-4.6 6-2 0-3.3-1-4.2-3L3.6 11.4a1.2 1.2 0 012-1.2L6 11"/>`,
	"away":    `<circle cx="10" cy="10" r="7" stroke-dasharray="3 2.5"/><path d="M7 10h6"/>`,
	"flag":    `<path d="M5 18V3h9l-2 3.5 2 3.5H5"/>`,
	"sun":     `<circle cx="10" cy="10" r="3.5"/><path d="M10 2v2M10 16v2M2 10h2M16 10h2M4.5 4.5l1.4 1.4M14.1 14.1l1.4 1.4M4.5 15.5l1.4-1.4M14.1 5.9l1.4-1.4"/>`,
	"flash":   `<path d="M11 2L4 11h5l-1 7 7-10h-5z"/>`,
	"ride":    `<circle cx="5" cy="14" r="3"/><circle cx="15" cy="14" r="3"/><path d="M5 14l4-6h4l2 6M9 8L7 5H5"/>`,
	"engine":  `<path d="M3 8h2l2-2h6v2h2l2 2v5h-2l-2 2H7l-2-2H3zM8 6V4M12 6V4"/>`,
	"battery": `<rect x="2" y="6" width="14" height="9" rx="1"/><path d="M18 9v3M5 10.5h3M6.5 9v3M11 10.5h2.5"/>`,
	"tool":    `<path d="M13 3a4 4 0 00-4 5.5L3 14.5 5.5 17l6-6A4 4 0 0017 7l-2.5 1.5L12 6z"/>`,
	"list":    `<path d="M7 5h10M7 10h10M7 15h10M3 5h1M3 10h1M3 15h1"/>`,
	"stop":    `<circle cx="10" cy="10" r="7"/><path d="M5 15L15 5"/>`,
	"gas":     `<path d="M3 12a3 3 0 013-3 4 4 0 017.5-1A3.5 3.5 0 0115 15H6a3 3 0 01-3-3zM7 18h6"/>`,
	"heat":    `<path d="M6 17c-2-3 2-4 0-7M10 17c-2-3 2-4 0-7M14 17c-2-3 2-4 0-7M4 6h12"/>`,
	"fuel":    `<path d="M10 2c4 5 5.5 7.5 5.5 10a5.5 5.5 0 01-11 0C4.5 9.5 6 7 10 2z"/>`,
	"lift":    `<path d="M4 17h12M6 17l8-8M14 17L6 9M5 8h10"/>`,
	"noise":   `<path d="M3 8v4h3l4 4V4L6 8zM13 7c1.5 2 1.5 4 0 6M15.5 5c2.5 3 2.5 7 0 10"/>`,
	"helmet":  `<path d="M3 13a7 7 0 0114-1v3h-6l-1-4h7M3 13v2h8"/>`,
	"camera":  `<path d="M3 6.5h3.5l1.5-2h4l1.5 2H17v9.500H3z"/><circle cx="10" cy="11" r="3"/>`,
	"reset":   `<path d="M4 10a6 6 0 111.8 4.3M4 15v-4h4"/>`,
	"wash":    `<path d="M4 8h12l-1.5 9h-9zM7 5v.2M10 3v.2M13 5v.2"/>`,
	"gauge":   `<path d="M3 14a7 7 0 0114 0M10 14l3-5"/>`,
}

func icon(name string) (template.HTML, error) {
	body, ok := icons[name]
	if !ok {
		return "", fmt.Errorf("no icon %q", name)
	}
	return template.HTML(`<svg class="icon" viewBox="0 0 20 20" aria-hidden="true" focusable="false">` + body + `</svg>`), nil
}

// operationIcon names the icon of a kind of work.
func operationIcon(k queue.OperationKind) string {
	switch k {
	case queue.CheckIn:
		return "in"
	case queue.Charge:
		return "battery"
	case queue.Flash:
		return "flash"
	case queue.Reset:
		return "reset"
	case queue.Relearn, queue.RestartCheck:
		return "engine"
	case queue.TestRide:
		return "ride"
	case queue.FinalCheck:
		return "wash"
	case queue.HoursCheck:
		return "gauge"
	}
	return "tool"
}
