package alert_test

import (
	"testing"
	"time"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// The first line must be understood at 3 a.m. on a phone.
func TestToldTogether(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	first, last := time.Date(2026, 11, 26, 2, 12, 7, 0, time.UTC), time.Date(2026, 11, 26, 2, 40, 0, 0, time.UTC)
	trip := capture.Alert{ID: "a", Kind: capture.KindCapture, Time: last, First: first, Drive: "bucket-elevator", Title: "Bucket elevator",
		Fault: capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1"},
		Text:  "Bucket elevator tripped: Continuous overcurrent, output 1 (2311). Kept whole, 1.4 s after it was ready."}
	blind := capture.Alert{Kind: capture.KindBlind, Time: last, First: first, Drive: "belt-3", Text: "Belt conveyor 3 is not watched: unreachable."}
	yesterday := trip
	yesterday.First = first.Add(-24 * time.Hour)
	alike := trip
	alike.Seen, alike.Since = 6, time.Date(2026, 11, 2, 23, 30, 0, 0, time.UTC)
	for _, c := range []struct {
		name string
		m    capture.Message
		want string
	}{
		{"alone", capture.Message{Alert: trip}, trip.Text},
		{"one of a family", capture.Message{Alert: alike}, trip.Text + " Looks like 5 others since 3 November."},
		{"several", capture.Message{Alert: trip, Kinds: map[capture.Kind]int{capture.KindCapture: 20, capture.KindPartial: 3, capture.KindMiss: 1}},
			"Bucket elevator tripped 24 times, Continuous overcurrent, output 1 (2311): 20 kept whole, 3 kept in part, 1 missed, between 03:12 and 03:40. The last one: " + trip.Text},
		{"over midnight", capture.Message{Alert: yesterday, Kinds: map[capture.Kind]int{capture.KindCapture: 2}},
			"Bucket elevator tripped 2 times, Continuous overcurrent, output 1 (2311): 2 kept whole, between 25 Nov 03:12 and 26 Nov 03:40. The last one: " + trip.Text},
		{"of a full outbox", capture.Message{Alert: trip, Kinds: map[capture.Kind]int{capture.KindCapture: 41}, Lost: 40},
			"Bucket elevator tripped 41 times, Continuous overcurrent, output 1 (2311): 41 kept whole, between 03:12 and 03:40. The last one: " + trip.Text +
				" Of these, 40 had messages of their own, for which the outbox had no room while nothing was taken here."},
		{"no trips", capture.Message{Alert: blind, Kinds: map[capture.Kind]int{capture.KindBlind: 7}},
			"belt-3: 7 alerts (not watched), between 03:12 and 03:40. The last one: Belt conveyor 3 is not watched: unreachable."},
		{"after a quiet time", capture.Message{Alert: trip, Fold: "quiet 3", Why: "Gearbox exchange.", Hold: last.Add(20 * time.Minute),
			Kinds: map[capture.Kind]int{capture.KindCapture: 1, capture.KindBlind: 2}},
			"In the quiet time that ended 04:00 (Gearbox exchange): one trip, kept whole, and 2 other alerts (not watched), between 03:12 and 03:40. The last one: " + trip.Text},
		{"one after a quiet time", capture.Message{Alert: trip, Fold: "quiet 3", Hold: last.Add(20 * time.Minute)},
			"In the quiet time that ended 04:00: " + trip.Text},
	} {
		if got := alert.Told(c.m, oslo).Text; got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}
