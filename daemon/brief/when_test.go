package brief_test

import (
	"testing"
	"time"

	"faultkeep/daemon/brief"
)

// A year of every zone's clock changes: each calendar day has one time, and
// walking from one to the next misses none. Zones are the IANA database's.
func TestEveryDayHasOneTime(t *testing.T) {
	for _, name := range []string{"Europe/Oslo", "UTC", "America/St_Johns", "Australia/Lord_Howe", "Africa/Cairo", "America/Asuncion", "Asia/Beirut"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range []string{"06:00", "00:00", "00:30", "02:30", "01:45", "23:59"} {
			at, err := brief.ParseAt(text)
			if err != nil {
				t.Fatal(err)
			}
			now := time.Date(2026, 1, 1, 12, 0, 0, 0, zone)
			for range 800 {
				next := at.Next(now, zone)
				if gap := next.Sub(now); gap <= 0 || gap > 26*time.Hour {
					t.Fatalf("%s, %s: after %s comes %s", name, text, now, next)
				}
				for _, d := range []time.Duration{0, time.Second, 20 * time.Hour} {
					if got := at.Last(next.Add(d), zone); !got.Equal(next) {
						t.Fatalf("%s, %s: %s after %s the last one is %s", name, text, d, next, got)
					}
				}
				if got := at.Last(next.Add(-1), zone); !got.Before(next) || next.Sub(got) > 26*time.Hour {
					t.Fatalf("%s, %s: before %s the last one is %s", name, text, next, got)
				}
				now = next
			}
			// 800 days later, none left out and none twice.
			if want := time.Date(2026, 1, 1+800, 12, 0, 0, 0, zone); now.Sub(want).Abs() > 13*time.Hour {
				t.Errorf("%s, %s: after 800 times it is %s, want the day of %s", name, text, now, want)
			}
		}
	}
}

// Both changes of 2026 in Oslo: 29 March at 02:00 and 25 October at 03:00
// (Directive 2000/84/EC; the days from the IANA time zone database).
func TestClockChangesInOslo(t *testing.T) {
	zone := oslo(t)
	six, _ := brief.ParseAt("06:00")
	for _, x := range []struct{ after, want string }{
		{"2026-03-28T06:00:00+01:00", "2026-03-29T06:00:00+02:00"}, // 23 hours later
		{"2026-03-29T06:00:00+02:00", "2026-03-30T06:00:00+02:00"},
		{"2026-10-24T06:00:00+02:00", "2026-10-25T06:00:00+01:00"}, // 25 hours later
		{"2026-10-25T06:00:00+01:00", "2026-10-26T06:00:00+01:00"},
	} {
		after, _ := time.Parse(time.RFC3339, x.after)
		if got := six.Next(after, zone).Format(time.RFC3339); got != x.want {
			t.Errorf("after %s comes %s, want %s", x.after, got, x.want)
		}
	}
	for _, wrong := range []string{"", "6", "24:00", "06:60", "06:00:00", "six", "6am", "-1:00"} {
		if at, err := brief.ParseAt(wrong); err == nil {
			t.Errorf("%q is %v", wrong, at)
		}
	}
}
