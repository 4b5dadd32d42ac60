package report

import (
	"fmt"
	"hash/fnv"
	"strings"
	"time"

	"faultkeep/store/coverage"
)

// MarkKind is what a mark on a timeline stands for.
type MarkKind string

// The kinds of marks, the one that matters most last.
const (
	MarkWhole   MarkKind = "whole"   // a recording kept whole: a disc
	MarkPartial MarkKind = "partial" // kept in part: a ring
	MarkMissed  MarkKind = "missed"  // not kept: a cross
)

var markRank = map[MarkKind]int{MarkWhole: 1, MarkPartial: 2, MarkMissed: 3}

// Mark is one moment on a timeline.
type Mark struct {
	At   time.Time
	Kind MarkKind
}

// TimelineOptions say how a timeline is drawn.
type TimelineOptions struct {
	Name  string         // the drive as people call it
	Zone  *time.Location // of the times in words and on the axis
	Small bool           // without axis and settings, for a list of drives
}

// A timeline's columns: whatever happens in one shows at least that wide, so
// that no blind spell and no miss is too short to be seen.
const (
	timelineColumns = 480
	markColumns     = 96
)

// rows of a timeline, in pixels from the top.
type timelineRows struct{ mark, band, bandHeight, drift, height int }

// Timeline draws how well a drive was watched: a solid band while it was, and
// in the accent what wasn't: full height while it was unreachable, half while
// not armed, two hairlines while faultkeep was not running; nothing where
// nothing is known. Marks stand above it.
func Timeline(c coverage.Coverage, marks []Mark, o TimelineOptions) []byte {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	rows := timelineRows{mark: 7, band: 16, bandHeight: 18, drift: 38, height: 62}
	class := "fk watch"
	if o.Small {
		rows, class = timelineRows{mark: 4, band: 9, bandHeight: 8, height: 18}, "fk watch small"
	}
	name := fnv.New64a()
	_, _ = name.Write([]byte(class + c.Drive))
	id := fmt.Sprintf("w%x", name.Sum64()) // one of its own on a page of drives
	s := &svg{}
	s.f(`<svg xmlns="http://www.w3.org/2000/svg" class="%s" width="100%%" height="%d" role="img" aria-labelledby="%s"><title id="%s">%s</title>`,
		class, rows.height, id, id, describeTimeline(c, marks, o))
	s.f(`<rect class="ground" y="%d" width="100%%" height="%d"/>`, rows.band, rows.bandHeight)
	if !o.Small {
		s.axis(c, o.Zone, rows)
	}
	for _, r := range columnsOf(c.Intervals, c) {
		s.band(r, rows)
	}
	if !o.Small {
		for _, r := range columnsOf(c.Drifts, c) {
			s.f(`<rect class="drift" x="%s" width="%s" y="%d" height="2"/>`, r.from.String(), (r.to - r.from).String(), rows.drift)
		}
	}
	for column, kind := range binned(marks, c) {
		if kind != "" {
			s.mark(kind, (float64(column)+0.5)/markColumns, rows.mark, o.Small)
		}
	}
	s.WriteString("</svg>")
	return s.Bytes()
}

// timelineRun is a stretch of columns in one state.
type timelineRun struct {
	from, to at
	state    coverage.State
}

// columnsOf gives every column the worst that happened in it.
func columnsOf(intervals []coverage.Interval, c coverage.Coverage) (runs []timelineRun) {
	whole := c.To.Sub(c.From)
	if whole <= 0 {
		return nil
	}
	var worst [timelineColumns]int // rank + 1; 0: nothing there
	for _, i := range intervals {
		rank := timelineRank(i.State)
		if rank == 0 {
			continue
		}
		first := int(float64(i.From.Sub(c.From)) / float64(whole) * timelineColumns)
		last := int(float64(i.To.Sub(c.From)-1) / float64(whole) * timelineColumns)
		for k := max(0, first); k <= min(last, timelineColumns-1); k++ {
			worst[k] = max(worst[k], rank)
		}
	}
	for k := 0; k < timelineColumns; {
		end := k + 1
		for end < timelineColumns && worst[end] == worst[k] {
			end++
		}
		if worst[k] > 0 {
			runs = append(runs, timelineRun{at(k) / timelineColumns, at(end) / timelineColumns, timelineStates[worst[k]-1]})
		}
		k = end
	}
	return runs
}

var timelineStates = []coverage.State{coverage.Watched, coverage.NotArmed, coverage.Unreachable, coverage.NotRunning, coverage.Drifted}

// timelineRank orders states that share a column; 0 is drawn as nothing.
func timelineRank(s coverage.State) int {
	for k, known := range timelineStates {
		if s == known {
			return k + 1
		}
	}
	return 0
}

func (s *svg) band(r timelineRun, rows timelineRows) {
	rect := func(class string, y, height int) {
		s.f(`<rect class="%s" x="%s" width="%s" y="%d" height="%d"/>`, class, r.from.String(), (r.to - r.from).String(), y, height)
	}
	y, h := rows.band, rows.bandHeight
	switch r.state {
	case coverage.Watched:
		rect("seen", y, h)
	case coverage.NotArmed:
		rect("unseen", y+h/2, h-h/2)
	case coverage.Unreachable:
		rect("unseen", y, h)
	case coverage.NotRunning:
		rect("unseen", y, 2)
		rect("unseen", y+h-2, 2)
	}
}

