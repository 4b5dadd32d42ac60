// Package report draws captures: pure functions from a capture and its
// samples to SVG. Colours and line styles come from CSS classes (see CSS), so
// that one picture suits paper and slate, and pages may forbid inline styles.
//
// Horizontal positions are percentages and curves sit in a stretchable inner
// picture, so a picture fills whatever width it is given without a script and
// without shrinking its text.
package report

import (
	_ "embed"
	"math"
	"slices"
	"sort"

	"faultkeep/store/capture"
)

// CSS styles the pictures. Pages include it; Options.Standalone embeds it.
//
//go:embed report.css
var CSS string

// lane is one strip of a picture: one channel, or a setpoint with its speed.
type lane struct {
	channels []int // indices into Capture.Channels
}

// arrange puts the channels into lanes in the fixed order of their roles. A
// setpoint joins the first free speed of the same unit.
func arrange(c capture.Capture, series []capture.Series) []lane {
	n := min(len(c.Channels), len(series))
	taken := make([]bool, n)
	var lanes []lane
	for _, role := range capture.Roles {
		for i := range n {
			if taken[i] || roleOf(c.Channels[i]) != role {
				continue
			}
			taken[i] = true
			l := lane{[]int{i}}
			if role == capture.RoleSetpoint {
				for j := range n {
					if !taken[j] && roleOf(c.Channels[j]) == capture.RoleSpeed && c.Channels[j].Unit == c.Channels[i].Unit {
						taken[j] = true
						l.channels = append(l.channels, j)
						break
					}
				}
			}
			lanes = append(lanes, l)
		}
	}
	return lanes
}

// roleOf is the channel's role, with every unknown one being RoleOther.
func roleOf(ch capture.Channel) capture.Role {
	switch {
	case ch.Digital():
		return capture.RoleDigital
	case slices.Contains(capture.Roles, ch.Role):
		return ch.Role
	}
	return capture.RoleOther
}

// view is the stretch of time that a picture shows, in samples.
type view struct {
	c        capture.Capture
	from, to float64 // sample positions, from < to; position p is sample floor(p)
	columns  int
}

// newView shows [from, to] seconds of the capture, or all of it where that
// isn't a stretch of time.
func newView(c capture.Capture, samples int, from, to float64, columns int) view {
	v := view{c: c, from: 0, to: float64(max(samples, 1)), columns: columns}
	if dt := c.Timing.Interval; from < to && dt > 0 && !math.IsInf(dt, 0) {
		lo, hi := v.position(from), v.position(to)
		lo, hi = max(lo, 0), min(hi, v.to)
		if hi-lo >= 4 { // closer than that there is nothing more to see
			v.from, v.to = lo, hi
		}
	}
	return v
}

// frac is the place of sample position p in the picture, 0 to 1 where visible.
// Samples stand in the middle of their own interval.
func (v view) frac(p float64) float64 { return (p - v.from) / (v.to - v.from) }

// seconds from the trigger at the sample position p. Between two samples time
// goes on evenly; where the sample interval changes, the scale does.
func (v view) seconds(p float64) float64 {
	if v.c.Timing.Uniform() {
		return (p - 0.5 - float64(v.c.Trigger.Index)) * v.interval()
	}
	i := int(math.Floor(p - 0.5))
	return v.c.At(i) + (p-0.5-float64(i))*(v.c.At(i+1)-v.c.At(i))
}

// position of a time in seconds from the trigger.
func (v view) position(t float64) float64 {
	if v.c.Timing.Uniform() {
		return t/v.interval() + float64(v.c.Trigger.Index) + 0.5
	}
	n := v.c.Timing.Samples
	i := max(0, sort.Search(n, func(i int) bool { return v.c.At(i) > t })-1)
	return float64(i) + (t-v.c.At(i))/(v.c.At(i+1)-v.c.At(i)) + 0.5
}

func (v view) interval() float64 {
	if dt := v.c.Timing.Interval; dt > 0 && !math.IsInf(dt, 0) {
		return dt
	}
	return 1
}

// visible is the half-open range of samples in view, cut to n samples.
func (v view) visible(n int) (first, end int) {
	return max(0, int(v.from)), min(n, int(math.Ceil(v.to)))
}

// missing are the runs of samples, as [start, end), that weren't read.
// Numbers that the drive itself sent as not-a-number aren't missing.
func missing(c capture.Capture, channel int, s capture.Series) [][2]int {
	if c.Integrity.Whole {
		return nil
	}
	if c.Encoding.Check() != nil || channel >= len(c.Encoding.Channels) || c.Encoding.Samples < len(s) {
		return blanks(s) // decoded elsewhere: what isn't there wasn't read
	}
	first := c.Encoding.At(channel, 0)
	width, stride := first.Len(), first.Len()
	if c.Encoding.Samples > 1 {
		stride = c.Encoding.At(channel, 1).Start - first.Start
	}
	var gaps [][2]int
	next := 0 // first sample not accounted for
	for _, r := range c.Integrity.Have {
		lo := int(max(0, (r.Start-first.Start+stride-1)/stride))
		hi := int(min(int64(len(s)), (r.End-width-first.Start+stride)/stride)) // one past the last whole sample
		if r.End < first.Start+width || lo >= hi {
			continue
		}
		if lo > next {
			gaps = append(gaps, [2]int{next, lo})
		}
		next = max(next, hi)
	}
	if next < len(s) {
		gaps = append(gaps, [2]int{next, len(s)})
	}
	return gaps
}

// blanks are the runs of samples that are no numbers.
func blanks(s capture.Series) [][2]int {
	var gaps [][2]int
	for i := 0; i < len(s); {
		if !math.IsNaN(s[i]) {
			i++
			continue
		}
		start := i
		for i < len(s) && math.IsNaN(s[i]) {
			i++
		}
		gaps = append(gaps, [2]int{start, i})
	}
	return gaps
}
