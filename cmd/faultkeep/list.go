package main

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/store/capture"
)

type listCommand struct {
	dataFlag
	pick
	Limit  int  `placeholder:"N" help:"At most so many lines, the newest. 0: all."`
	Misses bool `xor:"what" help:"Also list what was missed, and when a drive wasn't watched."`
	Unread bool `xor:"what" help:"List only the files that couldn't be read, and why."`
	JSON   bool `name:"json" help:"Write JSON: a list of captures; with --misses an object of the lists captures, misses and blind_spells."`
}

// listed is what list --misses --json writes.
type listed struct {
	Captures []capture.Capture `json:"captures"`
	Misses   []capture.Miss    `json:"misses"`
	Spells   []capture.Spell   `json:"blind_spells"`
}

// Run lists captures, newest first.
func (c *listCommand) Run(ctx context.Context, out output) error {
	if c.Limit < 0 {
		return usageError{fmt.Errorf("--limit %d: write 0 or more", c.Limit)}
	}
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	q, err := c.query(time.Now(), p.zone)
	if err != nil {
		return err
	}
	all, err := c.ask(ctx, p, q)
	if err != nil {
		return err
	}
	if c.JSON && c.Misses {
		return writeJSON(out.Out, all)
	}
	if c.JSON {
		return writeJSON(out.Out, all.Captures)
	}
	lines := all.lines(p)
	if len(lines) == 0 {
		fmt.Fprintln(out.Err, c.nothing())
	}
	rows := make([][]string, len(lines))
	for i, l := range lines {
		rows[i] = l.cells
	}
	return table(out.Out, rows)
}

func (c *listCommand) query(now time.Time, zone *time.Location) (archive.Query, error) {
	q, err := c.pick.query(now, zone)
	q.Limit, q.Unread = c.Limit, c.Unread
	return q, err
}

// ask fetches the lists, cut together to the newest so many.
func (c *listCommand) ask(ctx context.Context, p place, q archive.Query) (l listed, err error) {
	if l.Captures, err = p.Captures(ctx, q); err != nil || !c.Misses {
		return l, err
	}
	if l.Misses, err = p.Misses(ctx, q); err != nil {
		return l, err
	}
	l.Spells = []capture.Spell{}
	if c.Fault == "" { // a blind spell has no fault
		if l.Spells, err = p.Spells(ctx, q); err != nil {
			return l, err
		}
	}
	if order := l.lines(p); c.Limit > 0 && len(order) > c.Limit {
		var kept [3]int
		for _, one := range order[:c.Limit] {
			kept[one.list]++
		}
		l.Captures, l.Misses, l.Spells = l.Captures[:kept[0]], l.Misses[:kept[1]], l.Spells[:kept[2]]
	}
	return l, nil
}

// line is one thing in the list, with the list that it comes from.
type line struct {
	at    time.Time
	list  int // captures, misses, spells
	cells []string
}

// lines are all lists in one, newest first. Each list keeps its own order.
func (l listed) lines(p place) []line {
	var lists [3][]line
	for _, x := range l.Captures {
		if x.Origin == capture.Unread {
			lists[0] = append(lists[0], line{x.Trigger.Time, 0, []string{stamp(x.Trigger.Time, p.zone), string(x.ID), p.name(x.Drive, x.Title), x.Provenance.Address, sentences(x.Integrity.Why)}})
			continue
		}
		lists[0] = append(lists[0], line{x.Trigger.Time, 0, []string{stamp(x.Trigger.Time, p.zone), string(x.ID), p.name(x.Drive, x.Title), x.Fault.String(), x.Wholeness()}})
	}
	for _, m := range l.Misses {
		lists[1] = append(lists[1], line{m.Time, 1, []string{stamp(m.Time, p.zone), "missed", p.name(m.Drive, m.Title), m.Fault.String(), sentences(cmp.Or(m.Text, string(m.Cause)), m.Advice)}})
	}
	for _, s := range l.Spells {
		how := "still going on"
		if !s.To.IsZero() {
			how = "for " + span(s.To.Sub(s.From))
		}
		if s.Text != "" {
			how += ": " + s.Text
		}
		lists[2] = append(lists[2], line{s.From, 2, []string{stamp(s.From, p.zone), "not watched", p.name(s.Drive, ""), cmp.Or(string(s.Cause), string(capture.CauseUnknown)), sentences(how)}})
	}
	var all []line
	for {
		newest := -1
		for i, rest := range lists {
			if len(rest) > 0 && (newest < 0 || rest[0].at.After(lists[newest][0].at)) {
				newest = i
			}
		}
		if newest < 0 {
			return all
		}
		all = append(all, lists[newest][0])
		lists[newest] = lists[newest][1:]
	}
}

// nothing says that the list is empty, and what that means.
func (c *listCommand) nothing() string {
	switch {
	case c.Unread:
		return "No unread files among those asked for."
	case c.Misses && c.pick == (pick{}):
		return "No captures, no misses, and every drive was watched."
	case c.Misses:
		return "No captures, no misses and no blind spells among those asked for."
	case c.pick == (pick{}):
		return "No captures. --misses tells whether any were missed, and when nobody was watching."
	}
	return "No captures among those asked for. --misses tells whether any were missed."
}
