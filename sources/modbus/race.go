package modbus

import (
	"fmt"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// Race is what it takes to keep a drive's recording, against how long one
// survives. A recording is winnable if it stays readable for at least Need.
type Race struct {
	Poll        time.Duration // between two status polls
	Requests    int           // of a pull, everything included; 0: not known yet
	RoundTrip   time.Duration // measured; 0: not measured yet
	Connections int           // that share the data requests
	Took        time.Duration // the quickest whole pull so far; 0: there was none
	Commit      time.Duration // measured time of keeping
	ResetAfter  time.Duration // from the trip, by the config; 0: not given
	After       time.Duration // from the trip until the recording is ready, as far as the header tells
	Survived    time.Duration // shortest time that a recording stood so far; 0: none seen to go
}

// typicalCommit stands in until a commit was measured.
const typicalCommit = 10 * time.Millisecond

// Pull is the time to read a recording; 0 if not known yet. Round trips alone
// don't tell how long a drive takes to turn the pages of a window, so a pull
// counts for at least as long as the quickest one took.
func (r Race) Pull() time.Duration {
	n := max(1, r.Connections)
	return max(time.Duration((r.Requests+n-1)/n)*r.RoundTrip, r.Took)
}

// Need is the time for which a recording must stay readable to be kept for
// certain; 0 if not known yet.
func (r Race) Need() time.Duration {
	if r.Requests == 0 || r.RoundTrip == 0 {
		return 0
	}
	commit := r.Commit
	if commit == 0 {
		commit = typicalCommit
	}
	return r.Poll + r.Pull() + commit
}

// Margin is what is left of the shortest survival; ok is false where either
// side isn't known.
func (r Race) Margin() (margin time.Duration, ok bool) {
	if r.stands() == 0 || r.Need() == 0 {
		return 0, false
	}
	return r.stands() - r.Need(), true
}

// stands is how long a recording stands at least; 0 if not known.
func (r Race) stands() time.Duration {
	reset := r.ResetAfter
	if reset > 0 {
		reset = max(time.Millisecond, reset-r.After)
	}
	if r.Survived > 0 && (reset == 0 || r.Survived < reset) {
		return r.Survived
	}
	return reset
}

// Words is the race in a few words: "margin 2.9 s", or what is known of it.
func (r Race) Words() string {
	if margin, ok := r.Margin(); ok {
		if margin < 0 {
			return fmt.Sprintf("margin −%s", seconds(-margin))
		}
		return "margin " + seconds(margin)
	}
	if need := r.Need(); need > 0 {
		return "a pull takes " + seconds(r.Pull())
	}
	return ""
}

// Advice says what would have won a lost race.
func (r Race) Advice() string {
	need := r.Need()
	if need == 0 {
		return "Hold the automatic reset back until the recording is kept."
	}
	s := fmt.Sprintf("Hold the reset back at least %s", seconds(need))
	switch {
	case r.Connections <= 1 && r.Pull() > r.Poll:
		s += ", allow more connections or a larger window if the drive takes them, or record fewer channels"
	case r.Poll > r.Pull():
		s += ", or poll faster"
	}
	return s + "."
}

// judgeRace tells when what is known of a drive says that its recordings can't
// be kept in time, and when they can again.
func (w *watch) judgeRace() {
	r := w.Now().Race
	margin, ok := r.Margin()
	if lost := ok && margin < 0; lost != w.lostRace {
		w.lostRace = lost
		o := sources.Observation{Kind: sources.SeenRace, Text: "Recordings of this drive can be kept in time again."}
		if lost {
			o.Cause = capture.CauseReset
			o.Text = fmt.Sprintf("Recordings of this drive can't be kept in time: one stands %s, to keep it takes %s.",
				seconds(r.stands()), seconds(r.Need()))
			o.Advice = r.Advice()
		}
		w.observe(o)
	}
}

// requests counts what a pull of a recording takes: the header, the data with
// its page turns, and the checks before and after.
func requests(m *regmap.Map, header, check int, tiles []regmap.Tile) int {
	n := header + check + len(tiles)
	page := -1
	for _, t := range tiles {
		if m.Data.Layout == regmap.Window && t.Page != page {
			page = t.Page
			n++ // the page select; a look whether it shows, unless that comes with the page
			if _, fits := together(shows(m), t.Read, m.Limits); !fits {
				n++
			}
		}
	}
	step := firstCheck
	for left := len(tiles) - step; left > 0; left -= step {
		step = min(step*checkGrowth, mostToCheck)
		n += check
	}
	return n
}
