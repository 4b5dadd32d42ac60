package modbus

import (
	"fmt"

	"faultkeep/sources"
	"faultkeep/store/capture"
)

// faultCount follows the drive's own count of faults. It reveals trips that
// came and went between two polls, while nobody could look, or while
// faultkeep was not running.
type faultCount struct {
	known bool
	last  int64
	noted int64 // the last count of which everything was told; −1: never
	away  int64 // counted while faultkeep was not running, and not accounted for
	owed  int64 // counted since then, not seen by us; −1: seen before it was counted
	late  bool  // owed for a poll already: registers need not change in one instant
}

// counted is a fault of which only the count is known.
var counted = capture.Fault{Name: "Fault counted by the drive", Class: capture.ClassUnknown, Severity: capture.Alarm}

// manyMisses is the number above which trips that were only counted are told
// together: a counter that was set from outside must not flood the ledger.
const manyMisses = 20

// read takes the count that a poll shows.
func (f *faultCount) read(w *watch, s status) {
	switch {
	case s.Count < 0:
	case !f.known && w.earlier == nil: // what earlier runs knew can't be had yet
	case !f.known:
		*f = faultCount{known: true, last: s.Count, noted: w.earlier.Count}
		if f.noted >= 0 {
			f.away = max(0, s.Count-f.noted-int64(w.earlier.Trips))
		}
	case s.Count < f.last: // the counter began anew
		*f = faultCount{known: true, last: s.Count, noted: f.noted, away: f.away}
	default:
		f.owed += s.Count - f.last
		f.last = s.Count
	}
}

// account finds out which of the counted faults are seen ones; trip tells that
// one was seen just now, first that this is the first look.
func (f *faultCount) account(i *incident, s status, trip, first bool) {
	switch {
	case !f.known:
	case trip && f.away > 0:
		f.away--
		i.counted = true
	case trip && first: // it stood before: the count has it already
		i.known = f.noted >= 0
	case trip:
		f.owed--
	}
	if i == nil || i.tripped {
		return
	}
	// A recording whose fault came and went unseen: that is the one counted.
	from := &f.owed
	if f.away > 0 {
		from = &f.away
	}
	if *from > 0 {
		*from--
		i.tripped, i.named, i.counted, i.latest, i.fault = true, true, true, s.To, counted
	}
}

// tell tells the counted faults that nobody saw, and notes the count.
func (f *faultCount) tell(w *watch, s status) {
	if !f.known {
		return
	}
	if f.owed <= 0 && f.away == 0 {
		// A trip seen before its count leaves −1, which the count then levels.
		f.owed, f.late = max(f.owed, -1), false
		f.note(w, s)
		return
	}
	if !f.late {
		f.late = true
		return
	}
	f.missed(w, s, f.away, sources.Observation{Cause: capture.CauseNotRunning,
		Text: "The drive counted %s while faultkeep was not running", Advice: adviceRunning})
	f.missed(w, s, f.owed, sources.Observation{Cause: capture.CauseReset,
		Text:   "The drive counted %s that no poll showed: reset again at once, or come while the drive could not be reached",
		Advice: "Poll faster, or hold the automatic reset back."})
	f.away, f.owed, f.late = 0, min(f.owed, 0), false
	f.note(w, s)
}

// missed tells n misses: one each, in texts of their own, or all in one.
func (f *faultCount) missed(w *watch, s status, n int64, o sources.Observation) {
	o.Kind, o.Time, o.Fault = sources.SeenMiss, s.To, counted
	format := o.Text
	if n > manyMisses {
		o.Text = fmt.Sprintf(format, fmt.Sprintf("%d faults", n)) + "."
		w.observe(o)
		return
	}
	for k := range n {
		o.Text = fmt.Sprintf(format, "a fault")
		if n > 1 {
			o.Text += fmt.Sprintf(" (%d of %d)", k+1, n)
		}
		o.Text += "."
		w.observe(o)
	}
}

// note puts the count into the ledger, once a change.
func (f *faultCount) note(w *watch, s status) {
	if f.last != f.noted {
		w.observe(sources.Observation{Kind: sources.SeenCount, Time: s.To, Count: f.last})
		f.noted = f.last
	}
}
