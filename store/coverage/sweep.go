package coverage

import (
	"cmp"
	"slices"
	"time"

	"faultkeep/store/capture"
)

// The years that durations can be reckoned over without overflow.
var (
	earliest = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2260, 1, 1, 0, 0, 0, 0, time.UTC)
)

// within is a time in these years, by the wall clock alone.
func within(t time.Time) time.Time {
	switch {
	case t.Before(earliest):
		return earliest
	case t.After(latest):
		return latest
	}
	return t.Round(0).UTC()
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// layers are spells as intervals that end at now at the latest. Those that
// last no time are left out.
func layers(spells []capture.Spell, now time.Time, state func(capture.Spell) State) []Interval {
	var out []Interval
	for _, sp := range spells {
		i := Interval{From: within(sp.From), To: now, State: state(sp), Cause: sp.Cause, Text: sp.Text, Since: within(sp.From), Open: sp.To.IsZero()}
		if !i.Open {
			i.To = earlier(now, within(sp.To))
		}
		if i.From.Before(i.To) {
			out = append(out, i)
		}
	}
	return out
}

// sweep goes through [from, to) and says for each moment what holds: nothing
// outside base; there, the worst of over that covers it, or else base's state.
func sweep(from, to time.Time, base, over []Interval) []Interval {
	points := []time.Time{from, to}
	for _, list := range [][]Interval{base, over} {
		slices.SortFunc(list, func(a, b Interval) int { return a.From.Compare(b.From) })
		for _, i := range list {
			for _, t := range []time.Time{i.From, i.To} {
				if t.After(from) && t.Before(to) {
					points = append(points, t)
				}
			}
		}
	}
	slices.SortFunc(points, time.Time.Compare)
	points = slices.CompactFunc(points, time.Time.Equal)

	out := []Interval{}
	under, above := active{rest: base}, active{rest: over}
	for k := range len(points) - 1 {
		now := Interval{State: Unclaimed}
		known, blind := under.at(points[k]), above.at(points[k])
		if len(known) > 0 {
			now = Interval{State: known[0].State}
			if len(blind) > 0 {
				now = slices.MaxFunc(blind, worse)
			}
		}
		now.From, now.To = points[k], points[k+1]
		if n := len(out); n > 0 && out[n-1].continues(now) {
			out[n-1].To = now.To
			continue
		}
		out = append(out, now)
	}
	return out
}

// worse orders intervals that cover the same moment: the worse state, then
// the later spell, wins.
func worse(a, b Interval) int {
	return cmp.Or(a.State.rank()-b.State.rank(), a.Since.Compare(b.Since), a.To.Compare(b.To), cmp.Compare(a.Cause, b.Cause), cmp.Compare(a.Text, b.Text))
}

// active follows which of the intervals, ascending by From, cover a moment
// that only moves on.
type active struct {
	rest []Interval
	on   []Interval
}

func (a *active) at(t time.Time) []Interval {
	for len(a.rest) > 0 && !a.rest[0].From.After(t) {
		a.on = append(a.on, a.rest[0])
		a.rest = a.rest[1:]
	}
	a.on = slices.DeleteFunc(a.on, func(i Interval) bool { return !i.To.After(t) })
	return a.on
}
