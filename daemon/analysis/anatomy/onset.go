package anatomy

import "math"

// smoothing is how many samples to each side onsets are looked for in means of,
// in records of some hundred samples and more.
const smoothing = 2

// date finds the largest deviation of the episode from sample start on, and
// goes back from there to where the deviation was first beyond doubt. It passes
// over calm that is no longer than the way to the largest deviation: the
// zeros of an oscillation.
func (k *tracker) date(start, earliest int) {
	t := k.t
	t.peak = 0
	top := start
	for i := start; i < len(t.off); i++ {
		if v := t.dev[i]; math.Abs(v) > math.Abs(t.peak) {
			t.peak, top = v, i
		}
	}
	low := k.low()
	first, calm := top, 0
	for i := top; i >= earliest; i-- {
		if math.Abs(t.smooth(i)) >= low {
			first, calm = i, 0
		} else if calm++; calm > 2+top-first {
			break
		}
	}
	t.side = math.Copysign(1, t.smooth(first))
	t.onset = first
	t.alarm = first
	for t.alarm < top && math.Abs(t.smooth(t.alarm)) < math.Min(2*low, 0.9*math.Abs(t.peak)) {
		t.alarm++
	}
}

// begun is the share of its largest value at which a deviation is said to have
// begun, as rise times are taken from 10 %: the order of channels then depends
// on what they do, not on which is the least noisy.
const begun = 0.1

// low is the deviation that counts.
func (k *tracker) low() float64 {
	t := k.t
	return math.Min(math.Max(beyondDoubt*t.quiet, begun*math.Abs(t.peak)), 0.5*math.Abs(t.peak))
}

// smooth is the deviation at sample i as a mean over so few samples that a step
// keeps its place.
func (t *track) smooth(i int) float64 {
	half := 0
	if len(t.off) >= 200 {
		half = smoothing
	}
	sum, n := 0.0, 0
	for _, v := range t.dev[max(0, i-half):min(len(t.dev), i+half+1)] {
		if !math.IsNaN(v) {
			sum += v
			n++
		}
	}
	return sum / float64(max(n, 1))
}
