package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

type ledgerCommand struct {
	dataFlag
	Drive string `placeholder:"NAME" help:"Only this drive, by its name in the config."`
	Since string `placeholder:"WHEN" default:"24h" help:"From this time on: 2026-11-24, \"2026-11-24 18:00\", 18:00 (the last one), or 36h or 7d (ago). Left out: 24h."`
	Until string `placeholder:"WHEN" help:"Before this time, written the same way. Left out: now."`
	JSON  bool   `name:"json" help:"Write JSON."`
}

// ledger is what ledger --json writes, everything in time order.
type ledger struct {
	From    time.Time       `json:"from"`
	To      time.Time       `json:"to"`
	Drives  []ledgerDrive   `json:"drives"`
	Misses  []capture.Miss  `json:"misses"`
	Entries []archive.Entry `json:"entries"` // all but the misses
}

// ledgerDrive is how one drive was watched.
type ledgerDrive struct {
	Drive   string                     `json:"drive"`
	Title   string                     `json:"title,omitempty"`
	Watched *float64                   `json:"watched"` // share of the time that is known, 0 to 1; null: none is
	Seconds map[coverage.State]float64 `json:"seconds"` // in each state; they add up to the period
	Blind   []coverage.Interval        `json:"blind_spells"`
	Drifts  []coverage.Interval        `json:"settings_not_as_wanted"`

	over coverage.Coverage
}

// Run tells what was watched, missed and written, oldest first.
func (c *ledgerCommand) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	q, err := c.query(time.Now(), p.zone)
	if err != nil {
		return err
	}
	l, err := readLedger(ctx, p, q, time.Now())
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(out.Out, l)
	}
	return l.tell(out.Out, p)
}

func (c *ledgerCommand) query(now time.Time, zone *time.Location) (q archive.Query, err error) {
	q = archive.Query{Drive: c.Drive} // without an end, so that what goes on is told as going on
	end := now
	if q.Since, err = when(c.Since, now, zone); err != nil {
		return q, err
	}
	if c.Until != "" {
		if q.Until, err = when(c.Until, now, zone); err != nil {
			return q, err
		}
		end = q.Until
	}
	if !q.Since.Before(end) {
		return q, usageError{errors.New("--since isn't before --until, so nothing lies between them")}
	}
	return q, nil
}

func readLedger(ctx context.Context, p place, q archive.Query, now time.Time) (l ledger, err error) {
	l = ledger{From: q.Since.UTC(), To: now.UTC(), Drives: []ledgerDrive{}, Entries: []archive.Entry{}}
	if !q.Until.IsZero() {
		l.To = q.Until.UTC()
	}
	list, err := p.Coverage(ctx, q)
	if err != nil {
		return l, err
	}
	for _, c := range list {
		d := ledgerDrive{Drive: c.Drive, Title: p.titles[c.Drive], Seconds: map[coverage.State]float64{}, Blind: c.Blind(), Drifts: c.Drifts, over: c}
		for _, s := range coverage.States {
			d.Seconds[s] = c.Total(s).Seconds()
		}
		if share, ok := c.Share(coverage.Watched); ok {
			d.Watched = &share
		}
		if d.Blind == nil {
			d.Blind = []coverage.Interval{}
		}
		l.Drives = append(l.Drives, d)
	}
	if l.Misses, err = p.Misses(ctx, q); err != nil {
		return l, err
	}
	slices.Reverse(l.Misses)
	entries, err := p.Ledger(ctx, q)
	if err != nil {
		return l, err
	}
	for _, e := range slices.Backward(entries) {
		if e.Kind != store.KindMissed { // the misses themselves say more
			l.Entries = append(l.Entries, e)
		}
	}
	return l, nil
}

func (l ledger) tell(w io.Writer, p place) error {
	const layout = "Mon 2 Jan 2006 15:04"
	zone := p.zone.String()
	if zone == "Local" {
		zone = l.To.In(p.zone).Format("MST")
	}
	fmt.Fprintf(w, "%s to %s, %s\n\n", l.From.In(p.zone).Format(layout), l.To.In(p.zone).Format(layout), zone)
	if len(l.Drives) == 0 {
		fmt.Fprintln(w, "No drive was watched in this time.")
	}
	steps := []func(io.Writer, place) error{l.tellShares, l.tellBlind, l.tellDrifts, l.tellEvents}
	for _, step := range steps {
		if err := step(w, p); err != nil {
			return err
		}
	}
	return nil
}

