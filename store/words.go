package store

import (
	"fmt"
	"time"

	"faultkeep/store/capture"
)

// alertOf is the alert about a capture being kept.
func alertOf(c capture.Capture) capture.Alert {
	a := capture.Alert{
		Kind:     capture.KindCapture,
		Time:     c.Trigger.Time,
		Severity: c.Fault.Severity,
		Site:     c.Site,
		Drive:    c.Drive,
		Title:    c.Title,
		Fault:    c.Fault,
		Capture:  c.ID,
	}
	if a.Time.IsZero() {
		a.Time = c.Kept
	}
	if a.Severity == "" {
		a.Severity = capture.Info
		if c.Fault != (capture.Fault{}) {
			a.Severity = capture.Warning
		}
	}
	if !c.Integrity.Whole {
		a.Kind = capture.KindPartial
		if a.Severity.Rank() < capture.Warning.Rank() {
			a.Severity = capture.Warning
		}
	}
	a.ID = string(c.ID) + "/" + string(a.Kind)
	a.Text = sentence(c)
	return a
}

// sentence tells of a capture: "Bucket elevator tripped: Continuous
// overcurrent, output 1 (2311). Kept whole, 1.4 s after it was ready."
func sentence(c capture.Capture) string {
	if c.Origin == capture.Unread {
		return fmt.Sprintf("A file of %s could not be read. Its bytes are kept: %s", c.Name(), endStop(c.Integrity.Why))
	}
	what := c.Name() + " made a recording without a fault code."
	if c.Fault != (capture.Fault{}) {
		what = fmt.Sprintf("%s tripped: %s.", c.Name(), c.Fault)
	}
	after := ""
	if c.Provenance.Ready.Before(c.Kept) && !c.Provenance.Ready.IsZero() {
		after = ", " + seconds(c.Kept.Sub(c.Provenance.Ready)) + " after it was ready"
	}
	if c.Integrity.Whole {
		return what + " Kept whole" + after + "."
	}
	span := "without the trigger"
	if _, _, ok := c.Span(); ok {
		span = c.Wholeness()[len("partial, "):] + " around the trigger"
	}
	if len(c.Integrity.Have) == 0 {
		span = "without samples"
	}
	return fmt.Sprintf("%s Kept in part, %s%s: %s", what, span, after, endStop(c.Integrity.Why))
}

func endStop(s string) string {
	if s == "" {
		return "it isn't known why."
	}
	switch s[len(s)-1] {
	case '.', '!', '?':
		return s
	}
	return s + "."
}

// seconds gives a duration with as many digits as it deserves.
func seconds(d time.Duration) string {
	switch {
	case d < 100*time.Millisecond:
		return fmt.Sprintf("%d ms", d.Milliseconds())
	case d < time.Second:
		return fmt.Sprintf("%.2f s", d.Seconds())
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}
