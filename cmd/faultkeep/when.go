package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// whenHelp tells how a time can be written on the command line.
const whenHelp = `as 2026-11-24, "2026-11-24 18:00", 18:00 (the last one), or 36h, 7d or 7d12h (ago)`

// when reads a time as people write it: in the site's zone, or how long ago.
func when(text string, now time.Time, zone *time.Location) (time.Time, error) {
	now = now.In(zone)
	if t, ok := ago(text, now); ok {
		return t, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	for _, layout := range []string{"2006-01-02", "2006-01-02 15:04", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return t, nil
		}
	}
	if t, err := time.Parse("15:04", text); err == nil {
		y, m, d := now.Date()
		at := time.Date(y, m, d, t.Hour(), t.Minute(), 0, 0, zone)
		if at.After(now) { // in the morning, 22:00 is last night's
			at = time.Date(y, m, d-1, t.Hour(), t.Minute(), 0, 0, zone)
		}
		return at, nil
	}
	return time.Time{}, usageError{fmt.Errorf("%q is no time; write it %s", text, whenHelp)}
}

// ago reads "36h", "7d" or "7d12h". A day is a calendar day, whatever the
// clocks did in it.
func ago(text string, now time.Time) (time.Time, bool) {
	rest := text
	if days, after, ok := strings.Cut(text, "d"); ok {
		n, err := strconv.ParseUint(days, 10, 16)
		if err != nil {
			return now, false
		}
		now, rest = now.AddDate(0, 0, -int(n)), after
	}
	if rest == "" {
		return now, text != ""
	}
	d, err := time.ParseDuration(rest)
	return now.Add(-d), err == nil && d >= 0
}
