package alert

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Hours is a stretch of the week, in local time: days, and hours of these
// days. One that ends before it begins, as in 22:00-06:00, belongs to the day
// on which it begins.
type Hours struct {
	days     [7]bool // by time.Weekday
	from, to int     // minutes after midnight; to is at most 24*60
}

var weekdays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// ParseHours reads "mon-fri 07:00-16:00", "sat,sun 00:00-24:00" or
// "22:00-06:00", which is every day.
func ParseHours(text string) (h Hours, err error) {
	fields := strings.Fields(strings.ToLower(text))
	switch len(fields) {
	case 1:
		h.days = [7]bool{true, true, true, true, true, true, true}
	case 2:
		if err := h.parseDays(fields[0]); err != nil {
			return h, err
		}
	default:
		return h, fmt.Errorf("%q isn't days and hours", text)
	}
	from, to, ok := strings.Cut(fields[len(fields)-1], "-")
	var okFrom, okTo bool
	h.from, okFrom = clock(from)
	h.to, okTo = clock(to)
	if !ok || !okFrom || !okTo || h.from == 24*60 || h.from == h.to {
		return h, fmt.Errorf("%q isn't a stretch of a day", fields[len(fields)-1])
	}
	return h, nil
}

func (h *Hours) parseDays(text string) error {
	for part := range strings.SplitSeq(text, ",") {
		first, last, isRange := strings.Cut(part, "-")
		if !isRange {
			last = first
		}
		a, b := weekday(first), weekday(last)
		if a < 0 || b < 0 {
			return fmt.Errorf("%q isn't a day or days of the week", part)
		}
		for d := a; ; d = (d + 1) % 7 {
			h.days[d] = true
			if d == b {
				break
			}
		}
	}
	return nil
}

func weekday(text string) int {
	for i, w := range weekdays {
		if text == w {
			return i
		}
	}
	return -1
}

// clock is a time of day in minutes.
func clock(text string) (int, bool) {
	hour, minute, ok := strings.Cut(text, ":")
	h, errH := strconv.ParseUint(hour, 10, 8)
	m, errM := strconv.ParseUint(minute, 10, 8)
	if !ok || errH != nil || errM != nil || len(hour) > 2 || len(minute) != 2 || m > 59 || h > 24 || h == 24 && m > 0 {
		return 0, false
	}
	return int(h)*60 + int(m), true
}

// Holds tells whether the local time lies in the hours.
func (h Hours) Holds(t time.Time) bool {
	now := t.Hour()*60 + t.Minute()
	if h.from < h.to {
		return h.days[t.Weekday()] && now >= h.from && now < h.to
	}
	return h.days[t.Weekday()] && now >= h.from || h.days[(t.Weekday()+6)%7] && now < h.to
}

// Next is when the hours begin again after a local time outside them.
func (h Hours) Next(t time.Time) time.Time {
	for day := range 8 {
		d := time.Date(t.Year(), t.Month(), t.Day()+day, h.from/60, h.from%60, 0, 0, t.Location())
		if h.days[d.Weekday()] && d.After(t) {
			return d
		}
	}
	return t // no day has any
}
