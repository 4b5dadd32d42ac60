package web

import (
	"context"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/coverage"
)

// perPage is how many things of the stream one page shows.
const perPage = 40

// overnightPage is the home page: what happened since the last visit, and how
// the drives are now.
type overnightPage struct {
	frame
	Period  string // "Tue 24 Nov 18:10 → Wed 25 Nov 06:40"
	Summary string // "4 trips kept · 1 missed · watched 99.4 %"
	Silence string // said where the stream is empty
	Blind   string // said loudly: drives that aren't watched at this moment
	Ranges  []choice
	Filter  []choice // drives
	Days    []day
	Drives  []driveRow
	Waiting string // alerts that nobody has taken yet
	Alarms  string // alarms that nobody has acknowledged
	Quiet   string // quiet times that hold now
	Unread  string // files that couldn't be read
	Older   string // address of the next page
	Newer   string
	Seen    string // what marking as seen covers, RFC 3339; empty: nothing to mark
}

type choice struct {
	Text, Href string
	Chosen     bool
}

type driveRow struct {
	Label, Href, Words, Seen, Race, Note string
	Timeline                             template.HTML // of the last day
	Watched                              string        // "watched 99.4 % of the last day"
	Flag                                 bool
	Done, Size                           int64
	Fault                                string
}

// period is the stretch of time that is asked for.
type period struct {
	name        string // the choice: visit, 24h, 7d, all
	since       time.Time
	until       time.Time // of the page: older pages end earlier
	visit       time.Time
	drive       string
	now         time.Time
	firstOfPage bool
}

func (s *server) period(ctx context.Context, v url.Values) (period, error) {
	p := period{name: v.Get("since"), drive: v.Get("drive"), now: s.Now()}
	visit, err := s.Store.Visit(ctx, whose(ctx))
	if err != nil {
		return p, err
	}
	p.visit = visit
	switch p.name {
	case "", "visit":
		p.name, p.since = "visit", visit
		if visit.IsZero() {
			p.since = p.now.Add(-24 * time.Hour)
		}
	case "24h":
		p.since = p.now.Add(-24 * time.Hour)
	case "7d":
		p.since = p.now.AddDate(0, 0, -7)
	case "all":
	default:
		return p, wire.Say(wire.ErrRequest, `"since" is one of visit, 24h, 7d, all.`)
	}
	p.until, p.firstOfPage = p.now, true
	if before := v.Get("before"); before != "" {
		p.until, err = time.Parse(time.RFC3339Nano, before)
		if err != nil {
			return p, wire.Say(wire.ErrRequest, `"before" is a time such as 2026-11-25T03:12:07Z.`)
		}
		p.firstOfPage = false
	}
	return p, nil
}

// href is the address of the home page for the period with one thing changed.
func (p period) href(key, value string) string {
	v := url.Values{}
	set := func(k, x string) {
		if k == key {
			x = value
		}
		if x != "" && (k != "since" || x != "visit") {
			v.Set(k, x)
		}
	}
	set("since", p.name)
	set("drive", p.drive)
	set("before", "")
	if len(v) == 0 {
		return "/"
	}
	return "/?" + v.Encode()
}

func (s *server) overnight(w http.ResponseWriter, r *http.Request) error {
	p, err := s.period(r.Context(), r.URL.Query())
	if err != nil {
		return err
	}
	page := overnightPage{frame: s.frame("Overnight")}
	page.Live = p.firstOfPage
	drives := s.Live.Drives()
	page.Drives, page.Blind = s.drivesNow(drives)
	if err := s.smallTimelines(r.Context(), drives, page.Drives); err != nil {
		return err
	}
	if err := s.toldNow(r.Context(), &page); err != nil {
		return err
	}
	if page.Unread, err = s.unreadNow(r); err != nil {
		return err
	}
	if r.URL.Query().Get("fragment") != "drives" {
		if err := s.fillStream(r.Context(), &page, p, drives); err != nil {
			return err
		}
	}
	s.show(w, r, http.StatusOK, "overnight.html", page)
	return nil
}

