package report

import (
	"math"
	"testing"

	"faultkeep/store/capture"
)

// Positions and times are each other's inverse where the sample interval changes.
func TestViewOfSeveralRates(t *testing.T) {
	c := capture.Capture{Timing: capture.Timing{Samples: 10, Interval: 0.001, Rates: []capture.Rate{{End: 4, Interval: 0.001}, {End: 10, Interval: 0.1}}},
		Trigger: capture.Trigger{Index: 2}}
	v := newView(c, 10, 0, 0, 100)
	for i := range 10 {
		if at := v.seconds(float64(i) + 0.5); math.Abs(at-c.At(i)) > 1e-12 {
			t.Errorf("sample %d stands at %g s, it is at %g s", i, at, c.At(i))
		}
		if p := v.position(c.At(i)); math.Abs(p-float64(i)-0.5) > 1e-9 {
			t.Errorf("the time of sample %d is at position %g", i, p)
		}
	}
	if p := v.position(c.At(5) + 0.05); math.Abs(p-6) > 1e-9 {
		t.Errorf("between samples 5 and 6: %g", p)
	}
	if v := newView(c, 10, c.At(3), c.At(8), 100); v.from != 3.5 || v.to != 8.5 {
		t.Errorf("shows %g to %g", v.from, v.to)
	}
}
