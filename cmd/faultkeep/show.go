package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

type showCommand struct {
	dataFlag
	ID   string `arg:"" help:"ID of the capture, or any beginning that only one has."`
	JSON bool   `name:"json" help:"Write JSON: the capture, and its channels in figures."`
}

func (c *showCommand) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	found, err := p.Find(ctx, c.ID)
	if err != nil {
		return err
	}
	if found.Origin == capture.Unread {
		return c.unread(out, found, p)
	}
	x, series, err := p.Samples(ctx, found.ID)
	if errors.Is(err, archive.ErrDamaged) && !c.JSON { // what is known of it is still worth showing
		return errors.Join(c.head(out, found, p), err)
	}
	if err != nil {
		return err
	}
	study, err := p.Study(ctx, x.ID, p.zone)
	if err != nil {
		return err
	}
	if c.JSON {
		s := shownCapture(x, series)
		s.Findings = study.Findings
		return writeJSON(out.Out, s)
	}
	if err := c.head(out, x, p); err != nil {
		return err
	}
	if err := c.said(ctx, out, x.ID, p); err != nil {
		return err
	}
	fmt.Fprintln(out.Out)
	if err := table(out.Out, channelRows(x, series)); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(out.Out, "\n%s", plot(x, series)); err != nil || x.Origin != capture.Recorded {
		return err
	}
	return c.findings(out, x.ID, study)
}

// findings tells what was found, but for the values, which stand above.
func (c *showCommand) findings(out output, id capture.ID, study capture.Study) error {
	if study.Version == 0 {
		_, err := fmt.Fprintf(out.Out, "\nNot analysed yet; `faultkeep analyse %s` does it.\n", id)
		return err
	}
	fmt.Fprintln(out.Out)
	told := slices.DeleteFunc(study.Findings, func(f capture.Finding) bool { return f.Kind == capture.FindingExtreme })
	if err := report.Findings(out.Out, told, false); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out.Out, "\n%s\n", report.FindingsCaution)
	return err
}

// said is what people said of the capture.
func (c *showCommand) said(ctx context.Context, out output, id capture.ID, p place) error {
	all, err := p.Marks(ctx, []capture.ID{id})
	if err != nil {
		return err
	}
	m := all[id]
	var rows [][]string
	if !m.Pinned.IsZero() {
		rows = append(rows, []string{"pinned", stamp(m.Pinned, p.zone)})
	}
	if !m.Reviewed.IsZero() {
		rows = append(rows, []string{"reviewed", stamp(m.Reviewed, p.zone)})
	}
	if len(m.Tags) > 0 {
		rows = append(rows, []string{"tags", strings.Join(m.Tags, ", ")})
	}
	for _, n := range m.Notes {
		by := ""
		if n.By != "" {
			by = ", " + n.By
		}
		rows = append(rows, []string{"note", stamp(n.At, p.zone) + by + ": " + n.Text})
	}
	return table(out.Out, rows)
}

// unread shows files that couldn't be read.
func (c *showCommand) unread(out output, x capture.Capture, p place) error {
	if c.JSON {
		return writeJSON(out.Out, shownCapture(x, nil))
	}
	if err := c.head(out, x, p); err != nil {
		return err
	}
	_, err := fmt.Fprintln(out.Out, "\nAfter mending the config, `faultkeep reread` tries again.")
	return err
}

// head is everything but the samples.
func (c *showCommand) head(out output, x capture.Capture, p place) error {
	fmt.Fprintf(out.Out, "%s  %s\n%s\n\n", clean(p.name(x.Drive, x.Title)), clean(x.Fault.String()), x.ID)
	return table(out.Out, facts(x, p.zone))
}

// shown is what show --json writes.
type shown struct {
	Capture  capture.Capture `json:"capture"`
	Channels []shownChannel  `json:"channels"`

	Findings []capture.Finding `json:"findings"` // null: not analysed yet
}

// shownChannel is one channel in figures; what isn't there is null.
type shownChannel struct {
	capture.Channel
	AtTrigger *float64 `json:"at_trigger"`
	Min       *float64 `json:"min"`
	Max       *float64 `json:"max"`
	Samples   int      `json:"samples"` // that are there
}

