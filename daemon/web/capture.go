package web

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

// capturePage shows one capture.
type capturePage struct {
	frame
	Drive, Fleet string
	Fault        string
	When         string // in the site's zone, with its uncertainty
	Machine      string
	UTC          string
	Status       string
	Flag         bool
	Why          string
	Kept         string
	Lanes        template.HTML
	Views        []choice // zooms that need no script
	Said         findings
	Notes        notes
	Rows         []report.Row
	Facts        []fact
	Settings     []capture.Setting
	Cautions     []string
	Self         string // address of the page
	Parts        []part
	Beside       choice // the trace of the same trip, or of a trace the recording; empty: there is none
}

type fact struct {
	Name, Value string
	Code        bool // in the typeface for codes, hashes and addresses
}

type part struct {
	Name, Href, Size, Hash string
}

// cautions are those that a reader of evidence needs before walking to the
// cabinet. They defer to the machine's own rules.
// Sources: IEC 60204-1 §6.2.4 and OSHA 1910.147(d)(5) for stored energy; ISO 13849-1 and ISO 14118:2017 for reset and unexpected start-up.
var cautions = []string{
	"Before working on the drive: lock it out, wait the time on the device's label, then measure the DC link.",
	"A reset must not by itself start the machine. Expect a start after a reset and keep people clear.",
	"A capture is evidence, no diagnosis, and no part of a safety function. Local codes and qualified people decide.",
}

