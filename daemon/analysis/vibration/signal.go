package vibration

import (
	"math"

	"faultkeep/store/capture"
)

// signal is the longest stretch of a channel with one sample interval and
// without missing samples; of a trip, before it.
type signal struct {
	channel capture.Channel
	index   int // of the channel
	x       []float64
	dt      float64 // seconds
	begin   float64 // time of the first sample, seconds from the trigger
	first   int     // its index in the record
	most    float64 // largest size of a sample
}

func (s *signal) name() string     { return s.channel.Name }
func (s *signal) at(i int) float64 { return s.begin + float64(i)*s.dt }

// tripped tells whether the trigger is a trip: what comes after it is the
// machine running down, not the machine running.
func tripped(c capture.Capture) bool { return c.Fault.Code != 0 || c.Fault.Name != "" }

// signalsOf are the channels that can be looked at; left says which can't and
// why, by reason, and why what is lacking where none can.
func signalsOf(c capture.Capture, series []capture.Series) (out []*signal, left []string, why string) {
	longest := 0
	var short, still []string
	for i, ch := range c.Channels {
		if i >= len(series) || ch.Digital() || ch.Role == capture.RoleSetpoint {
			continue
		}
		s := stretch(c, series[i])
		longest = max(longest, len(s.x))
		if len(s.x) < least {
			short = append(short, ch.Name)
			continue
		}
		s.channel, s.index = ch, i
		low, high := s.x[0], s.x[0]
		for _, v := range s.x {
			low, high = min(low, v), max(high, v)
		}
		if s.most = math.Max(math.Abs(low), math.Abs(high)); low < high {
			out = append(out, s)
		} else {
			still = append(still, ch.Name)
		}
	}
	if len(short) > 0 {
		left = append(left, list(short)+": fewer than 512 samples in a row, which give no spectrum worth the name")
	}
	if len(still) > 0 {
		left = append(left, list(still)+": constant, so there is nothing that could oscillate")
	}
	switch {
	case len(out) > 0:
		return out, left, ""
	case longest >= least:
		return nil, nil, "the channels are constant, so there is nothing that could oscillate"
	case tripped(c):
		return nil, nil, "no channel has 512 samples in a row from before the trip, fewer give no spectrum worth the name; set the recorder to keep more from before the trigger"
	}
	return nil, nil, "no channel has 512 samples in a row, fewer give no spectrum worth the name"
}

// stretch finds the longest run of finite samples within one sample interval.
func stretch(c capture.Capture, x capture.Series) *signal {
	n := min(len(x), max(c.Timing.Samples, 0))
	if tripped(c) {
		n = max(0, min(n, c.Trigger.Index))
	}
	rates := c.Timing.Rates
	if len(rates) == 0 {
		rates = []capture.Rate{{End: n, Interval: c.Timing.Interval}}
	}
	best, begin := &signal{}, 0
	for _, rate := range rates {
		end := min(rate.End, n)
		if !(rate.Interval > 0) || rate.Interval > 1e9 {
			begin = max(begin, end)
			continue
		}
		for i := begin; i < end; {
			start := i
			for i < end && !math.IsNaN(x[i]) && math.Abs(x[i]) < 1e100 {
				i++
			}
			if i-start > len(best.x) {
				best = &signal{x: x[start:i], dt: rate.Interval, first: start, begin: c.At(start)}
			}
			i = max(i, start+1)
		}
		begin = max(begin, end)
	}
	return best
}
