package modbus

import (
	"fmt"
	"time"

	"faultkeep/store/capture"
)

// incident is a trip, or a recording that was made without one, from the
// first poll that showed it until it is over. It ends kept or missed: none is
// ever forgotten.
type incident struct {
	fault     capture.Fault
	tripped   bool      // the drive showed a fault
	codeDue   bool      // but its code may still come
	named     bool      // and that was told
	earliest  time.Time // bounds of the trip by our clock; zero where unknown
	latest    time.Time
	before    capture.RecorderState // what the recorder did when the trip was first seen
	recording time.Time             // first poll that showed it recording
	notReady  time.Time             // last poll that showed it not ready yet
	ready     time.Time             // first poll that showed it ready
	lastReady time.Time             // last poll that showed it ready
	inactive  int                   // polls in a row in which no recorder was at work on it
	found     bool                  // there already when faultkeep first looked
	stopped   bool                  // seen by an earlier run, which ended before it was settled
	known     bool                  // earlier runs settled it already
	counted   bool                  // the drive counted it while faultkeep was not running
	blind     bool                  // the drive was unreachable meanwhile
	told      bool                  // kept or missed
	id        capture.ID            // of its capture, once kept
}

// unfaulted names a recording that was made while the drive showed no fault.
var unfaulted = capture.Fault{Name: "Recorded without a fault", Class: capture.ClassGeneric, Severity: capture.Info}

// fewPolls is how many polls must show a recorder that isn't at work while the
// drive is tripped until the trip counts as missed: status registers need not
// change in one instant.
const fewPolls = 3

// saw adds one poll.
func (i *incident) saw(s status) {
	switch s.State {
	case capture.Recording:
		if i.recording.IsZero() {
			i.recording = s.To
		}
	case capture.Ready:
		if i.ready.IsZero() {
			i.ready = s.To
		}
		i.lastReady = s.From
	}
	if i.ready.IsZero() {
		i.notReady = s.From
	}
}

// trigger bounds the trigger time: a recording that became ready between two
// polls triggered its after-trigger part earlier; where a trip was seen too,
// both bounds hold if they fit together (a recorder may trigger on something
// else than the trip). post is the time from the trigger to the last sample.
func (i *incident) trigger(post time.Duration) capture.Trigger {
	var t capture.Trigger
	t.Latest = i.ready.Add(-post).UTC()
	if !i.notReady.IsZero() {
		t.Earliest = i.notReady.Add(-post).UTC()
	}
	if i.tripped && !i.latest.IsZero() {
		late, early := minTime(t.Latest, i.latest.UTC()), t.Earliest
		if !i.earliest.IsZero() && i.earliest.After(early) {
			early = i.earliest.UTC()
		}
		if !late.Before(early) {
			t.Earliest, t.Latest = early, late
		}
	}
	t.Time = t.Latest
	if !t.Earliest.IsZero() {
		t.Time = t.Earliest.Add(t.Latest.Sub(t.Earliest) / 2)
	}
	return t
}

func minTime(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

const (
	lostWhileStopped = "The drive tripped, then faultkeep was stopped; when it ran again, there was no recording."
	adviceRunning    = "Keep faultkeep running, and start it with the machine."
)

// miss says why an incident left nothing, once it is over.
func (i *incident) miss(r Race) (cause capture.Cause, text, advice string) {
	switch {
	case i.stopped && i.ready.IsZero():
		return capture.CauseNotRunning, lostWhileStopped, adviceRunning
	case !i.ready.IsZero() && i.blind:
		return capture.CauseUnreachable,
			"The recording was ready, then the drive could not be reached, and when it answered again the recording was gone.",
			"Look whether the drive loses power or its network when it trips; feed both from a supply that stays."
	case !i.ready.IsZero():
		return capture.CauseReset, goneText(i.ready, i.lastReady, r), r.Advice()
	case i.blind:
		return capture.CauseUnreachable, "The drive could not be reached between the trip and the end of the fault.",
			"Look at the network and the power of the drive at that time."
	case !i.recording.IsZero():
		seen := i.recording
		if i.tripped {
			seen = i.latest
		}
		text = fmt.Sprintf("Erased while it was still recording, %s after that was seen.", seconds(time.Since(seen)))
		return capture.CauseNotReady, text, "Hold the reset back until the recorder is ready, or record less time after the trigger."
	case i.found:
		return capture.CauseNotRunning, "The drive was tripped already when faultkeep began to watch it, and holds no recording of it.",
			adviceRunning
	case i.before == capture.Idle || i.before == capture.Ready:
		return capture.CauseNotArmed, "The recorder was not armed when the drive tripped.",
			"Arm the recorder at the drive, or allow faultkeep to: arm in the map and allow: [arm] in the config."
	case i.before == capture.Armed:
		return capture.CauseNoTrigger, "The recorder stayed armed through the trip.",
			"Look at the recorder's trigger setting: it should trigger on any fault."
	}
	return capture.CauseUnknown, "The drive tripped and no recording was seen.", "Look at the recorder's settings."
}

func goneText(ready, lastReady time.Time, r Race) string {
	stood := lastReady.Sub(ready)
	text := "Erased "
	if stood <= 0 {
		text += fmt.Sprintf("within %s of being ready", seconds(r.Poll))
	} else {
		text += fmt.Sprintf("%s after it was ready", seconds(stood))
	}
	if need := r.Need(); need > 0 {
		text += fmt.Sprintf("; to keep it takes %s", seconds(need))
	}
	return text + "."
}

// seconds shows a time with as many digits as it deserves.
func seconds(d time.Duration) string {
	switch s := d.Seconds(); {
	case s < 0.0995:
		return fmt.Sprintf("%.0f ms", s*1000)
	case s < 9.95:
		return fmt.Sprintf("%.1f s", s)
	case s < 120:
		return fmt.Sprintf("%.0f s", s)
	default:
		return fmt.Sprintf("%.0f min", s/60)
	}
}
