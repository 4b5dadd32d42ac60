package delimited

import (
	"fmt"
	"math"
	"strconv"

	"faultkeep/store/capture"
)

// mostRates is how many stretches of one sample interval a record may have;
// with more of them the time column is unsteady rather than switched.
const mostRates = 64

// timingOf finds the sample intervals in the samples' times, in seconds,
// ascending; step is the time that the last digit of a written one stands for.
// warning is not empty where the times fit no intervals.
func timingOf(times []float64, step float64) (t capture.Timing, warning string, err error) {
	n := len(times)
	t.Samples = n
	if n < 2 {
		return t, "", fmt.Errorf("one row tells no sample interval")
	}
	span := times[n-1] - times[0]
	if span <= 0 {
		return t, "", fmt.Errorf("the time column stands still")
	}
	slack := step*1.001 + span*1e-12
	if mean := span / float64(n-1); even(times, times[0], mean, slack) {
		t.Interval = tidy(mean, slack/float64(n-1))
		return t, "", nil
	}
	if rates := stretches(times, slack); rates != nil {
		t.Rates, t.Interval = rates, rates[0].Interval
		for _, r := range rates {
			t.Interval = min(t.Interval, r.Interval)
		}
		return t, "", nil
	}
	least, most := math.Inf(1), 0.0
	for i := 1; i < n; i++ {
		least, most = min(least, times[i]-times[i-1]), max(most, times[i]-times[i-1])
	}
	t.Interval = span / float64(n-1)
	return t, fmt.Sprintf("The samples' times are uneven: from %s to %s apart. They are taken as %s apart, which is the mean.",
		seconds(least), seconds(most), seconds(t.Interval)), nil
}

// even tells whether the times lie on a grid.
func even(times []float64, from, interval, slack float64) bool {
	for i, v := range times {
		if math.Abs(v-from-float64(i)*interval) > slack {
			return false
		}
	}
	return true
}

// stretches cuts the record where its interval changes; nil where that is too often.
func stretches(times []float64, slack float64) (out []capture.Rate) {
	for begin := 0; begin < len(times)-1; {
		interval := times[begin+1] - times[begin]
		end := begin + 2
		for end < len(times) {
			better := (times[end] - times[begin]) / float64(end-begin)
			if math.Abs(times[end]-times[end-1]-interval) > 2*slack || !even(times[begin:min(end+1, begin+64)], times[begin], better, slack) {
				break
			}
			interval = better
			end++
		}
		if interval <= 0 || len(out) == mostRates {
			return nil
		}
		// Each sample of a stretch is followed by the next after its interval: the last one belongs to the next stretch.
		out = append(out, capture.Rate{End: end - 1, Interval: tidy(interval, slack/float64(end-1-begin))})
		begin = end - 1
	}
	out[len(out)-1].End = len(times)
	return out
}

// tidy is the number with the fewest digits that is as near.
func tidy(v, slack float64) float64 {
	for digits := 1; digits < 12; digits++ {
		short, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64)
		if math.Abs(short-v) <= slack {
			return short
		}
	}
	return v
}

// seconds shows a time.
func seconds(s float64) string {
	switch {
	case s < 1e-3:
		return strconv.FormatFloat(s*1e6, 'g', 4, 64) + " µs"
	case s < 1:
		return strconv.FormatFloat(s*1e3, 'g', 4, 64) + " ms"
	}
	return strconv.FormatFloat(s, 'g', 4, 64) + " s"
}
