package main

import (
	"errors"
	"testing"
	"time"
	_ "time/tzdata"
)

func TestWhen(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	// The morning after the clocks went back in the night (at 03:00 on 25 Oct 2026, by EU Directive 2000/84/EC).
	now := time.Date(2026, 10, 25, 6, 40, 0, 0, oslo)
	for text, want := range map[string]time.Time{
		"2026-10-24":                time.Date(2026, 10, 24, 0, 0, 0, 0, oslo),
		"2026-10-24 18:00":          time.Date(2026, 10, 24, 18, 0, 0, 0, oslo),
		"2026-10-24T18:00:07":       time.Date(2026, 10, 24, 18, 0, 7, 0, oslo),
		"2026-10-24T18:00:00Z":      time.Date(2026, 10, 24, 18, 0, 0, 0, time.UTC),
		"2026-10-24T18:00:00+05:00": time.Date(2026, 10, 24, 13, 0, 0, 0, time.UTC),
		"06:00":                     time.Date(2026, 10, 25, 6, 0, 0, 0, oslo),
		"22:00":                     time.Date(2026, 10, 24, 22, 0, 0, 0, oslo), // last night's, not tonight's
		"24h":                       now.Add(-24 * time.Hour),
		"1d":                        time.Date(2026, 10, 24, 6, 40, 0, 0, oslo), // 25 hours ago
		"7d":                        time.Date(2026, 10, 18, 6, 40, 0, 0, oslo),
		"1d12h":                     time.Date(2026, 10, 23, 18, 40, 0, 0, oslo),
		"1h30m":                     now.Add(-90 * time.Minute),
		"0s":                        now,
	} {
		if got, err := when(text, now.UTC(), oslo); err != nil || !got.Equal(want) {
			t.Errorf("%q is %v, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "yesterday", "-3h", "-1d", "3", "2026-13-01", "2026-02-30", "25:00", "1d-2h", "99999999d", "d", "2026-10-24 18"} {
		var usage usageError
		if got, err := when(text, now, oslo); !errors.As(err, &usage) {
			t.Errorf("%q is taken for %v", text, got)
		}
	}
}
