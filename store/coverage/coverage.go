// Package coverage says how well a drive was watched: pure functions from what
// the ledger knows (when a drive was in the config, its blind spells, the last
// sign of life) to intervals and shares that add up exactly to the period
// asked for. Plain values, no I/O.
package coverage

import (
	"slices"
	"time"

	"faultkeep/store/capture"
)

// State is how well a drive was watched.
type State string

// The states. Whatever the period, every moment of it is in exactly one.
const (
	Watched     State = "watched"     // reachable, its recorder armed (or recording, or ready)
	NotArmed    State = "not armed"   // reachable, its recorder not armed
	Unreachable State = "unreachable" // its recorder could not be read; the cause says more
	NotRunning  State = "not running" // faultkeep itself was not running
	Unclaimed   State = "not known"   // not in the config, or not yet; no part of any share
)

// Drifted is the state of the intervals in Coverage.Drifts, which lie over the others.
const Drifted State = "settings not as wanted"

// States from best to worst; the one of which nothing is claimed last.
var States = []State{Watched, NotArmed, Unreachable, NotRunning, Unclaimed}

// rank orders the states of overlapping spells; the worst wins.
func (s State) rank() int { return slices.Index(States, s) }

// Blind tells whether a trip could have gone unseen in this state.
func (s State) Blind() bool { return s == NotArmed || s == Unreachable || s == NotRunning }

// Of is the state that a blind spell of this cause means.
func Of(cause capture.Cause) State {
	switch cause {
	case capture.CauseNotArmed:
		return NotArmed
	case capture.CauseNotRunning:
		return NotRunning
	}
	return Unreachable
}

// Facts are what the ledger knows of one drive. Its spells may come in any
// order, overlap, or end before they begin: clocks jump.
type Facts struct {
	Drive string
	Known []capture.Spell // when the drive was in the config; To zero: still is
	Blind []capture.Spell // To zero: still going on
	Drift []capture.Spell // when its settings weren't the wanted ones
	Alive time.Time       // the last sign of life; after it faultkeep was not running
	Now   time.Time       // after it nothing is known
}

// Interval is a stretch of time in one state.
type Interval struct {
	From  time.Time     `json:"from"`
	To    time.Time     `json:"to"`
	State State         `json:"state"`
	Cause capture.Cause `json:"cause,omitempty"`
	Text  string        `json:"text,omitempty"`
	Since time.Time     `json:"since,omitzero"` // when the spell really began, even before the period
	Open  bool          `json:"open,omitempty"` // it reaches to now and goes on
}

// Len is how long the interval lasts.
func (i Interval) Len() time.Duration { return i.To.Sub(i.From) }

// continues tells whether next is the same spell going on.
func (i Interval) continues(next Interval) bool {
	return i.To.Equal(next.From) && i.State == next.State && i.Cause == next.Cause && i.Text == next.Text &&
		i.Since.Equal(next.Since) && i.Open == next.Open
}

// Coverage is how well one drive was watched over the period [From, To).
type Coverage struct {
	Drive     string     `json:"drive"`
	From      time.Time  `json:"from"`
	To        time.Time  `json:"to"`
	Intervals []Interval `json:"intervals"` // ascending, without gap or overlap, from From to To
	Drifts    []Interval `json:"drifts"`    // when the settings weren't as wanted, whatever the state
}

// Over is the coverage of the period [from, to). A zero from means since the
// drive was first known, a zero to until now. Periods that touch give
// intervals that touch: how a time is cut into periods changes nothing.
func (f Facts) Over(from, to time.Time) Coverage {
	now := within(f.Now)
	if to.IsZero() {
		to = now
	}
	to = within(to)
	if from.IsZero() {
		from = to
		for _, k := range f.Known {
			from = earlier(from, k.From)
		}
	}
	from = earlier(within(from), to)

	known := layers(f.Known, now, func(capture.Spell) State { return Watched })
	blind := layers(f.Blind, now, func(sp capture.Spell) State { return Of(sp.Cause) })
	if alive := within(f.Alive); alive.Before(now) {
		blind = append(blind, Interval{From: alive, To: now, State: NotRunning, Cause: capture.CauseNotRunning, Since: alive, Open: true})
	}
	c := Coverage{Drive: f.Drive, From: from, To: to, Intervals: sweep(from, to, known, blind), Drifts: []Interval{}}
	for _, d := range sweep(from, to, known, layers(f.Drift, now, func(capture.Spell) State { return Drifted })) {
		if d.State == Drifted {
			c.Drifts = append(c.Drifts, d)
		}
	}
	for _, list := range [][]Interval{c.Intervals, c.Drifts} {
		for k := range list {
			list[k].Open = list[k].Open && list[k].To.Equal(now)
		}
	}
	return c
}

// Total is how much of the period was spent in a state.
func (c Coverage) Total(s State) (d time.Duration) {
	for _, i := range c.Intervals {
		if i.State == s {
			d += i.Len()
		}
	}
	return d
}

// Counted is how much of the period shares are of: all but what isn't known.
func (c Coverage) Counted() time.Duration { return c.To.Sub(c.From) - c.Total(Unclaimed) }

// Share of the time that is counted in a state, 0 to 1; ok is false where
// nothing is counted.
func (c Coverage) Share(s State) (share float64, ok bool) {
	of := c.Counted()
	if of <= 0 {
		return 0, false
	}
	return float64(c.Total(s)) / float64(of), true
}

// Blind are the intervals in which a trip could have gone unseen.
func (c Coverage) Blind() (out []Interval) {
	for _, i := range c.Intervals {
		if i.State.Blind() {
			out = append(out, i)
		}
	}
	return out
}
