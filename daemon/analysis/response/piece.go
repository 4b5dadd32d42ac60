package response

import (
	"math"
	"slices"

	"faultkeep/store/capture"
)

// bridged is the longest gap of missing samples that is filled in: the actual
// value by a straight line, the setpoint by its last value.
const bridged = 3

// piece is a stretch of setpoint and actual value with one sample interval and
// without gaps.
type piece struct {
	set, act []float64
	dt       float64 // seconds
	begin    float64 // time of the first sample, seconds from the trigger
	first    int     // index of the first sample in the record
	ends     string  // what ends it: "the record ends"
	filled   int     // samples that were filled in
}

func (p *piece) at(i int) float64 { return p.begin + float64(i)*p.dt }

// tripped tells whether the trigger is a trip: from there on the drive doesn't
// control any more.
func tripped(c capture.Capture) bool { return c.Fault.Code != 0 || c.Fault.Name != "" }

// limit is the index after the last sample that counts, and why it is the last.
func limit(c capture.Capture, set, act capture.Series) (int, string) {
	n, why := min(len(set), len(act), max(c.Timing.Samples, 0)), "the record ends"
	if tripped(c) && c.Trigger.Index < n {
		n, why = max(c.Trigger.Index, 0), "the drive trips"
	}
	return n, why
}

// cut divides the record where the interval changes and where samples are missing.
func cut(c capture.Capture, set, act capture.Series) (out []*piece) {
	n, last := limit(c, set, act)
	rates := c.Timing.Rates
	if len(rates) == 0 {
		rates = []capture.Rate{{End: n, Interval: c.Timing.Interval}}
	}
	begin := 0
	for _, rate := range rates {
		end, why := min(rate.End, n), "the sample interval changes"
		if end == n {
			why = last
		}
		if rate.Interval > 0 && !math.IsInf(rate.Interval, 0) {
			out = append(out, runs(c, set, act, begin, end, rate.Interval, why)...)
		}
		begin = max(begin, end)
	}
	return out
}

// runs are the parts of [begin, end) without gaps that are too long to bridge.
func runs(c capture.Capture, set, act capture.Series, begin, end int, dt float64, why string) (out []*piece) {
	for i := begin; i < end; {
		for i < end && !finite(set[i], act[i]) {
			i++
		}
		start, stop, missing := i, i, 0 // stop is after the last sample that is there
		for ; i < end && i-stop <= bridged; i++ {
			if finite(set[i], act[i]) {
				missing += i - stop
				stop = i + 1
			}
		}
		if stop-start < 3 {
			i = max(i, stop)
			continue
		}
		p := &piece{set: set[start:stop], act: act[start:stop], dt: dt, begin: c.At(start), first: start, ends: "samples are missing", filled: missing}
		if stop == end {
			p.ends = why
		}
		if missing > 0 {
			p.fill()
		}
		out = append(out, p)
	}
	return out
}

// fill bridges the gaps in copies: the samples are the caller's.
func (p *piece) fill() {
	set, act := slices.Clone(p.set), slices.Clone(p.act)
	for i := 1; i < len(set); i++ {
		if finite(set[i], act[i]) {
			continue
		}
		next := i
		for !finite(set[next], act[next]) {
			next++
		}
		for k := i; k < next; k++ {
			part := float64(k-i+1) / float64(next-i+1)
			act[k] = act[i-1] + part*(act[next]-act[i-1])
			set[k] = set[i-1]
		}
		i = next
	}
	p.set, p.act = set, act
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// whyNothing says why not a single stretch is left.
func whyNothing(c capture.Capture, set, act capture.Series) string {
	n, _ := limit(c, set, act)
	switch {
	case c.Timing.Samples <= 0 || len(set) == 0 || len(act) == 0:
		return "the capture has no samples"
	case n < 3 && tripped(c):
		return "nearly the whole record lies after the trip, when the drive doesn't control any more; set the recorder to keep more from before the trigger"
	case n < 3:
		return "the record has too few samples"
	case !(c.Timing.Interval > 0) && c.Timing.Uniform():
		return "the sample interval isn't known"
	}
	return "setpoint and actual value have no samples in common"
}
