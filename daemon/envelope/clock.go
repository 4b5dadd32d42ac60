package envelope

import (
	"math"
	"sort"

	"faultkeep/store/capture"
)

// Clock tells the time of each sample, in seconds from the trigger, and the
// sample at a time, also where the sample interval changes within the record.
type Clock struct {
	c     capture.Capture
	begin []float64 // seconds from the first sample to each stretch of one rate; nil: there is but one
	zero  float64   // seconds from the first sample to the trigger
	times []float64 // where samples carry their own; nil: they don't
	n     int
}

// clockOf is a capture's clock. A trace is sampled whenever a poll comes, so
// its first channel is the time; its timing is only the average.
func clockOf(c capture.Capture, series []capture.Series) Clock {
	k := Clock{c: c}
	for _, s := range series {
		k.n = max(k.n, len(s))
	}
	if c.Origin == capture.Trace && OwnTimes(c) && len(series) > 0 && ascends(series[0]) && len(series[0]) == k.n {
		k.times = series[0]
		return k
	}
	begin, sum := 0, 0.0
	for _, r := range c.Timing.Rates {
		k.begin = append(k.begin, sum)
		sum += float64(r.End-begin) * r.Interval
		begin = r.End
	}
	if k.begin != nil {
		k.begin = append(k.begin, sum) // where the last stretch goes on beyond the record
		k.zero = k.since(c.Trigger.Index)
	}
	return k
}

// OwnTimes tells whether the first channel of a trace is its samples' times.
func OwnTimes(c capture.Capture) bool {
	return c.Origin == capture.Trace && len(c.Channels) > 1 && c.Channels[0].Unit == "s" && c.Channels[0].Role == capture.RoleOther
}

func ascends(s capture.Series) bool {
	for i, t := range s {
		if math.IsNaN(t) || math.IsInf(t, 0) || i > 0 && t <= s[i-1] {
			return false
		}
	}
	return len(s) > 0
}

// since is what Timing.Between gives from the first sample on, without adding
// up all stretches for every sample.
func (k Clock) since(i int) float64 {
	rates := k.c.Timing.Rates
	at := sort.Search(len(rates), func(r int) bool { return i < rates[r].End })
	begin := 0
	if at > 0 {
		begin = rates[at-1].End
	}
	return k.begin[at] + float64(i-begin)*rates[min(at, len(rates)-1)].Interval
}

// Samples is how many there are of the longest channel.
func (k Clock) Samples() int { return k.n }

// At is the time of sample i in seconds from the trigger. Beyond the record
// the nearest interval goes on.
func (k Clock) At(i int) float64 {
	switch {
	case k.times != nil && i < 0:
		return k.times[0] + float64(i)*k.c.Timing.Interval
	case k.times != nil && i >= k.n:
		return k.times[k.n-1] + float64(i-k.n+1)*k.c.Timing.Interval
	case k.times != nil:
		return k.times[i]
	case k.begin != nil:
		return k.since(i) - k.zero
	}
	return float64(i-k.c.Trigger.Index) * k.c.Timing.Interval
}

// Interval that sample i stands for, in seconds.
func (k Clock) Interval(i int) float64 { return k.At(i+1) - k.At(i) }

// Even tells whether one interval holds for the whole record.
func (k Clock) Even() bool { return k.times == nil && k.begin == nil }

// Span is the whole record: from its first sample to the end of the last one's interval.
func (k Clock) Span() (from, to float64) { return k.At(0), k.At(k.n) }

// First is the first sample not before time t; the number of samples where
// every one is before it.
func (k Clock) First(t float64) int {
	dt := k.c.Timing.Interval
	if !k.Even() || !(dt > 0) {
		return sort.Search(k.n, func(i int) bool { return k.At(i) >= t })
	}
	guess := math.Ceil(t/dt) + float64(k.c.Trigger.Index)
	i := int(min(max(guess, 0), float64(k.n)))
	for i > 0 && k.At(i-1) >= t { // division rounds
		i--
	}
	for i < k.n && k.At(i) < t {
		i++
	}
	return i
}

// Nearest is the sample nearest to time t, the earlier of two; -1: there is none.
func (k Clock) Nearest(t float64) int {
	if k.n == 0 {
		return -1
	}
	i := min(k.First(t), k.n-1)
	if i > 0 && t-k.At(i-1) <= k.At(i)-t {
		i--
	}
	return i
}
