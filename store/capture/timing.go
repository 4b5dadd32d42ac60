package capture

import "sort"

// Timing tells how many samples each channel has and how far apart they are.
type Timing struct {
	Samples  int     `json:"samples"`
	Interval float64 `json:"interval_s"`      // sample interval in seconds; with Rates, the shortest of theirs
	Rates    []Rate  `json:"rates,omitempty"` // only where the interval changes within the record
}

// Rate is a stretch of a record with one sample interval: each of its samples
// is followed by the next after Interval.
type Rate struct {
	End      int     `json:"end"`        // index after the stretch's last sample, ascending; the last one's is Timing.Samples
	Interval float64 `json:"interval_s"` // seconds
}

// Duration of the record in seconds: every sample stands for one interval.
func (t Timing) Duration() float64 {
	if len(t.Rates) == 0 {
		return float64(t.Samples) * t.Interval
	}
	return t.since(t.Samples)
}

// Between is the time in seconds from sample i to sample j, negative where j
// comes first.
func (t Timing) Between(i, j int) float64 {
	if len(t.Rates) == 0 {
		return float64(j-i) * t.Interval
	}
	return t.since(j) - t.since(i)
}

// Uniform tells whether one interval holds for the whole record.
func (t Timing) Uniform() bool { return len(t.Rates) == 0 }

// since is the sum of the intervals of the samples before index i. Beyond the
// record the nearest stretch goes on.
func (t Timing) since(i int) float64 {
	sum, begin := 0.0, 0
	for _, r := range t.Rates {
		if i < r.End {
			break
		}
		sum += float64(r.End-begin) * r.Interval
		begin = r.End
	}
	at := sort.Search(len(t.Rates)-1, func(k int) bool { return i < t.Rates[k].End })
	return sum + float64(i-begin)*t.Rates[at].Interval
}

// At is the time of sample i in seconds from the trigger sample.
func (c Capture) At(i int) float64 { return c.Timing.Between(c.Trigger.Index, i) }
