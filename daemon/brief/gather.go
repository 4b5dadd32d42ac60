package brief

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"faultkeep/daemon/report"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

// Archive is what a brief is gathered from.
type Archive interface {
	wire.Captures
	wire.Ledger
	wire.Analyst
	wire.Stander
}

// facts are what a brief is made of.
type facts struct {
	Options
	captures []capture.Capture
	misses   []capture.Miss
	cover    []coverage.Coverage
	recur    []wire.Recurrence // since watching began
	entries  []wire.Entry      // of the ledger, newest first
	stands   wire.Standing
	titles   map[string]string
}

// happened is a trip with all that is known of it.
type happened struct {
	at      time.Time
	capture *capture.Capture // nil: missed
	miss    *capture.Miss
	trace   capture.ID
}

// Gather makes the brief of a period.
func Gather(ctx context.Context, from Archive, o Options) (Brief, error) {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	f := facts{Options: o, titles: map[string]string{}}
	if err := f.read(ctx, from); err != nil {
		return Brief{}, err
	}
	b := f.brief()
	told := 0
	for i := range b.Trips {
		g := &b.Trips[i]
		for k, h := range g.order {
			if k == oneByOne || told == detailed {
				break
			}
			one, err := f.trip(ctx, from, h, told < pictured)
			if err != nil {
				return Brief{}, err
			}
			g.Trips = append(g.Trips, one)
			told++
		}
	}
	return b, nil
}

func (f *facts) read(ctx context.Context, from Archive) (err error) {
	q := wire.Query{Since: f.From, Until: f.To}
	if f.captures, err = from.Captures(ctx, q); err != nil {
		return err
	}
	if f.misses, err = from.Misses(ctx, q); err != nil {
		return err
	}
	if f.cover, err = from.Coverage(ctx, q); err != nil {
		return err
	}
	if f.entries, err = from.Ledger(ctx, q); err != nil {
		return err
	}
	if f.recur, err = from.Recurrences(ctx, wire.Query{Until: f.To, Zone: f.Zone}); err != nil {
		return err
	}
	if f.stands, err = from.Standing(ctx, f.From); err != nil {
		return err
	}
	f.Site = cmp.Or(f.stands.Site, f.Site)
	for drive, title := range f.Titles {
		f.name(drive, title)
	}
	for _, r := range f.recur {
		f.name(r.Drive, r.Title)
	}
	for _, m := range f.misses {
		f.name(m.Drive, m.Title)
	}
	for _, c := range f.captures {
		f.name(c.Drive, c.Title)
	}
	for _, d := range f.stands.Drives {
		f.name(d.Drive, d.Title)
	}
	return nil
}

func (f *facts) name(drive, title string) {
	if title != "" {
		f.titles[drive] = report.Plainly(title)
	}
}

// title is a drive as people call it.
func (f *facts) title(drive string) string {
	return cmp.Or(f.titles[drive], report.Plainly(drive))
}

// brief is all but the trips one by one.
func (f *facts) brief() Brief {
	b := Brief{Site: report.Plainly(f.Site), From: f.From.In(f.Zone), To: f.To.In(f.Zone), Zone: f.Zone.String(), Trips: f.groups(),
		Drives: []Drive{}, Now: []Item{}, Races: []Item{}, Repairs: f.repairs(), Events: f.events(), Alerts: f.alerts()}
	for _, g := range b.Trips {
		b.Kept, b.Partial, b.Missed = b.Kept+g.Kept, b.Partial+g.Partial, b.Missed+g.Missed
	}
	var of, watched time.Duration
	for _, c := range f.cover {
		if c.Counted() <= 0 {
			continue // it isn't in the config any more, or not yet
		}
		of += c.Counted()
		watched += c.Total(coverage.Watched)
		share, _ := c.Share(coverage.Watched)
		b.Drives = append(b.Drives, Drive{Drive: c.Drive, Title: f.title(c.Drive), Watched: &share, Blind: len(c.Blind()) > 0, Text: c.Words(f.Zone)})
	}
	if of > 0 {
		share := float64(watched) / float64(of)
		b.Watched = &share
	}
	f.now(&b)
	b.Store = Store{StoreStands: f.stands.Store, Text: storeWords(f.stands.Store)}
	b.Headline, b.Quiet = f.headline(b)
	return b
}

// groups are the trips of the period by drive and fault.
func (f *facts) groups() []Group {
	var all []happened
	var traces []capture.Capture
	for i, c := range f.captures {
		switch c.Origin {
		case capture.Trace: // of a trip that a miss tells of
			traces = append(traces, c)
		case capture.Recorded:
			all = append(all, happened{at: c.Trigger.Time, capture: &f.captures[i]})
		}
	}
	for i, m := range f.misses {
		h := happened{at: m.Time, miss: &f.misses[i]}
		for _, t := range traces {
			if t.Drive == m.Drive && t.Fault.Code == m.Fault.Code && t.Trigger.Time.Sub(m.Time).Abs() < time.Minute {
				h.trace = t.ID
			}
		}
		all = append(all, h)
	}
	slices.SortStableFunc(all, func(a, b happened) int { return a.at.Compare(b.at) })
	type key struct{ drive, code string }
	places := map[key]int{}
	out := []Group{}
	for _, h := range all {
		drive, fault := h.of()
		k := key{drive, fault.ShownCode()}
		at, known := places[k]
		if !known {
			at = len(out)
			places[k] = at
			out = append(out, Group{Drive: drive, Title: f.title(drive), Fault: report.Plainly(fault.String()), First: h.at.In(f.Zone), Trips: []Trip{}})
		}
		g := &out[at]
		g.order, g.Last = append(g.order, h), h.at.In(f.Zone)
		switch {
		case h.capture == nil:
			g.Missed++
		case h.capture.Integrity.Whole:
			g.Kept++
		default:
			g.Partial++
		}
	}
	for i := range out {
		out[i].Text = f.together(out[i])
	}
	return out
}

func (h happened) of() (drive string, fault capture.Fault) {
	if h.capture != nil {
		return h.capture.Drive, h.capture.Fault
	}
	return h.miss.Drive, h.miss.Fault
}

// trip tells of one trip.
func (f *facts) trip(ctx context.Context, from Archive, h happened, draw bool) (Trip, error) {
	out := Trip{Time: h.at.In(f.Zone), Often: f.often(h)}
	if h.capture == nil {
		m := h.miss
		out.Status = "missed: " + string(cmp.Or(m.Cause, capture.CauseUnknown))
		out.Why = sentences(report.Plainly(m.Text), report.Plainly(m.Advice))
		out.Trace = h.trace
		return out, nil
	}
	c := *h.capture
	out.Capture, out.Status = c.ID, "kept whole"
	if !c.Integrity.Whole {
		out.Status = "kept in part" + strings.TrimPrefix(c.Wholeness(), "partial")
		out.Why = sentences(report.Plainly(c.Integrity.Why))
	}
	st, err := from.Study(ctx, c.ID, f.Zone)
	if err != nil {
		return out, err
	}
	if out.First = report.Plainly(st.Headline()); st.Version == 0 {
		out.First = "Not analysed yet."
	}
	if !draw {
		return out, nil
	}
	// One that is damaged has no picture; what is wrong with it verify tells.
	if series, err := wire.Samples(ctx, from, c); err == nil {
		out.picture = report.Small(c, series, pictureWidth, pictureHeight)
	}
	return out, ctx.Err()
}
