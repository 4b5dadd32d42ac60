package web

import (
	"context"
	"html/template"
	"net/url"
	"strings"
	"time"

	"faultkeep/daemon/report"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/coverage"
)

// watching is how well a drive was watched over a day, week or month.
type watching struct {
	Spans   []choice
	Picture template.HTML
	Words   string // "Watched 99.2 %; blind 03:02–03:11, unreachable."
	Key     []keyed
	Drifts  []string
}

// keyed is one entry of the key to a timeline.
type keyed struct {
	Swatch template.HTML
	Text   string
}

// span is a stretch of time up to now that a timeline can show. It ends at a
// round time just ahead, so that the page stays still for a while.
type span struct {
	name  string
	from  func(to time.Time) time.Time
	round time.Duration
}

var timeSpans = []span{
	{"day", func(to time.Time) time.Time { return to.Add(-24 * time.Hour) }, 5 * time.Minute},
	{"week", func(to time.Time) time.Time { return to.AddDate(0, 0, -7) }, 30 * time.Minute},
	{"month", func(to time.Time) time.Time { return to.AddDate(0, -1, 0) }, 2 * time.Hour},
}

// bounds are the span's ends in the zone, whose days may have 23 or 25 hours.
func (p span) bounds(now time.Time, zone *time.Location) (from, to time.Time) {
	to = now.Truncate(p.round).Add(p.round).In(zone)
	return p.from(to), to
}

// spanned is the span that an address asks for.
func spanned(v url.Values) (span, error) {
	name := v.Get("span")
	if name == "" {
		return timeSpans[0], nil
	}
	for _, s := range timeSpans {
		if s.name == name {
			return s, nil
		}
	}
	return span{}, wire.Say(wire.ErrRequest, `"span" is one of day, week, month.`)
}

// timelines are the coverage of drives over a span, and what happened to each
// in it, by their names. drive narrows it to one; "": every drive.
func (s *server) timelines(ctx context.Context, p span, drive string) (map[string]coverage.Coverage, map[string][]report.Mark, error) {
	from, to := p.bounds(s.Now(), s.Zone)
	q := wire.Query{Since: from, Until: to, Drive: drive}
	list, err := s.Store.Coverage(ctx, q)
	if err != nil {
		return nil, nil, err
	}
	covered := map[string]coverage.Coverage{}
	for _, c := range list {
		covered[c.Drive] = c
	}
	marks := map[string][]report.Mark{}
	q.Limit = mostCounted
	captures, err := s.Store.Captures(ctx, q)
	if err != nil {
		return nil, nil, err
	}
	for _, c := range captures {
		kind := report.MarkWhole
		if !c.Integrity.Whole {
			kind = report.MarkPartial
		}
		marks[c.Drive] = append(marks[c.Drive], report.Mark{At: c.Trigger.Time, Kind: kind})
	}
	misses, err := s.Store.Misses(ctx, q)
	if err != nil {
		return nil, nil, err
	}
	for _, m := range misses {
		marks[m.Drive] = append(marks[m.Drive], report.Mark{At: m.Time, Kind: report.MarkMissed})
	}
	return covered, marks, nil
}

// smallTimelines puts the last day's timeline into each drive's row.
func (s *server) smallTimelines(ctx context.Context, drives []DriveNow, rows []driveRow) error {
	covered, marks, err := s.timelines(ctx, timeSpans[0], "")
	if err != nil {
		return err
	}
	for k, d := range drives {
		c, ok := covered[d.Name]
		if !ok {
			continue
		}
		svg := report.Timeline(c, marks[d.Name], report.TimelineOptions{Name: d.Label(), Zone: s.Zone, Small: true})
		rows[k].Timeline = template.HTML(svg) //nolint:gosec // report escapes every text
		if share, ok := c.Share(coverage.Watched); ok {
			rows[k].Watched = "watched " + coverage.Percent(share) + " of the last day"
		}
	}
	return nil
}