func (s *server) capture(w http.ResponseWriter, r *http.Request) error {
	if id := capture.ID(r.PathValue("id")); id.IsUnread() {
		c, err := s.exactly(r.Context(), string(id))
		if err != nil {
			return err
		}
		http.Redirect(w, r, "/unread#"+url.PathEscape(string(c.ID)), http.StatusSeeOther)
		return nil
	}
	c, series, err := s.load(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	from, to, err := stretch(r.URL.Query())
	if err != nil {
		return err
	}
	clock := s.clock()
	self := "/capture/" + url.PathEscape(string(c.ID))
	page := capturePage{
		frame: s.frame(c.Name() + ", " + c.Fault.String()), Drive: c.Name(), Fleet: "/drive/" + url.PathEscape(c.Drive), Fault: c.Fault.String(),
		When:    c.Trigger.Time.In(s.Zone).Format("Mon 2 Jan 2006 15:04:05.00") + uncertain(c.Trigger),
		Machine: c.Trigger.Time.UTC().Format(time.RFC3339Nano), UTC: c.Trigger.Time.UTC().Format("15:04:05.00") + " UTC",
		Status: c.Wholeness(), Flag: !c.Integrity.Whole, Kept: keptAfter(c), Self: self,
		Rows: report.Table(c, series), Settings: c.Settings, Cautions: cautions,
		Lanes: template.HTML(report.Lanes(c, series, report.Options{From: from, To: to, Width: 1120})), //nolint:gosec // report escapes every text
	}
	if !c.Integrity.Whole {
		page.Why = sentence(c.Integrity.Why)
	}
	if len(c.Integrity.Verified) > 0 && c.Integrity.Whole {
		page.Status += ", verified"
	}
	page.Views = views(c, self, from, to)
	page.Facts = facts(clock, c)
	for _, p := range c.Integrity.Parts {
		page.Parts = append(page.Parts, part{p.Name, self + "/original/" + url.PathEscape(p.Name), bytesText(p.Size), p.SHA256})
	}
	page.Beside = s.beside(r.Context(), c)
	if page.Said, err = s.findings(r.Context(), c); err != nil {
		return err
	}
	if page.Notes, err = s.notes(r.Context(), c.ID); err != nil {
		return err
	}
	s.show(w, r, http.StatusOK, "capture.html", page)
	return nil
}

// beside is the way from a recording to the trace around the same trip, and back.
func (s *server) beside(ctx context.Context, c capture.Capture) choice {
	other, text := c.ID.TraceID(), "trace: what polls showed a minute around it"
	if c.Origin == capture.Trace {
		other, text = c.Of, "the drive's own recording of this trip"
	}
	if other == "" {
		return choice{}
	}
	if found, err := s.Store.Find(ctx, string(other)); err != nil || found.ID != other {
		return choice{}
	}
	return choice{text, "/capture/" + url.PathEscape(string(other)), false}
}

// views are the zooms that a page offers without a script: steps around the trigger.
func views(c capture.Capture, self string, from, to float64) []choice {
	out := []choice{{"whole record", self, from >= to}}
	whole := c.Timing.Duration()
	for _, half := range []float64{1, 0.3, 0.1, 0.03, 0.01} {
		if half*2 < whole*0.8 && half > 4*c.Timing.Interval {
			f := strconv.FormatFloat(half, 'g', -1, 64)
			out = append(out, choice{"±" + lasting(time.Duration(half*float64(time.Second))), self + "?from=-" + f + "&to=" + f, from == -half && to == half})
		}
	}
	return out
}

// stretch is the time in seconds from the trigger that an address asks for.
func stretch(v url.Values) (from, to float64, err error) {
	for _, one := range []struct {
		key string
		to  *float64
	}{{"from", &from}, {"to", &to}} {
		text := v.Get(one.key)
		if text == "" {
			continue
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return 0, 0, &refusal{http.StatusBadRequest, `"` + one.key + `" is a number of seconds from the trigger, such as -0.25.`, ""}
		}
		*one.to = x
	}
	return from, to, nil
}

func facts(clock clock, c capture.Capture) []fact {
	p, t := c.Provenance, c.Trigger
	var out []fact
	add := func(name, value string, code bool) {
		if value != "" {
			out = append(out, fact{name, value, code})
		}
	}
	add("Capture", string(c.ID), true)
	site := c.Site
	add("Site", site, false)
	if !t.Earliest.IsZero() {
		add("Trigger between", clock.exact(t.Earliest)+" and "+t.Latest.In(clock.zone).Format("15:04:05.000")+", by faultkeep's clock", false)
	}
	if t.Drive != nil {
		off := t.Drive.Sub(t.Time)
		add("By the drive's clock", fmt.Sprintf("%s (%s against ours)", clock.exact(*t.Drive), signedLasting(off)), false)
	}
	if !p.Ready.IsZero() {
		add("Ready", clock.exact(p.Ready)+", first seen", false)
	}
	if !c.Kept.IsZero() {
		add("Kept", clock.exact(c.Kept), false)
	}
	add("Record", fmt.Sprintf("%d samples of %d channels every %s, %s in all, %s before the trigger", c.Timing.Samples, len(c.Channels),
		interval(c.Timing.Interval), interval(c.Timing.Duration()), interval(-c.At(0))), false)
	add("Origin", strings.TrimSpace(p.Source+" "+p.Address), true)
	for _, f := range p.Files {
		add("File", fmt.Sprintf("%s, %s, written %s", f.Name, bytesText(f.Size), clock.exact(f.Modified)), false)
	}
	for _, w := range p.Warnings {
		add("Read with a warning", w, false)
	}
	if p.Map != "" {
		what := "Map"
		if len(p.Files) > 0 {
			what = "Format"
		}
		add(what, p.Map, false)
		add("Map file", p.MapHash, true)
	}
	add("Drive type", c.DriveType, false)
	if c.Fault.Table != "" {
		add("Fault named by", c.Fault.Table, false)
	}
	add("Identity", p.Identity, true)
	if p.Requests > 0 {
		text := plural(p.Requests, "request", "requests")
		if p.Resumed > 0 {
			text += ", resumed " + plural(p.Resumed, "time", "times")
		}
		add("Pull", text, false)
	}
	how := strings.Join(c.Integrity.Verified, "; ")
	if how == "" {
		how = "nothing beyond faultkeep's own checksums"
	}
	add("Verified", how, false)
	add("SHA-256", c.Integrity.SHA256, true)
	return out
}

func signedLasting(d time.Duration) string {
	if d > 0 {
		return "+" + lasting(d)
	}
	return lasting(d)
}

// interval is a stretch of time in seconds, in the unit that suits it.
func interval(seconds float64) string {
	switch size := math.Abs(seconds); {
	case size == 0:
		return "0 s"
	case size < 1e-3:
		return report.Value(seconds*1e6, 4) + " µs"
	case size < 1:
		return report.Value(seconds*1e3, 4) + " ms"
	}
	return report.Value(seconds, 4) + " s"
}