// binned are the marks by column, the most telling of each.
func binned(marks []Mark, c coverage.Coverage) (out [markColumns]MarkKind) {
	whole := c.To.Sub(c.From)
	for _, m := range marks {
		if whole <= 0 || m.At.Before(c.From) || !m.At.Before(c.To) {
			continue
		}
		k := int(float64(m.At.Sub(c.From)) / float64(whole) * markColumns)
		if markRank[m.Kind] > markRank[out[k]] {
			out[k] = m.Kind
		}
	}
	return out
}

func (s *svg) mark(kind MarkKind, x float64, y int, small bool) {
	r := 4.0
	if small {
		r = 2.5
	}
	switch kind {
	case MarkMissed:
		s.f(`<svg x="%s" y="%d" overflow="visible"><path class="pin missed" d="M%g %gL%g %gM%g %gL%g %g"/></svg>`, at(x).String(), y, -r, -r, r, r, -r, r, r, -r)
	case MarkPartial:
		s.f(`<circle class="pin partial" cx="%s" cy="%d" r="%g"/>`, at(x).String(), y, r-0.5)
	default:
		s.f(`<circle class="pin whole" cx="%s" cy="%d" r="%g"/>`, at(x).String(), y, r)
	}
}

// axis draws ticks at round times of the zone.
func (s *svg) axis(c coverage.Coverage, zone *time.Location, rows timelineRows) {
	whole := c.To.Sub(c.From)
	y, m, d := c.From.In(zone).Date()
	step, layout := 1, "Mon 2"
	switch {
	case whole <= 0:
		return
	case whole < 36*time.Hour:
		layout = "15:04"
	case whole > 10*24*time.Hour:
		step, layout = max(7, int(whole/(8*24*time.Hour))), "2 Jan"
	}
	n := 0
	tick := func(t time.Time) {
		x := float64(t.Sub(c.From)) / float64(whole)
		if x < 0 || x > 1 {
			return
		}
		s.f(`<line class="grid" x1="%s" x2="%s" y1="%d" y2="%d"/>`, at(x).String(), at(x).String(), rows.band-2, rows.height-14)
		if x < 0.9 {
			class := "time"
			if n%2 == 1 && layout == "Mon 2" {
				class = "time alternate" // left out where there is no room
			}
			s.f(`<text class="%s" x="%s" dx="3" y="%d">%s</text>`, class, at(x).String(), rows.height-8, t.In(zone).Format(layout))
			n++
		}
	}
	for k := 0; k <= 800; k++ {
		day := time.Date(y, m, d+k*step, 0, 0, 0, 0, zone)
		if day.After(c.To) {
			return
		}
		if layout != "15:04" {
			tick(day)
			continue
		}
		for h := 0; h < 24; h += 6 {
			tick(time.Date(y, m, d+k, h, 0, 0, 0, zone))
		}
	}
}

// describeTimeline is the picture in words.
func describeTimeline(c coverage.Coverage, marks []Mark, o TimelineOptions) string {
	const layout = "Mon 2 Jan 15:04"
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s to %s: %s.", o.Name, c.From.In(o.Zone).Format(layout), c.To.In(o.Zone).Format(layout), c.Words(o.Zone))
	count := map[MarkKind]int{}
	for _, m := range marks {
		if !m.At.Before(c.From) && m.At.Before(c.To) {
			count[m.Kind]++
		}
	}
	for _, k := range []struct {
		kind MarkKind
		text string
	}{{MarkWhole, "kept whole"}, {MarkPartial, "kept in part"}, {MarkMissed, "missed"}} {
		if n := count[k.kind]; n > 0 {
			fmt.Fprintf(&b, " %d %s.", n, k.text)
		}
	}
	for k, d := range c.Drifts {
		if k == 3 {
			fmt.Fprintf(&b, " And %d more drifts.", len(c.Drifts)-k)
			break
		}
		fmt.Fprintf(&b, " Settings not as wanted %s.", c.When(d, o.Zone))
	}
	return b.String()
}

// Swatch is the key to one state of a timeline.
func Swatch(state coverage.State) []byte {
	s := &svg{}
	s.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" class="fk watch key" width="22" height="12" aria-hidden="true"><rect class="ground" width="100%" height="12"/>`)
	if state == coverage.Drifted {
		s.WriteString(`<rect class="drift" width="100%" y="5" height="2"/>`)
	}
	s.band(timelineRun{0, 1, state}, timelineRows{bandHeight: 12})
	s.WriteString("</svg>")
	return s.Bytes()
}

// MarkSwatch is the key to one kind of mark.
func MarkSwatch(kind MarkKind) []byte {
	s := &svg{}
	s.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" class="fk watch key" width="12" height="12" aria-hidden="true">`)
	s.mark(kind, 0.5, 6, false)
	s.WriteString("</svg>")
	return s.Bytes()
}
