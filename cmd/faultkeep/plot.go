package main

import (
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

// plotWidth is the number of columns of a plot.
const plotWidth = 64

var levels = []rune("▁▂▃▄▅▆▇█")

// plot draws each channel as one line, on its own scale, with a rule at the
// trigger. A bit that changes has a line of its own. What wasn't read is blank.
func plot(c capture.Capture, series []capture.Series) string {
	n := c.Timing.Samples
	if n == 0 {
		return "No samples.\n"
	}
	var names, lines []string
	add := func(name string, line []rune) {
		rule := max(0, min(len(line), c.Trigger.Index*len(line)/n))
		names = append(names, clean(name))
		lines = append(lines, string(line[:rule])+"│"+string(line[rule:]))
	}
	for i, ch := range c.Channels[:min(len(c.Channels), len(series))] {
		if !ch.Digital() {
			add(ch.Name, spark(series[i]))
			continue
		}
		for bit := range 32 {
			if s := bitOf(series[i], bit); s != nil {
				add(report.BitName(ch, bit), spark(s))
			}
		}
	}
	width := 0
	for _, name := range names {
		width = max(width, utf8.RuneCountInString(name))
	}
	var b strings.Builder
	for i, line := range lines {
		fmt.Fprintf(&b, "%s%s  %s\n", names[i], strings.Repeat(" ", width-utf8.RuneCountInString(names[i])), line)
	}
	from, to := report.Seconds(c.At(0), c.Timing.Interval), report.Seconds(c.At(n-1), c.Timing.Interval)
	gap := max(1, min(plotWidth, n)+1-utf8.RuneCountInString(from)-utf8.RuneCountInString(to))
	fmt.Fprintf(&b, "%s  %s%s%s\n", strings.Repeat(" ", width), from, strings.Repeat(" ", gap), to)
	return b.String()
}

// bitOf is one bit as a series, or nil if it never changes.
func bitOf(s capture.Series, bit int) capture.Series {
	out := make(capture.Series, len(s))
	changes := false
	last := math.NaN()
	for i, v := range s {
		if out[i] = math.NaN(); math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		out[i] = float64(int64(v) >> bit & 1) // a word read as a signed number has the same lowest bits
		changes = changes || !math.IsNaN(last) && out[i] != last
		last = out[i]
	}
	if !changes {
		return nil
	}
	return out
}

// spark is a series in one line. Of the samples that share a column it shows
// the one farthest from the channel's middle, so that no spike is lost.
func spark(s capture.Series) []rune {
	low, high, ok := s.Bounds()
	columns := min(plotWidth, len(s))
	out := make([]rune, columns)
	middle := low/2 + high/2 // halved first, so that the widest range doesn't overflow
	for col := range out {
		out[col] = ' '
		far := -1.0
		for _, v := range s[col*len(s)/columns : (col+1)*len(s)/columns] {
			if d := math.Abs(v - middle); ok && !math.IsInf(v, 0) && d > far {
				far = d
				out[col] = levels[level(v, low, high)]
			}
		}
	}
	return out
}

func level(v, low, high float64) int {
	if high <= low {
		return len(levels) / 2
	}
	return min(len(levels)-1, int((v/2-low/2)/(high/2-low/2)*float64(len(levels))))
}
