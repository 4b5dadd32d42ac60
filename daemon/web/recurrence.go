package web

import (
	"context"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"strings"
	"time"

	"faultkeep/daemon/analysis/recurrence"
	"faultkeep/daemon/report"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// recurrencePage tells how often trips come, drive by drive.
type recurrencePage struct {
	frame
	Ranges  []choice
	Drives  []recurringDrive
	Chosen  string // the drive that the address names; "": every one
	Now     string // the latest time at which a repair can have been done
	Nothing string
}

// recurringDrive is a drive's trips: all, then by fault code and family.
type recurringDrive struct {
	Name, Title, Href string
	All               recurring
	Parts             []recurring
}

// recurring is what the trips of one group say.
type recurring struct {
	Heading  string
	Family   bool
	Text     []string
	Pictures []template.HTML
	Repairs  []repaired
}

type repaired struct {
	Drive                    string
	At, Machine, Fault, Note string
	Text                     []string
}

// recurrenceSpans are the periods that an address can ask for, in days; 0: all.
var recurrenceSpans = []struct {
	name, text string
	days       int
}{{"", "all", 0}, {"90d", "90 days", 90}, {"30d", "30 days", 30}}

func (s *server) recurrence(w http.ResponseWriter, r *http.Request) error {
	v := r.URL.Query()
	page := recurrencePage{frame: s.frame("Recurrence"), Chosen: v.Get("drive"), Now: s.Now().In(s.Zone).Format("2006-01-02T15:04")}
	q := wire.Query{Drive: page.Chosen, Zone: s.Zone}
	known := false
	for _, span := range recurrenceSpans {
		chosen := span.name == v.Get("since")
		known = known || chosen
		if chosen && span.days > 0 {
			q.Since = s.Now().AddDate(0, 0, -span.days)
		}
		href := url.Values{}
		if page.Chosen != "" {
			href.Set("drive", page.Chosen)
		}
		if span.name != "" {
			href.Set("since", span.name)
		}
		page.Ranges = append(page.Ranges, choice{span.text, "/recurrence?" + href.Encode(), chosen})
	}
	if !known {
		return wire.Say(wire.ErrRequest, `"since" is one of 30d, 90d, or left out for all.`)
	}
	list, err := s.Store.Recurrences(r.Context(), q)
	if err != nil {
		return err
	}
	page.Drives = s.recurring(list)
	if len(list) == 0 {
		page.Nothing = "No drive was watched in this time, and no trip is known."
	}
	s.show(w, r, http.StatusOK, "recurrence.html", page)
	return nil
}

func (s *server) recurring(list []wire.Recurrence) (out []recurringDrive) {
	titles := map[string]string{}
	for _, d := range s.Live.Drives() {
		titles[d.Name] = d.Label()
	}
	repairs := map[string][]time.Time{}
	for _, r := range list {
		for _, one := range r.Repairs {
			if r.Family == "" && (r.Fault == "") == (one.Fault == "") {
				repairs[r.Drive] = append(repairs[r.Drive], one.At)
			}
		}
	}
	all := 0
	for _, r := range list {
		one := s.recur(r)
		if k := len(out); k == 0 || out[k-1].Name != r.Drive {
			d := recurringDrive{Name: r.Drive, Title: titles[r.Drive], Href: "/drive/" + url.PathEscape(r.Drive)}
			if d.Title == "" {
				d.Title = r.Title
			}
			if d.Title == "" {
				d.Title = r.Drive
			}
			out = append(out, d)
		}
		d := &out[len(out)-1]
		if r.Fault == "" {
			one.Pictures = s.recurrencePictures(d.Title, r, repairs[r.Drive])
			d.All, all = one, len(r.Trips)
		} else {
			if len(r.Trips) == all {
				one.Text = []string{"All of them."}
			}
			d.Parts = append(d.Parts, one)
		}
	}
	return out
}

func (s *server) recur(r wire.Recurrence) recurring {
	one := recurring{Heading: r.Fault, Text: r.Text}
	if r.Family != "" {
		one.Heading, one.Family = "family "+r.Family, true
	}
	clock := s.clock()
	for _, x := range r.Repairs {
		one.Repairs = append(one.Repairs, repaired{Drive: r.Drive, At: clock.short(x.At), Machine: x.At.UTC().Format(time.RFC3339),
			Fault: x.Fault, Note: x.Note, Text: x.Judged.Text})
	}
	return one
}

// recurrencePictures are the count over the watched time and the hours of the day.
func (s *server) recurrencePictures(name string, r wire.Recurrence, repairs []time.Time) []template.HTML {
	if r.Report.Watched <= 0 || len(r.Trips) == 0 {
		return nil
	}
	e := recurrence.Watched(r.Watched)
	c := report.Counted{Name: name, Days: e.Days()}
	var hours [24]int
	inside := 0
	for _, trip := range r.Trips {
		if x, ok := e.At(trip.Time); ok {
			c.At = append(c.At, x)
			hours[trip.Time.In(s.Zone).Hour()]++
			inside++
		}
	}
	for _, at := range repairs {
		days, _ := e.At(at)
		c.Repairs = append(c.Repairs, days)
	}
	if law := r.PowerLaw; law != nil && law.Fits {
		c.Fitted = func(days float64) float64 { return law.Scale * math.Pow(days, law.Shape) }
	}
	expected := make([]float64, 24)
	clock := e.Clock(s.Zone)
	for h := range expected {
		expected[h] = float64(inside) * clock.Share(float64(h)*3600, float64(h+1)*3600)
	}
	return []template.HTML{template.HTML(report.Counts(c)), template.HTML(report.Hours(name, hours, expected))} //nolint:gosec // report escapes every text
}

// addRepair notes a repair from the page's form.
func (s *server) addRepair(w http.ResponseWriter, r *http.Request) error {
	return s.repairForm(w, r, s.Store.AddRepair)
}

// dropRepair takes a repair off the list.
func (s *server) dropRepair(w http.ResponseWriter, r *http.Request) error {
	return s.repairForm(w, r, s.Store.DropRepair)
}

func (s *server) repairForm(w http.ResponseWriter, r *http.Request, do func(context.Context, capture.Repair) error) error {
	if err := r.ParseForm(); err != nil {
		return wire.Say(wire.ErrRequest, "This form can't be read.")
	}
	v := r.PostForm
	one := capture.Repair{Drive: v.Get("drive"), Note: v.Get("note"), Fault: strings.TrimSpace(v.Get("fault"))}
	var err error
	if one.At, err = time.Parse(time.RFC3339, v.Get("at")); err != nil {
		if one.At, err = time.ParseInLocation("2006-01-02T15:04", v.Get("at"), s.Zone); err != nil {
			return wire.Say(wire.ErrRequest, `"at" is the time of the repair, such as 2026-11-25T14:30.`)
		}
	}
	if err := do(r.Context(), one); err != nil {
		return err
	}
	http.Redirect(w, r, "/recurrence?"+url.Values{"drive": {one.Drive}}.Encode(), http.StatusSeeOther)
	return nil
}