func (s *server) fillStream(ctx context.Context, page *overnightPage, p period, drives []DriveNow) error {
	got, err := s.stream(ctx, p.since, p.until, p.drive, perPage)
	if err != nil {
		return err
	}
	page.Days = got.days
	if !got.next.IsZero() {
		page.Older = p.href("before", got.next.Format(time.RFC3339Nano))
	}
	if !p.firstOfPage {
		page.Newer = p.href("before", "")
	}
	sum, err := s.sum(ctx, p)
	if err != nil {
		return err
	}
	c := s.clock()
	from := p.since
	if from.IsZero() {
		from = sum.first
	}
	if from.IsZero() {
		page.Period = "until " + c.short(p.now)
	} else {
		page.Period = c.short(from) + " → " + c.short(p.now)
	}
	page.Summary = sum.words()
	if len(page.Days) == 0 && p.firstOfPage {
		page.Silence = silence(drives, sum)
	}
	if len(page.Days) == 0 && !p.firstOfPage {
		page.Silence = "Nothing older."
	}
	if p.name == "visit" && p.drive == "" && p.firstOfPage && len(page.Days) > 0 && s.mayChange(ctx) {
		page.Seen = p.now.UTC().Format(time.RFC3339Nano)
	}
	last := "since the last visit"
	if p.visit.IsZero() {
		last = "last night"
	}
	for _, o := range [][2]string{{"visit", last}, {"24h", "24 hours"}, {"7d", "7 days"}, {"all", "all"}} {
		page.Ranges = append(page.Ranges, choice{o[1], p.href("since", o[0]), o[0] == p.name})
	}
	page.Filter = []choice{{"every drive", p.href("drive", ""), p.drive == ""}}
	known := p.drive == ""
	for _, d := range drives {
		page.Filter = append(page.Filter, choice{d.Label(), p.href("drive", d.Name), d.Name == p.drive})
		known = known || d.Name == p.drive
	}
	if !known {
		page.Filter = append(page.Filter, choice{p.drive, p.href("drive", p.drive), true})
	}
	return nil
}

// silence is what an empty stream means: it never passes for watching what wasn't.
func silence(drives []DriveNow, sum sums) string {
	if len(drives) == 0 {
		return "No drive is being watched: the config names none. Nothing can be kept until it does."
	}
	watched := 0
	for _, d := range drives {
		if d.Watched {
			watched++
		}
	}
	switch {
	case watched == 0:
		return "Nothing is kept, and no drive is watched at this moment. Trips may have gone unseen."
	case sum.share < 0:
		return "Nothing happened."
	case sum.share == 0:
		return "Nothing is kept, and nothing was watched in this time."
	case watched < len(drives):
		return "Nothing was seen, while watching " + coverage.Percent(sum.share) + " of the time. Not every drive is watched at this moment."
	}
	return "Nothing happened, and we were watching " + coverage.Percent(sum.share) + " of the time."
}

// drivesNow are the drives' rows, and a sentence on those that aren't watched.
func (s *server) drivesNow(drives []DriveNow) (rows []driveRow, blind string) {
	c := s.clock()
	var names []string
	for _, d := range drives {
		row := driveRow{Label: d.Label(), Href: "/drive/" + url.PathEscape(d.Name), Words: driveWords(d),
			Race: d.Race, Note: sentence(d.Note), Flag: d.Note != ""}
		if d.Tripped {
			row.Fault = d.Fault.String()
		}
		if d.Pulling {
			row.Done, row.Size = d.Done, d.Size
		}
		// Steady while all is well, so that the page stays still: a drive
		// polled a moment ago was seen now.
		if d.LastSeen.IsZero() {
			row.Seen = "never seen"
		} else if c.now.Sub(d.LastSeen) < 5*time.Second {
			row.Seen = "seen now"
		} else {
			row.Seen = "seen " + c.ago(d.LastSeen)
		}
		if _, lost := raceWords(d.Figures); lost {
			row.Flag = true
		}
		if !d.Watched && !d.Pulling {
			row.Flag = true
			names = append(names, d.Label())
		}
		rows = append(rows, row)
	}
	switch {
	case len(names) == 0:
	case len(names) == len(drives):
		blind = "Not watching: no drive is watched at this moment."
	case len(names) > 3:
		blind = "Not watching " + strings.Join(names[:3], ", ") + " and " + plural(len(names)-3, "other drive.", "other drives.")
	default:
		blind = "Not watching " + strings.Join(names, ", ") + "."
	}
	return rows, blind
}

// seen marks everything up to the page's own time as seen.
func (s *server) seen(w http.ResponseWriter, r *http.Request) error {
	if err := readForm(r); err != nil {
		return err
	}
	at, err := time.Parse(time.RFC3339Nano, r.PostForm.Get("until"))
	if err != nil || at.After(s.Now()) {
		return wire.Say(wire.ErrRequest, `"until" is the time up to which everything was seen; it can't lie ahead.`)
	}
	last, err := s.Store.Visit(r.Context(), whose(r.Context()))
	if err != nil {
		return err
	}
	if at.After(last) { // a page that stood open for long doesn't turn time back
		if err := s.reviewed(r.Context(), last, at); err != nil {
			return err
		}
		if err := s.Store.SetVisit(r.Context(), whose(r.Context()), at); err != nil {
			return err
		}
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}
