package planfile

import (
	"fmt"
	"html"
	"text/template"
)

// The colours of units, dark for work and light behind hatching: eight hues
// of equal weight, told apart by their labels too.
var colours = [hues][2]string{
	{"#2f6690", "#d6e4ee"}, {"#7a4f9a", "#e7dcf0"}, {"#2c7a55", "#d5eadf"}, {"#8a5a1e", "#f0e3d0"},
	{"#4c5fa8", "#dde2f3"}, {"#a03f6d", "#f3dce7"}, {"#4f7022", "#e1ebd0"}, {"#16737a", "#d2e9ea"},
}

var svg = template.Must(template.New("plan").Funcs(template.FuncMap{
	"px":      func(x float64) string { return fmt.Sprintf("%.1f", x) },
	"text":    html.EscapeString,
	"colours": func() [hues][2]string { return colours },
	"add":     func(a, b int) int { return a + b },
	"plus":    func(a float64, b int) float64 { return a + float64(b) },
}).Parse(`<svg xmlns="http://www.w3.org/2000/svg" width="{{.Width}}" height="{{.Height}}" viewBox="0 0 {{.Width}} {{.Height}}" font-family="system-ui, sans-serif" font-size="11" role="img" aria-labelledby="title desc">
<title id="title">{{text .Title}}</title>
<desc id="desc">{{text .Desc}} {{text .Sub}}.</desc>
<style>
text{fill:#22272b}.muted{fill:#596066}.group{font-size:10px;font-weight:600;fill:#596066}
.grid{stroke:#dfe2e0}.row{fill:#f7f8f7}.shut{fill:#d5d8d6}.dark{fill:#5a626b}.break{fill:url(#break)}
.wait{fill:url(#wait);stroke:#b3261e}.pause{fill:#fff;stroke-dasharray:3 2}
.on{stroke:#fff;stroke-width:.7}.w{fill:#fff}
{{range $i, $c := colours}}.on.h{{$i}}{fill:{{index $c 0}}}.off.h{{$i}}{fill:url(#off{{$i}});stroke:{{index $c 0}}}.pause.h{{$i}}{stroke:{{index $c 0}}}
{{end}}</style>
<defs>{{range $i, $c := colours}}
<pattern id="off{{$i}}" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="{{index $c 1}}"/><rect width="1.2" height="6" fill="{{index $c 0}}" opacity=".55"/></pattern>{{end}}
<pattern id="wait" width="7" height="7" patternUnits="userSpaceOnUse"><rect width="7" height="7" fill="#fde3df"/><path d="M0 0L7 7M7 0L0 7" stroke="#b3261e" stroke-width="1.1"/></pattern>
<pattern id="break" width="4" height="4" patternUnits="userSpaceOnUse"><rect width="4" height="4" fill="#f3f1e8"/><rect width="1" height="4" fill="#c9c3a8"/></pattern></defs>
<rect width="{{.Width}}" height="{{.Height}}" fill="#fff"/>
<text x="14" y="28" font-size="18" font-weight="600">{{text .Title}}</text>
<text class="muted" x="14" y="48" font-size="12">{{text .Sub}}</text>
{{range .Days}}{{$day := .}}<text x="14" y="{{add .Y -18}}" font-size="14" font-weight="600">{{text .Title}}</text>
{{range .Lanes}}<rect class="row" x="{{$.GridX}}" y="{{.Y}}" width="{{$.GridW}}" height="{{.H}}"/>{{range .Shades}}<rect class="{{.Class}}" x="{{px .X}}" y="{{.Y}}" width="{{px .W}}" height="{{.H}}"><title>{{text .Hint}}</title></rect>{{end}}
{{end}}{{range .Hours}}<line class="grid" x1="{{px .X}}" x2="{{px .X}}" y1="{{add $day.Y -4}}" y2="{{$day.Bottom}}"/><text class="muted" x="{{px .X}}" y="{{add $day.Y -8}}" text-anchor="middle">{{.Text}}</text>
{{end}}{{range .Lanes}}{{if .Group}}<text class="group" x="160" y="{{add .Y -1}}" text-anchor="end">{{text .Group}}</text>{{end}}<text x="14" y="{{add .Y 15}}">{{text .Name}}</text>
{{range .Boxes}}<g><title>{{text .Hint}}</title><rect class="{{.Class}} h{{.Hue}}" x="{{px .X}}" y="{{add .Y 1}}" width="{{px .W}}" height="{{.H}}" rx="2"/>{{if .Text}}<text{{if eq .Class "on"}} class="w"{{else}} paint-order="stroke" stroke="#fff" stroke-width="3" stroke-linejoin="round"{{end}} x="{{px .TextX}}" y="{{add .Y 15}}">{{text .Text}}</text>{{end}}</g>
{{end}}{{end}}{{end}}{{$y := .LegendY}}{{range .Legend}}<rect class="{{.Class}} h0" x="{{px .X}}" y="{{$y}}" width="26" height="14" rx="2"/><text x="{{px (plus .X 31)}}" y="{{add $y 11}}">{{text .Text}}</text>
{{end}}</svg>
`))