// watching is the large timeline of one drive.
func (s *server) watching(ctx context.Context, p span, drive, label string) (*watching, error) {
	covered, marks, err := s.timelines(ctx, p, drive)
	if err != nil {
		return nil, err
	}
	w := &watching{}
	for _, other := range timeSpans {
		w.Spans = append(w.Spans, choice{other.name, "/drive/" + url.PathEscape(drive) + "?span=" + other.name, other.name == p.name})
	}
	c, known := covered[drive]
	if !known {
		w.Words = "It was never watched."
		return w, nil
	}
	w.Picture = template.HTML(report.Timeline(c, marks[drive], report.TimelineOptions{Name: label, Zone: s.Zone})) //nolint:gosec // report escapes every text
	if c.Counted() == 0 || len(c.Blind()) > 0 {
		words := c.Words(s.Zone)
		w.Words = strings.ToUpper(words[:1]) + words[1:] + "."
	}
	if rest := s.Now().Sub(c.From) - c.Counted(); c.Counted() > 0 && rest >= time.Minute {
		w.Words = strings.TrimSpace(w.Words + " That is of " + lasting(c.Counted()) + "; of the rest nothing is known.")
	}
	for _, state := range coverage.States[:len(coverage.States)-1] {
		if c.Counted() == 0 {
			break
		}
		text := string(state)
		if state == coverage.NotRunning {
			text = "faultkeep not running"
		}
		share, _ := c.Share(state)
		if share == 0 && state != coverage.Watched {
			continue
		}
		w.Key = append(w.Key, keyed{template.HTML(report.Swatch(state)), text + " " + coverage.Percent(share)}) //nolint:gosec // a constant picture
	}
	for k, d := range c.Drifts {
		if k == 0 {
			w.Key = append(w.Key, keyed{template.HTML(report.Swatch(coverage.Drifted)), "settings not as wanted"}) //nolint:gosec // a constant picture
		}
		w.Drifts = append(w.Drifts, c.When(d, s.Zone)+": "+sentence(d.Text))
	}
	counts := map[report.MarkKind]int{}
	for _, m := range marks[drive] {
		counts[m.Kind]++
	}
	for _, kind := range []report.MarkKind{report.MarkWhole, report.MarkPartial, report.MarkMissed} {
		if n := counts[kind]; n > 0 {
			text := map[report.MarkKind]string{report.MarkWhole: "kept whole", report.MarkPartial: "kept in part", report.MarkMissed: "missed"}[kind]
			w.Key = append(w.Key, keyed{template.HTML(report.MarkSwatch(kind)), plural(n, text, text)}) //nolint:gosec // a constant picture
		}
	}
	return w, nil
}

// raceWords say how a drive's race stands, and whether it is lost: what a pull
// takes, how long a recording stood at the shortest, what is left.
func raceWords(r Race) (lines []string, lost bool) {
	if r.Need == 0 {
		return nil, false
	}
	lines = append(lines, "To keep a recording for certain takes "+lasting(r.Need)+", "+lasting(r.Pull)+" of it to read it.")
	switch {
	case r.Survived > 0 && r.ResetAfter > 0:
		lines = append(lines, "The shortest that one stood so far is "+lasting(r.Survived)+"; by the config one stands "+lasting(r.ResetAfter)+".")
	case r.Survived > 0:
		lines = append(lines, "The shortest that one stood so far is "+lasting(r.Survived)+".")
	case r.ResetAfter > 0:
		lines = append(lines, "By the config one stands "+lasting(r.ResetAfter)+"; none was seen to go yet.")
	default:
		lines = append(lines, "How long one stands isn't known: none was seen to go yet, and the config gives no reset_after.")
	}
	margin, ok := r.Margin()
	switch {
	case ok && margin < 0:
		lines = append(lines, "It can't be kept in time: "+lasting(-margin)+" are wanting. "+sentence(r.Advice))
	case ok:
		lines = append(lines, "The margin is "+lasting(margin)+".")
	}
	for k := range lines {
		lines[k] = strings.TrimSpace(lines[k])
	}
	return lines, ok && margin < 0
}
