package demo

import (
	"fmt"
	"io"
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
	out    io.Writer
	width  int                   // of the column of names
	pulls  map[string]capture.ID // the pull that was told last, by drive
	dark   map[string]bool       // drives of which it was told that they aren't watched
	closed map[string]int        // captures and misses, by drive
	raised map[string]tries      // by alert
}

// tries is what became of one alert.
type tries struct {
	accepted map[string]bool // by sink
	failed   int
}

func newTeller(out io.Writer, titles []string) *teller {
	t := &teller{out: out, pulls: map[string]capture.ID{}, dark: map[string]bool{}, closed: map[string]int{}, raised: map[string]tries{}}
	for _, title := range append(titles, controlRoom) {
		t.width = max(t.width, utf8.RuneCountInString(title))
	}
	return t
}

// line writes "15:04:05.3  Bucket elevator     tripped: …".
func (t *teller) line(at time.Time, who, text string) {
	pad := strings.Repeat(" ", max(0, t.width-utf8.RuneCountInString(who)))
	fmt.Fprintf(t.out, "%s  %s%s  %s\n", clock(at), who, pad, text)
}

// saw is told of everything that a source sees or does.
func (t *teller) saw(o sources.Observation) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch o.Kind {
	case sources.SeenKept, sources.SeenMiss:
		t.closed[o.Drive]++
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
			return fmt.Sprintf("kept in part, %s after it was ready. %s", seconds(o.Took), o.Text)
		}
		return fmt.Sprintf("kept whole, %s after it was ready: %s", seconds(o.Took), o.ID)
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
	case sources.SeenTrouble:
		return "trouble: " + o.Text
	}
	return ""
}

// attempted is told of every attempt to tell somebody.
func (t *teller) attempted(a alert.Attempt) {
	t.mu.Lock()
	defer t.mu.Unlock()
	id := a.Message.Alert.ID
	if id == "" {
		return
	}
	was, ok := t.raised[id]
	if !ok {
		was.accepted = map[string]bool{}
	}
	switch a.Outcome {
	case alert.Sent:
		was.accepted[a.Sink] = true
		if a.Message.Tries > 0 {
			t.line(a.Time, a.Sink, "took the alert at another try")
		}
	case alert.Failed:
		was.failed++
		t.line(a.Time, a.Sink, fmt.Sprintf("did not take an alert: %v; told again in %s", a.Err, seconds(a.Next.Sub(a.Time))))
	case alert.Aside:
		t.line(a.Time, a.Sink, fmt.Sprintf("refused an alert for good: %v", a.Err))
	}
	t.raised[id] = was
}

// waiting notes an alert that is still in the outbox.
func (t *teller) waiting(id string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if _, ok := t.raised[id]; !ok {
		t.raised[id] = tries{}
	}
}

// alerts counts alerts, and those that every one of so many sinks accepted.
func (t *teller) alerts(sinks int) (raised, accepted int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, a := range t.raised {
		if len(a.accepted) == sinks {
			accepted++
		}
	}
	return len(t.raised), accepted
}

// ended is the number of captures and misses of a drive.
func (t *teller) ended(drive string) int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.closed[drive]
}

func sentences(text, advice string) string {
	if advice == "" {
		return text
	}
	return text + " " + advice
}

func clock(t time.Time) string { return t.Local().Format("15:04:05.0") }

// seconds shows a time with as many digits as it deserves.
func seconds(d time.Duration) string {
	switch s := d.Seconds(); {
	case s < 0.0995:
		return fmt.Sprintf("%.0f ms", s*1000)
	case s < 9.95:
		return fmt.Sprintf("%.1f s", s)
	default:
		return fmt.Sprintf("%.0f s", s)
	}
}

func size(bytes int64) string { return fmt.Sprintf("%d KiB", (bytes+1023)/1024) }
