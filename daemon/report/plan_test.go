package report_test

import (
	"math"
	"regexp"
	"strings"
	"testing"

	"faultkeep/daemon/report"
)

// Bars stand where their times are, and the picture says in words what it shows.
func TestPlanPicture(t *testing.T) {
	rows := []report.PlanRow{
		{Name: "Wanted", Text: "<8 channels>", Before: 6, After: 2, Empty: true, Stands: math.NaN()},
		{Name: "1.", Text: "a sample every 1 ms", Before: 3, After: 1, Poll: 0.25, Pull: 1, Commit: 0.25, Stands: 2},
		{Name: "2.", Text: "a sample every 2 ms", Before: 6, After: 2, Poll: 0.25, Pull: 0.5, Commit: 0.25, Stands: math.NaN()},
	}
	svg := report.PlanPicture("Settings & more", rows)
	text := wellFormed(t, svg)
	for _, want := range []string{"Settings & more", "<8 channels>", "Wanted: 6 s before and 2 s after the trigger", "needs 1.5 s, stands 2 s", "needs 1 s",
		"to keep it takes 1.5 s after it is ready, the reset comes after 2 s.", "−6 s", "+1 s"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %q", want, text)
		}
	}
	// 8 s across, the trigger at 6 of 8; the race is 2 s × 1.02 across.
	for class, want := range map[string][][2]float64{
		"blank": {{0, 100}},
		"seen":  {{37.5, 87.5}, {0, 100}, {0, 12.25}, {12.25, 61.27}, {0, 12.25}, {12.25, 36.76}},
	} {
		got := spans(t, svg, class)
		if len(got) != len(want) {
			t.Fatalf("%s: %v, want %v", class, got, want)
		}
		for i := range want {
			if !near(got[i][0], want[i][0]) || !near(got[i][1], want[i][1]) {
				t.Errorf("%s %d at %v, want %v", class, i, got[i], want[i])
			}
		}
	}
	if !regexp.MustCompile(`class="trigger" x1="75%" x2="75%"`).Match(svg) {
		t.Error("the trigger isn't at three quarters")
	}
	if n := strings.Count(string(svg), `width="2"`); n != 1 {
		t.Errorf("%d resets are drawn, one is known", n)
	}
	// Without a race, and without anything.
	if s := string(report.PlanPicture("", rows[:1])); strings.Contains(s, "From ready") {
		t.Error("a race is drawn that isn't known")
	}
	wellFormed(t, report.PlanPicture("", nil))
}
