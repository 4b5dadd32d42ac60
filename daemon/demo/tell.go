package demo

import (
	"fmt"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"faultkeep/daemon/alert"
	"faultkeep/sources"
	"faultkeep/store/capture"
)

// teller writes a line for each thing that happens. It is called from the
// goroutines of every drive and sink.
type teller struct {
	mu     sync.Mutex
	lines  *lines
	width  int                   // of the column of names
	pulls  map[string]capture.ID // the pull that was told last, by drive
	dark   map[string]bool       // drives of which it was told that they aren't watched
	raised map[string]tries      // by alert
}

// tries are the sinks that accepted one alert.
type tries map[string]bool

func newTeller(out *lines, drives []*Simulated) *teller {
	t := &teller{lines: out, pulls: map[string]capture.ID{}, dark: map[string]bool{}, raised: map[string]tries{},
		width: utf8.RuneCountInString(controlRoom)}
	for _, d := range drives {
		t.width = max(t.width, utf8.RuneCountInString(d.Name()))
	}
	return t
}

// line writes "15:04:05.3  Bucket elevator     tripped: …".
func (t *teller) line(at time.Time, who, text string) {
	pad := strings.Repeat(" ", max(0, t.width-utf8.RuneCountInString(who)))
	t.lines.add(fmt.Sprintf("%s  %s%s  %s\n", clock(at), who, pad, text))
}

// saw is told of everything that a source sees or does.
func (t *teller) saw(o sources.Observation) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch o.Kind {
	case sources.SeenPulling:
		if t.pulls[o.Drive] == o.ID {
			return // progress of a pull that was told
		}
		t.pulls[o.Drive] = o.ID
	case sources.SeenBlind:
		if o.Cause == capture.CauseNotArmed {
			return // told by what follows: armed again, or not armed
		}
		t.dark[o.Drive] = true
	case sources.SeenWatched:
		if dark, known := t.dark[o.Drive]; known && !dark {
			return
		}
		t.dark[o.Drive] = false
	}
	if text := words(o); text != "" {
		at := o.Time
		if o.Kind == sources.SeenMiss {
			at = time.Now() // its own time is that of the trip
		}
		t.line(at, o.Title, text)
	}
}

func words(o sources.Observation) string {
	switch o.Kind {
	case sources.SeenTrip:
		return "tripped: " + o.Fault.String()
	case sources.SeenCleared:
		return "fault gone"
	case sources.SeenPulling:
		return fmt.Sprintf("pulling %s", size(o.Size))
	case sources.SeenKept:
		if o.Partial {
			return fmt.Sprintf("kept in part, %s after it was ready. %s", short(o.Took), o.Text)
		}
		return fmt.Sprintf("kept whole, %s after it was ready: %s", short(o.Took), o.ID)
	case sources.SeenArmed:
		return "armed again"
	case sources.SeenNotArm:
		return "not armed: " + sentences(o.Text, o.Advice)
	case sources.SeenMiss:
		return "missed: " + sentences(o.Text, o.Advice)
	case sources.SeenBlind:
		return "not watched: " + sentences(o.Text, o.Advice)
	case sources.SeenWatched:
		return "watched"
	case sources.SeenDrift:
		return "settings are not the wanted ones: " + o.Text
	case sources.SeenRace:
		return "the race: " + sentences(o.Text, o.Advice)
	case sources.SeenTrouble:
		return "trouble: " + o.Text
	}
	return ""
}

// happened is told of what the drives know; what the daemon sees of it by
// itself isn't told twice.
func (t *teller) happened(e Event) {
	if e.Kind != EventPowerCut && e.Kind != EventPowerBack {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.line(e.Time, e.Drive.Name(), "("+e.Words("")+")")
}

// attempted is told of every attempt to tell somebody.
func (t *teller) attempted(a alert.Attempt) {
	t.mu.Lock()
	defer t.mu.Unlock()
	id := a.Message.Alert.ID
	if id == "" {
		return
	}
	if t.raised[id] == nil {
		t.raised[id] = tries{}
	}
	switch a.Outcome {
	case alert.Sent:
		t.raised[id][a.Sink] = true
		if n := a.Message.Tries; n > 0 {
			t.line(a.Time, a.Sink, fmt.Sprintf("took the alert of %s at try %d", clock(a.Message.Alert.Time), n+1))
		}
	case alert.Failed:
		t.line(a.Time, a.Sink, fmt.Sprintf("did not take the alert of %s: %v; told again in %s", clock(a.Message.Alert.Time), a.Err,
			short(a.Next.Sub(a.Time))))
	case alert.Aside:
		t.line(a.Time, a.Sink, fmt.Sprintf("refused the alert of %s for good: %v", clock(a.Message.Alert.Time), a.Err))
	}
}

// waiting notes an alert that is still in the outbox.
func (t *teller) waiting(id string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.raised[id] == nil {
		t.raised[id] = tries{}
	}
}

// alerts counts alerts, and those that every one of so many sinks accepted.
func (t *teller) alerts(sinks int) (raised, accepted int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, by := range t.raised {
		if len(by) == sinks {
			accepted++
		}
	}
	return len(t.raised), accepted
}

func size(bytes int64) string { return fmt.Sprintf("%d KiB", (bytes+1023)/1024) }
