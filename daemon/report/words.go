package report

import (
	"fmt"
	"math"
	"strings"

	"faultkeep/store/capture"
)

// Row is one channel in figures: the text alternative of a picture.
type Row struct {
	Channel capture.Channel
	AtZero  string // at the trigger, with its unit; digital: the names of the set bits
	Low     string
	High    string
	Read    string // how much of it was read, such as "all" or "612 of 2,048 samples"
}

// Table is every channel in figures, in the order of the lanes.
func Table(c capture.Capture, series []capture.Series) []Row {
	var rows []Row
	for _, l := range arrange(c, series) {
		for _, i := range l.channels {
			ch, s := c.Channels[i], series[i]
			row := Row{Channel: ch, AtZero: readout(ch, at0(c, s)), Low: "–", High: "–", Read: "all"}
			if ch.Digital() {
				row.AtZero = word(ch, at0(c, s))
			} else if low, high, ok := s.Bounds(); ok {
				row.Low, row.High = readout(ch, low), readout(ch, high)
			}
			gone := 0
			for _, g := range missing(c, i, s) {
				gone += g[1] - g[0]
			}
			if gone > 0 {
				row.Read = fmt.Sprintf("%d of %d samples", len(s)-gone, len(s))
			}
			rows = append(rows, row)
		}
	}
	return rows
}

// Describe says in a few sentences what a picture of the capture shows.
func Describe(c capture.Capture, series []capture.Series) string {
	n := longest(series)
	var b strings.Builder
	if n > 0 {
		fmt.Fprintf(&b, "%d channels from %s to %s s around the trigger.", min(len(c.Channels), len(series)), signed(c.At(0), 2), signed(c.At(n-1), 2))
	} else {
		b.WriteString("No samples.")
	}
	for _, row := range Table(c, series) {
		switch {
		case row.Channel.Digital():
			fmt.Fprintf(&b, " %s: %s at the trigger.", row.Channel.Name, row.AtZero)
		case row.Low == "–":
			fmt.Fprintf(&b, " %s: no values.", row.Channel.Name)
		default:
			fmt.Fprintf(&b, " %s: %s at the trigger, between %s and %s.", row.Channel.Name, row.AtZero, row.Low, row.High)
		}
	}
	return b.String()
}

// At is every channel's value at sample i, with units; digital words as the
// names of their set bits.
func At(c capture.Capture, series []capture.Series, i int) []string {
	out := make([]string, min(len(c.Channels), len(series)))
	for k := range out {
		value := math.NaN()
		if i >= 0 && i < len(series[k]) {
			value = series[k][i]
		}
		if c.Channels[k].Digital() {
			out[k] = word(c.Channels[k], value)
		} else {
			out[k] = readout(c.Channels[k], value)
		}
	}
	return out
}

// Seconds is a time from the trigger, signed, as fine as samples that far apart deserve.
func Seconds(t, interval float64) string {
	decimals := 3
	if interval > 0 && interval < 1 {
		decimals = min(9, int(math.Ceil(-math.Log10(interval)))+1)
	}
	return signed(t, decimals) + " s"
}
