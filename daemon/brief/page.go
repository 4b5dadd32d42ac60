package brief

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"html/template"
	"strings"

	"faultkeep/daemon/report"
)

//go:embed page.html
var pageText string

//go:embed page.css
var pageCSS string

var page = template.Must(template.New("brief").Parse(pageText))

// HTML is the brief as one file that needs nothing else: no script, no other
// file, nothing from anywhere.
func (b Brief) HTML() (string, error) {
	type item struct {
		told
		Drawn template.HTML
	}
	type part struct {
		Heading string
		Look    bool
		Items   []item
	}
	v := struct {
		Brief
		CSS      template.CSS
		Parts    []part
		Cautions []string
	}{Brief: b, CSS: template.CSS(report.CSS + pageCSS)} //nolint:gosec // constants
	for _, s := range b.sections() {
		p := part{Heading: s.Heading, Look: s.Look}
		for _, i := range s.Items {
			p.Items = append(p.Items, item{i, template.HTML(i.Picture)}) //nolint:gosec // report escapes every text
		}
		v.Parts = append(v.Parts, p)
	}
	if len(b.Trips) > 0 {
		v.Cautions = []string{strings.ReplaceAll(report.FindingsCaution, "\n", " ")}
	}
	var out bytes.Buffer
	err := page.Execute(&out, v)
	return out.String(), err
}

// JSON is the brief for programs.
func (b Brief) JSON() (string, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	err := e.Encode(b)
	return out.String(), err
}
