package modbus

import (
	"time"

	"faultkeep/sources"
	"faultkeep/store/capture"
)

// coverage is what is known of how well the drive was watched.
type coverage struct {
	begin     time.Time // of watching
	last      time.Time // last good poll; zero before the first
	previous  time.Time // the good poll before it
	condition condition
	cause     capture.Cause
}

type condition int

const (
	unseen condition = iota // nothing known yet
	watched
	blind
)

// tolerance is how long a drive may be silent until that counts as a blind
// spell: a lost answer that was asked for again at once doesn't.
func (w *watch) tolerance() time.Duration { return max(3*w.poll(), time.Second) }

// reached notes a good poll.
func (w *watch) reached(s status) {
	c := &w.cover
	since := c.last
	if since.IsZero() {
		since = c.begin
	}
	if silent := s.From.Sub(since); silent > w.tolerance() {
		w.blind(since, capture.CauseUnreachable, "No answer for "+seconds(silent)+".")
		if w.held != nil {
			w.held.sure = false
		}
	}
	c.previous, c.last = c.last, s.From
	w.show(func(n *Now) {
		n.LastSeen, n.Polled, n.Trouble = s.To.UTC(), s.To.Sub(s.From), ""
		n.Race.RoundTrip = w.line.roundTrip()
	})
	switch {
	case s.State == capture.Armed || s.State == capture.Recording,
		s.State == capture.Ready && w.held == nil:
		if c.condition != watched {
			c.condition = watched
			w.observe(sources.Observation{Kind: sources.SeenWatched, Time: s.From, State: s.State})
		}
	default:
		since := c.previous
		if since.IsZero() || c.condition == blind {
			since = s.From
		}
		text, advice := w.unarmed(s)
		w.blindAs(since, capture.CauseNotArmed, text, advice)
	}
}

// unarmed says why a recorder that could be reached isn't armed.
func (w *watch) unarmed(s status) (text, advice string) {
	switch {
	case s.State == capture.Unknown:
		return "The recorder shows a state that the map doesn't know.", "Add the number to values: of status.state in the map."
	case w.mayArm():
		return "The recorder is " + string(s.State) + ".", "faultkeep arms it as soon as it can."
	case s.State == capture.Ready:
		return "The recording is kept; the recorder isn't armed again yet.", "Arm it at the drive, or allow: [arm] in the config."
	}
	return "The recorder is " + string(s.State) + ".", "Arm it at the drive, or allow: [arm] in the config."
}

// unreachable notes a poll that failed.
func (w *watch) unreachable(err error) {
	w.show(func(n *Now) { n.Trouble = err.Error() })
	c := &w.cover
	since := c.last
	if since.IsZero() {
		since = c.begin
	}
	if w.incident != nil && c.last.Before(time.Now().Add(-w.tolerance())) {
		w.incident.blind = true
	}
	cause := capture.CauseUnreachable
	if sources.IsPermanent(err) {
		cause = capture.CauseRefused
	} else if time.Since(since) < w.tolerance() {
		return
	}
	w.blindAs(since, cause, err.Error(), "")
}

func (w *watch) blind(since time.Time, cause capture.Cause, text string) {
	w.blindAs(since, cause, text, "")
}

// blindAs begins a blind spell, or goes on with the one there is.
func (w *watch) blindAs(since time.Time, cause capture.Cause, text, advice string) {
	c := &w.cover
	if c.condition == blind && c.cause == cause {
		return
	}
	c.condition, c.cause = blind, cause
	w.observe(sources.Observation{Kind: sources.SeenBlind, Since: since.UTC(), Cause: cause, Text: text, Advice: advice})
}