// tellShares is a line for each drive: how much of the time in which state.
func (l ledger) tellShares(w io.Writer, p place) error {
	if len(l.Drives) == 0 {
		return nil
	}
	states := coverage.States[:len(coverage.States)-1]
	head := []string{"drive"}
	for _, s := range states {
		head = append(head, string(s))
	}
	rows := [][]string{append(head, "")}
	for _, d := range l.Drives {
		row := []string{p.name(d.Drive, d.Title)}
		if d.Watched == nil {
			rows = append(rows, append(row, "not known"))
			continue
		}
		for _, s := range states {
			share, _ := d.over.Share(s)
			switch {
			case share == 0 && s != coverage.Watched:
				row = append(row, "–")
			default:
				row = append(row, coverage.Percent(share))
			}
		}
		known := ""
		if gap := d.over.Total(coverage.Unclaimed); gap > 0 {
			known = "of " + span(d.over.Counted()) + " known"
		}
		rows = append(rows, append(row, known))
	}
	return table(w, rows)
}

func (l ledger) tellBlind(w io.Writer, p place) error {
	return l.tellIntervals(w, p, "Blind spells", func(d ledgerDrive) []coverage.Interval { return d.Blind })
}

func (l ledger) tellDrifts(w io.Writer, p place) error {
	return l.tellIntervals(w, p, "Settings not as wanted", func(d ledgerDrive) []coverage.Interval { return d.Drifts })
}

func (l ledger) tellIntervals(w io.Writer, p place, title string, of func(ledgerDrive) []coverage.Interval) error {
	type one struct {
		from time.Time
		row  []string
	}
	var all []one
	for _, d := range l.Drives {
		for _, i := range of(d) {
			row := []string{i.From.In(p.zone).Format("2006-01-02"), i.When(p.zone), p.name(d.Drive, d.Title), span(i.Len())}
			if i.State.Blind() {
				row = append(row, i.Why())
			}
			all = append(all, one{i.From, append(row, i.Text)})
		}
	}
	if len(all) == 0 {
		return nil
	}
	slices.SortStableFunc(all, func(a, b one) int { return a.from.Compare(b.from) })
	rows := make([][]string, len(all))
	for k, a := range all {
		rows[k] = a.row
	}
	fmt.Fprintf(w, "\n%s\n", title)
	return table(w, rows)
}

// tellEvents is all that happened, in time order.
func (l ledger) tellEvents(w io.Writer, p place) error {
	type one struct {
		at  time.Time
		row []string
	}
	layout := "2006-01-02 15:04:05"
	_, before := l.From.In(p.zone).Zone()
	if _, after := l.To.In(p.zone).Zone(); before != after {
		layout += " MST" // an hour of it came twice
	}
	var all []one
	for _, e := range l.Entries {
		name := ""
		if e.Drive != "" {
			name = p.name(e.Drive, "")
		}
		all = append(all, one{e.Time, []string{e.Time.In(p.zone).Format(layout), e.Kind, name, e.Text}})
	}
	for _, m := range l.Misses {
		cause := "Cause: " + string(cmp.Or(m.Cause, capture.CauseUnknown))
		all = append(all, one{m.Time, []string{m.Time.In(p.zone).Format(layout), store.KindMissed, p.name(m.Drive, m.Title), sentences(m.Fault.String(), cause, m.Text, m.Advice)}})
	}
	if len(all) == 0 {
		_, err := fmt.Fprintln(w, "\nNo trip, no miss, nothing written.")
		return err
	}
	slices.SortStableFunc(all, func(a, b one) int { return a.at.Compare(b.at) })
	rows := make([][]string, len(all))
	for k, a := range all {
		rows[k] = a.row
	}
	fmt.Fprintln(w, "\nWhat happened")
	return table(w, rows)
}