func shownCapture(c capture.Capture, series []capture.Series) shown {
	s := shown{Capture: c, Channels: []shownChannel{}}
	for i, ch := range c.Channels[:min(len(c.Channels), len(series))] {
		one := shownChannel{Channel: ch}
		if v := atTrigger(c, series[i]); !math.IsNaN(v) && !math.IsInf(v, 0) {
			one.AtTrigger = &v
		}
		if low, high, ok := series[i].Bounds(); ok {
			one.Min, one.Max = &low, &high
		}
		for _, v := range series[i] {
			if !math.IsNaN(v) {
				one.Samples++
			}
		}
		s.Channels = append(s.Channels, one)
	}
	return s
}

func atTrigger(c capture.Capture, s capture.Series) float64 {
	if i := c.Trigger.Index; i >= 0 && i < len(s) {
		return s[i]
	}
	return math.NaN()
}

// facts are what is known of a capture, a line each.
func facts(c capture.Capture, zone *time.Location) [][]string {
	var rows [][]string
	label := ""
	add := func(name, text string) {
		if name == label {
			name = ""
		} else {
			label = name
		}
		rows = append(rows, []string{name, text})
	}
	at := c.Trigger.Time.In(zone).Format("Mon 2 Jan 2006, 15:04:05.000 MST")
	if u := c.Trigger.Uncertainty(); u > 0 {
		at += " ±" + span(u)
	}
	add("trigger", at)
	if d := c.Trigger.Drive; d != nil {
		add("trigger", d.In(zone).Format("2006-01-02 15:04:05.000")+" by the drive's own clock")
	}
	add("integrity", sentences(c.Wholeness(), c.Integrity.Why))
	if len(c.Integrity.Verified) > 0 {
		add("integrity", "checked: "+strings.Join(c.Integrity.Verified, ", "))
	}
	p := c.Provenance
	if !c.Kept.IsZero() {
		kept := stamp(c.Kept, zone)
		if !p.Ready.IsZero() && !c.Kept.Before(p.Ready) {
			kept += ", " + span(c.Kept.Sub(p.Ready)) + " after it was seen ready"
		}
		if p.Requests > 0 {
			kept += ", in " + counted(p.Requests, "request")
		}
		if p.Resumed > 0 {
			kept += fmt.Sprintf(", resumed %s", counted(p.Resumed, "time"))
		}
		add("kept", kept)
	}
	if n := c.Timing.Samples; n > 0 {
		add("record", fmt.Sprintf("%s every %s, %s to %s", counted(n, "sample"), interval(c.Timing.Interval),
			report.Seconds(c.At(0), c.Timing.Interval), report.Seconds(c.At(n-1), c.Timing.Interval)))
	}
	origin := p.Source + ", " + p.Address
	if p.Map != "" {
		what := ", map "
		if len(p.Files) > 0 {
			what = ", format "
		}
		origin += what + p.Map
	}
	add("origin", origin)
	for _, f := range p.Files {
		add("file", fmt.Sprintf("%s, %s, written %s", f.Name, size(f.Size), stamp(f.Modified, zone)))
	}
	for _, w := range p.Warnings {
		add("warning", w)
	}
	if p.Identity != "" {
		add("identity", p.Identity)
	}
	for _, s := range c.Settings {
		text := s.Name + ": " + s.Value
		if !s.OK && s.Wanted != "" {
			text += ", wanted " + s.Wanted
		}
		add("settings", text)
	}
	if c.Origin == capture.Unread {
		return rows // its files are its originals
	}
	add("original", fmt.Sprintf("%s, SHA-256 %s", counted(int(c.Integrity.Size), "byte"), c.Integrity.SHA256))
	return rows
}

// interval is the time between samples, exactly.
func interval(s float64) string {
	switch {
	case s >= 1:
		return strconv.FormatFloat(s, 'g', 10, 64) + " s"
	case s >= 1e-3:
		return strconv.FormatFloat(s*1e3, 'g', 10, 64) + " ms"
	}
	return strconv.FormatFloat(s*1e6, 'g', 10, 64) + " µs"
}

func channelRows(c capture.Capture, series []capture.Series) [][]string {
	rows := [][]string{{"channel", "at the trigger", "min", "max"}}
	zero := report.At(c, series, c.Trigger.Index)
	for i, ch := range c.Channels[:min(len(c.Channels), len(series))] {
		row := []string{ch.Name, zero[i], "", ""}
		if low, high, ok := series[i].Bounds(); ok && !ch.Digital() {
			row[2], row[3] = strings.TrimSpace(report.Value(low, 4)+" "+ch.Unit), strings.TrimSpace(report.Value(high, 4)+" "+ch.Unit)
		}
		rows = append(rows, row)
	}
	return rows
}
