package web

import (
	"cmp"
	"context"
	"html/template"
	"net/url"
	"slices"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

// streamed is a page of what happened, newest first, by days.
type streamed struct {
	days []day
	next time.Time // where the next page goes on; zero: there is none
}

type day struct {
	Label string
	Rows  []row
}

// row is one thing that happened: a capture, a miss or a blind spell.
type row struct {
	Kind    string // capture, miss, blind
	Time    string // "03:12:07", "03:02–03:11"
	Machine string // the time for programs
	Drive   string
	Fleet   string // address of the drive's page
	What    string // the fault in words, "not watched: unreachable"
	Href    string // of the capture
	First   string // the finding to tell first
	Family  string // of those that look alike
	Detail  string
	Advice  string
	Status  string // "whole", "partial, −0.8…+0.3 s", "missed"
	Flag    bool   // needs a look
	ID      string // of a capture
	Marks   string // what was said of it: "reviewed, pinned"
	Picture template.HTML

	Reviewed bool
	at       time.Time // its place in the stream
	began    time.Time // a spell: when it really began
	id       capture.ID
	c        *capture.Capture
}

// stream merges captures, misses and blind spells of [since, until), about n of them.
func (s *server) stream(ctx context.Context, since, until time.Time, drive string, n int) (streamed, error) {
	rows, err := s.rows(ctx, wire.Query{Since: since, Until: until, Drive: drive, Limit: n + 1})
	if err != nil {
		return streamed{}, err
	}
	var out streamed
	if len(rows) > n {
		// Things of one moment stay together, or the next page, which ends
		// before that moment, would lose some.
		moment := rows[n-1].at
		together, err := s.rows(ctx, wire.Query{Since: moment, Until: moment.Add(1), Drive: drive})
		if err != nil {
			return streamed{}, err
		}
		n = slices.IndexFunc(rows, func(r row) bool { return !r.at.After(moment) })
		rows = rows[:n]
		for _, r := range together {
			if r.at.Equal(moment) && (r.Kind != "blind" || !r.began.Before(moment) || moment.Equal(since)) {
				rows = append(rows, r)
			}
		}
		out.next = moment
	}
	clock := s.clock()
	if err := s.annotate(ctx, rows); err != nil {
		return streamed{}, err
	}
	for i := range rows {
		if rows[i].c != nil {
			rows[i].Picture = s.picture(ctx, *rows[i].c)
		}
		label := clock.day(rows[i].at)
		if k := len(out.days); k == 0 || out.days[k-1].Label != label {
			out.days = append(out.days, day{Label: label})
		}
		last := &out.days[len(out.days)-1]
		last.Rows = append(last.Rows, rows[i])
	}
	return out, nil
}

// rows are the query's things, newest first. A spell that began before the
// query's period stands at its beginning.
func (s *server) rows(ctx context.Context, q wire.Query) ([]row, error) {
	captures, err := s.Store.Captures(ctx, q)
	if err != nil {
		return nil, err
	}
	misses, err := s.Store.Misses(ctx, q)
	if err != nil {
		return nil, err
	}
	q.Limit = 0 // wherever they stand among the others
	spells, err := s.Store.Spells(ctx, q)
	if err != nil {
		return nil, err
	}
	clock := s.clock()
	titles := map[string]string{}
	for _, d := range s.Live.Drives() {
		titles[d.Name] = d.Label()
	}
	var rows []row
	for _, c := range captures {
		rows = append(rows, captureRow(clock, c))
	}
	for _, m := range misses {
		rows = append(rows, missRow(clock, m))
	}
	for _, sp := range spells {
		r := spellRow(clock, sp, titles)
		if r.at.Before(q.Since) {
			r.at = q.Since
		}
		rows = append(rows, r)
	}
	slices.SortStableFunc(rows, func(a, b row) int {
		return cmp.Or(b.at.Compare(a.at), cmp.Compare(b.id, a.id))
	})
	return rows, nil
}

func captureRow(clock clock, c capture.Capture) row {
	r := row{Kind: "capture", Time: clock.time(c.Trigger.Time), Machine: c.Trigger.Time.UTC().Format(time.RFC3339Nano),
		Drive: c.Name(), Fleet: "/drive/" + url.PathEscape(c.Drive), What: c.Fault.String(), Href: "/capture/" + url.PathEscape(string(c.ID)),
		Detail: keptAfter(c), Status: c.Wholeness(), Flag: !c.Integrity.Whole, ID: string(c.ID), at: c.Trigger.Time, id: c.ID, c: &c}
	if !c.Integrity.Whole && c.Integrity.Why != "" {
		r.Detail += " " + sentence(c.Integrity.Why)
	}
	return r
}

func missRow(clock clock, m capture.Miss) row {
	name := m.Title
	if name == "" {
		name = m.Drive
	}
	r := row{Kind: "miss", Time: clock.time(m.Time), Machine: m.Time.UTC().Format(time.RFC3339Nano), Drive: name, Fleet: "/drive/" + url.PathEscape(m.Drive),
		What: m.Fault.String(), Detail: sentence(m.Text), Advice: sentence(m.Advice), Status: "missed", Flag: true, at: m.Time}
	if r.Detail == "" {
		r.Detail = sentence("Missed: " + string(m.Cause))
	}
	return r
}

func spellRow(clock clock, sp capture.Spell, titles map[string]string) row {
	cause := string(sp.Cause)
	if cause == "" {
		cause = string(capture.CauseUnknown)
	}
	r := row{Kind: "blind", Machine: sp.From.UTC().Format(time.RFC3339Nano), Drive: sp.Drive, Fleet: "/drive/" + url.PathEscape(sp.Drive),
		What: "Not watched: " + cause, Detail: sentence(sp.Text), Status: "blind", Flag: sp.To.IsZero(), at: sp.From, began: sp.From}
	if t := titles[sp.Drive]; t != "" {
		r.Drive = t
	}
	end := clock.now
	if sp.To.IsZero() {
		r.Time = clock.minute(sp.From) + "–now"
	} else {
		end = sp.To
		r.Time = clock.minute(sp.From) + "–" + clock.minute(sp.To)
		if clock.day(sp.From) != clock.day(sp.To) {
			r.Time = clock.minute(sp.From) + "–" + sp.To.In(clock.zone).Format("Mon 15:04")
		}
	}
	long := end.Sub(sp.From)
	if long >= time.Minute {
		long = long.Truncate(time.Minute) // so that the page stays still
	}
	r.Status = "blind " + lasting(long)
	return r
}

// sums is a period in figures.
type sums struct {
	kept, partial, missed, spells int
	more                          bool    // there are more captures than were counted
	share                         float64 // watched, 0 to 1; below 0: not known
	first                         time.Time
}

// mostCounted bounds how many captures a page counts one by one.
const mostCounted = 1000

func (s *server) sum(ctx context.Context, p period) (sums, error) {
	out := sums{share: -1}
	q := wire.Query{Since: p.since, Until: p.now, Drive: p.drive, Limit: mostCounted + 1}
	captures, err := s.Store.Captures(ctx, q)
	if err != nil {
		return out, err
	}
	if len(captures) > mostCounted {
		captures, out.more = captures[:mostCounted], true
	}
	for _, c := range captures {
		if c.Integrity.Whole {
			out.kept++
		} else {
			out.partial++
		}
		out.first = c.Trigger.Time
	}
	misses, err := s.Store.Misses(ctx, q)
	if err != nil {
		return out, err
	}
	out.missed = len(misses)
	if n := len(misses); n > 0 && (out.first.IsZero() || misses[n-1].Time.Before(out.first)) {
		out.first = misses[n-1].Time
	}
	q.Limit = 0
	spells, err := s.Store.Spells(ctx, q)
	if err != nil {
		return out, err
	}
	out.spells = len(spells)
	out.share, err = s.watched(ctx, p)
	return out, err
}

// watched is the share of the period, over the drives asked for, that was
// watched; −1 where nothing is known.
func (s *server) watched(ctx context.Context, p period) (float64, error) {
	list, err := s.Store.Coverage(ctx, wire.Query{Since: p.since, Until: p.now, Drive: p.drive})
	if err != nil {
		return -1, err
	}
	var of, watched time.Duration
	for _, c := range list {
		of += c.Counted()
		watched += c.Total(coverage.Watched)
	}
	if of <= 0 {
		return -1, nil
	}
	return float64(watched) / float64(of), nil
}

func (t sums) words() string {
	text := plural(t.kept, "trip kept whole", "trips kept whole")
	if t.more {
		text = "more than " + text
	}
	if t.partial > 0 {
		text += " · " + plural(t.partial, "in part", "in part")
	}
	text += " · " + plural(t.missed, "missed", "missed")
	if t.spells > 0 {
		text += " · " + plural(t.spells, "blind spell", "blind spells")
	}
	if t.share >= 0 {
		text += " · watched " + coverage.Percent(t.share)
	}
	return text
}
