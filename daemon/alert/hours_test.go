package alert_test

import (
	"testing"
	"time"

	"faultkeep/daemon/alert"
)

// 26 November 2026 is a Thursday.
func TestHours(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		hours, at, next string // next is empty where the time lies within
	}{
		{"mon-fri 07:00-16:00", "2026-11-26 07:00", ""},
		{"mon-fri 07:00-16:00", "2026-11-26 15:59", ""},
		{"mon-fri 07:00-16:00", "2026-11-26 16:00", "2026-11-27 07:00"},
		{"mon-fri 07:00-16:00", "2026-11-27 16:00", "2026-11-30 07:00"},
		{"fri-mon 07:00-16:00", "2026-11-29 08:00", ""},
		{"fri-mon 07:00-16:00", "2026-12-01 08:00", "2026-12-04 07:00"},
		{"thu 07:00-16:00", "2026-11-26 17:00", "2026-12-03 07:00"},
		{"sat,sun 00:00-24:00", "2026-11-28 23:59", ""},
		{"sat,sun 00:00-24:00", "2026-11-30 00:00", "2026-12-05 00:00"},
		{"22:00-06:00", "2026-11-26 05:59", ""},
		{"22:00-06:00", "2026-11-26 22:00", ""},
		{"22:00-06:00", "2026-11-26 06:00", "2026-11-26 22:00"},
		{"fri 22:00-06:00", "2026-11-28 05:00", ""},                 // Friday's night ends on Saturday
		{"fri 22:00-06:00", "2026-11-27 05:00", "2026-11-27 22:00"}, // Thursday's isn't meant
		{"02:30-03:30", "2026-03-29 01:00", "2026-03-29 03:30"},     // an hour that the clock skips
		{"MON-FRI 7:00-16:00", "2026-11-26 06:59", "2026-11-26 07:00"},
	} {
		h, err := alert.ParseHours(c.hours)
		if err != nil {
			t.Errorf("%s: %v", c.hours, err)
			continue
		}
		at, _ := time.ParseInLocation("2006-01-02 15:04", c.at, oslo)
		if got := h.Holds(at); got != (c.next == "") {
			t.Errorf("%s holds at %s: %v", c.hours, c.at, got)
		}
		if c.next == "" {
			continue
		}
		if got := h.Next(at).Format("2006-01-02 15:04"); got != c.next {
			t.Errorf("%s after %s begins at %s, want %s", c.hours, c.at, got, c.next)
		}
	}
	for _, bad := range []string{"", "mon", "mon-fri", "07:00", "07:00-07:00", "7-16", "mon-fry 07:00-16:00", "25:00-26:00", "07:00-24:01", "24:00-06:00", "07:0-16:00", "-07:00-16:00", "mon fri 07:00-16:00", "+7:00-16:00"} {
		if _, err := alert.ParseHours(bad); err == nil {
			t.Errorf("%q is taken for hours", bad)
		}
	}
}
