package carry

import (
	_ "embed"
	"html/template"
	"io"
	"strings"

	"faultkeep/daemon/export"
	"faultkeep/daemon/report"
)

//go:embed index.html
var indexText string

var indexPage = template.Must(template.New("index").Parse(indexText))

// entry is what the log and the index tell of a capture.
func (c *carrier) entry(r export.Record) entry {
	one := r.Capture
	e := entry{Capture: one.ID, Site: report.Plainly(c.Site), Drive: report.Plainly(one.Name()), Fault: report.Plainly(one.Fault.String()),
		Time: one.Trigger.Time.In(c.Zone), Status: report.Plainly(one.Wholeness()), Carried: c.at}
	if one.Site != "" {
		e.Site = report.Plainly(one.Site)
	}
	if e.First = report.Plainly(r.Study.Headline()); r.Study.Version == 0 {
		e.First = "Not analysed yet."
	}
	return e
}

// index writes the page that leads to everything on the stick.
func (c *carrier) index(w io.Writer, all []entry) error {
	type row struct {
		entry
		New         bool
		Clock, Name string
	}
	type day struct {
		Label string
		Rows  []row
	}
	v := struct {
		Site, At string
		Zone     string
		New, All int
		Days     []day
		Caution  string
	}{Site: report.Plainly(c.Site), At: c.at.In(c.Zone).Format("Monday 2 January 2006 15:04"), Zone: c.at.In(c.Zone).Format("MST"),
		All: len(all), Caution: strings.ReplaceAll(report.FindingsCaution, "\n", " ")}
	if v.Site == "" && len(all) > 0 { // as all captures say
		v.Site = all[0].Site
	}
	for _, e := range all {
		r := row{entry: e, New: e.Carried.Equal(c.at), Clock: e.Time.In(c.Zone).Format("15:04:05"), Name: e.Drive}
		if e.Site != "" && e.Site != v.Site {
			r.Name = e.Site + ", " + e.Drive
		}
		if r.New {
			v.New++
		}
		label := e.Time.In(c.Zone).Format("Monday 2 January 2006")
		if n := len(v.Days); n == 0 || v.Days[n-1].Label != label {
			v.Days = append(v.Days, day{Label: label})
		}
		last := &v.Days[len(v.Days)-1]
		last.Rows = append(last.Rows, r)
	}
	return indexPage.Execute(w, v)
}
