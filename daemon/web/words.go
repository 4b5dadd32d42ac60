package web

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"faultkeep/store/capture"
)

// clock writes times in the site's zone.
type clock struct {
	zone *time.Location
	now  time.Time
}

func (s *server) clock() clock { return clock{s.Zone, s.Now()} }

func (c clock) day(t time.Time) string    { return t.In(c.zone).Format("Monday 2 January 2006") }
func (c clock) time(t time.Time) string   { return t.In(c.zone).Format("15:04:05") }
func (c clock) minute(t time.Time) string { return t.In(c.zone).Format("15:04") }

// short is a point in time as precise as a heading needs it; the year only
// where it isn't this one.
func (c clock) short(t time.Time) string {
	layout := "Mon 2 Jan 15:04"
	if t.In(c.zone).Year() != c.now.In(c.zone).Year() {
		layout = "Mon 2 Jan 2006 15:04"
	}
	return t.In(c.zone).Format(layout)
}

// exact is a time to the second with its date and its zone's offset.
func (c clock) exact(t time.Time) string {
	if t.IsZero() {
		return "not known"
	}
	return t.In(c.zone).Format("Mon 2 Jan 2006 15:04:05.000 -07:00")
}

// ago says how long ago something was, to the precision that it deserves.
func (c clock) ago(t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	d := c.now.Sub(t)
	if d < time.Second {
		return "just now"
	}
	return lasting(d.Truncate(time.Second)) + " ago"
}

// lasting is a duration in two significant steps: 1.4 s, 12 s, 3 min 20 s, 5 h 10 min, 3 d 4 h.
func lasting(d time.Duration) string {
	if d < 0 {
		return "−" + lasting(-d)
	}
	switch {
	case d < time.Second:
		return strconv.Itoa(int(d.Round(time.Millisecond)/time.Millisecond)) + " ms"
	case d < 10*time.Second:
		return trimZero(d.Seconds(), 1) + " s"
	case d < time.Minute:
		return strconv.Itoa(int(d.Seconds())) + " s"
	case d < time.Hour:
		return two(int(d.Minutes()), "min", int(d.Seconds())%60, "s")
	case d < 24*time.Hour:
		return two(int(d.Hours()), "h", int(d.Minutes())%60, "min")
	}
	return two(int(d.Hours())/24, "d", int(d.Hours())%24, "h")
}

func two(a int, unitA string, b int, unitB string) string {
	if b == 0 {
		return fmt.Sprintf("%d %s", a, unitA)
	}
	return fmt.Sprintf("%d %s %d %s", a, unitA, b, unitB)
}

func trimZero(x float64, digits int) string {
	return strings.TrimSuffix(strconv.FormatFloat(x, 'f', digits, 64), ".0")
}

// bytesText is an amount of data, in the binary units that file tools show.
func bytesText(n int64) string {
	switch {
	case n < 1<<10:
		return fmt.Sprintf("%d bytes", n)
	case n < 1<<20:
		return trimZero(float64(n)/(1<<10), 1) + " KiB"
	}
	return trimZero(float64(n)/(1<<20), 1) + " MiB"
}

// plural is a count with its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// keptAfter tells how a capture came in: "Kept whole, 1.4 s after it was ready."
func keptAfter(c capture.Capture) string {
	how := "Kept whole"
	if !c.Integrity.Whole {
		how = "Kept in part"
	}
	if ready, kept := c.Provenance.Ready, c.Kept; !ready.IsZero() && kept.After(ready) {
		how += ", " + lasting(kept.Sub(ready)) + " after it was ready"
	}
	return how + "."
}

// uncertain is a trigger's uncertainty: " ±0.13 s".
func uncertain(t capture.Trigger) string {
	u := t.Uncertainty()
	if u <= 0 {
		return ""
	}
	if u < time.Minute {
		return " ±" + strconv.FormatFloat(u.Seconds(), 'g', 2, 64) + " s"
	}
	return " ±" + lasting(u)
}

// driveWords say in a word or two what a drive's recorder is doing.
func driveWords(d DriveNow) string {
	switch {
	case !d.Reachable:
		return "unreachable"
	case d.Words != "":
		return d.Words
	case d.Pulling && d.Size > 0:
		return fmt.Sprintf("pulling, %d %%", min(99, 100*d.Done/d.Size))
	case d.Pulling:
		return "pulling"
	case d.State == capture.Unknown || d.State == "":
		return "recorder state not known"
	case d.State == capture.Idle:
		return "not armed"
	}
	return string(d.State)
}

func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".!?…") {
		return s
	}
	return s + "."
}
