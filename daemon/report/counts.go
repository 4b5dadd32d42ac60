package report

import (
	"fmt"
	"math"
)

// Counted is how many events came over the watched time.
type Counted struct {
	Name    string    // whose, for the description
	At      []float64 // each event, in watched days from the beginning, ascending
	Days    float64   // watched in all
	Fitted  func(days float64) float64
	Repairs []float64 // in watched days from the beginning
}

// the box of a picture of counts, in pixels from the top; across, shares of the width.
const (
	countHeight = 168
	countTop    = 10
	countBottom = 140
	countLeft   = 0.06
	countRight  = 0.99
	mostSteps   = 240 // of a curve; more can't be told apart
)

// Counts draws the cumulative count as steps over the watched time, with the
// fitted curve where there is one, and a dashed rule at every repair.
func Counts(c Counted) []byte {
	s := &svg{}
	s.f(`<svg xmlns="http://www.w3.org/2000/svg" class="fk counts" width="100%%" height="%d" role="img" aria-label="%s">`, countHeight, describeCounts(c))
	top := math.Max(1, float64(len(c.At)))
	if c.Fitted != nil {
		top = math.Max(top, c.Fitted(c.Days))
	}
	x := func(days float64) at {
		return at(countLeft + (countRight-countLeft)*math.Min(1, math.Max(0, days/math.Max(c.Days, 1e-9))))
	}
	y := func(n float64) float64 { return countBottom - (countBottom-countTop)*math.Min(1, n/top) }
	s.f(`<rect class="ground" x="%s" y="%d" width="%s" height="%d"/>`, x(0).String(), countTop, (x(c.Days) - x(0)).String(), countBottom-countTop)
	for _, n := range whole(ticks(0, top, 4)) {
		s.f(`<line class="grid" x1="%s" x2="%s" y1="%.1f" y2="%.1f"/>`, x(0).String(), x(c.Days).String(), y(n), y(n))
		s.f(`<text class="tick" x="%s" dx="-4" y="%.1f" dy="4" text-anchor="end">%g</text>`, x(0).String(), y(n), n)
	}
	days, decimals := ticks(0, c.Days, 5)
	for _, d := range days {
		s.f(`<text class="time" x="%s" y="%d" text-anchor="middle">%s</text>`, x(d).String(), countBottom+16, fixed(d, decimals))
	}
	s.f(`<text class="mute" x="%s" y="%d" text-anchor="end">days watched</text>`, x(c.Days).String(), countBottom+28)
	for _, r := range c.Repairs {
		s.f(`<line class="line setpoint" x1="%s" x2="%s" y1="%d" y2="%d"/>`, x(r).String(), x(r).String(), countTop, countBottom)
		s.f(`<text class="said" x="%s" dx="4" y="%d">repair</text>`, x(r).String(), countTop+10)
	}
	line := func(class string, x1 at, y1 float64, x2 at, y2 float64) {
		s.f(`<line class="%s" x1="%s" y1="%.1f" x2="%s" y2="%.1f"/>`, class, x1.String(), y1, x2.String(), y2)
	}
	if c.Fitted != nil {
		const n = 48
		for i := range n {
			from, to := c.Days*float64(i)/n, c.Days*float64(i+1)/n
			line("line fitted", x(from), y(c.Fitted(from)), x(to), y(c.Fitted(to)))
		}
	}
	last, count := 0.0, 0.0
	for i, d := range c.At {
		if len(c.At) > mostSteps && i%(len(c.At)/mostSteps+1) != 0 && i != len(c.At)-1 {
			continue
		}
		n := float64(i + 1)
		line("line count", x(last), y(count), x(d), y(count))
		line("line count", x(d), y(count), x(d), y(n))
		last, count = d, n
	}
	line("line count", x(last), y(count), x(c.Days), y(count))
	s.WriteString("</svg>")
	return s.Bytes()
}

// whole are the ticks that are whole numbers.
func whole(at []float64, _ int) (out []float64) {
	for _, n := range at {
		if n == math.Trunc(n) {
			out = append(out, n)
		}
	}
	return out
}

func describeCounts(c Counted) string {
	text := fmt.Sprintf("%s: %d trips over %s days watched", c.Name, len(c.At), Value(c.Days, 3))
	if n := len(c.At); n > 0 {
		text += fmt.Sprintf(", the first after %s, the last after %s", Value(c.At[0], 3), Value(c.At[n-1], 3))
	}
	for _, r := range c.Repairs {
		text += fmt.Sprintf("; a repair after %s", Value(r, 3))
	}
	return text + "."
}

// Hours draws how many events came in each hour of the day, and as a hairline
// how many would have if the watched time alone decided. expected is nil, or a
// number for every hour.
func Hours(name string, counts [24]int, expected []float64) []byte {
	const height, bottom, top = 96, 76, 8
	s := &svg{}
	most, worst := 1.0, 0
	for h, n := range counts {
		most = math.Max(most, float64(n))
		if n > counts[worst] {
			worst = h
		}
		if h < len(expected) {
			most = math.Max(most, expected[h])
		}
	}
	text := fmt.Sprintf("%s by hour of day: ", name)
	if counts[worst] == 0 {
		text += "no trips."
	} else {
		text += fmt.Sprintf("most, %d, from %02d to %02d h.", counts[worst], worst, (worst+1)%24)
	}
	s.f(`<svg xmlns="http://www.w3.org/2000/svg" class="fk counts" width="100%%" height="%d" role="img" aria-label="%s">`, height, text)
	x := func(h float64) at { return at(countLeft + (countRight-countLeft)*h/24) }
	y := func(n float64) float64 { return bottom - (bottom-top)*n/most }
	s.f(`<rect class="ground" x="%s" y="%d" width="%s" height="%d"/>`, x(0).String(), top, (x(24) - x(0)).String(), bottom-top)
	for h, n := range counts {
		if n > 0 {
			s.f(`<rect class="bar" x="%s" width="%s" y="%.1f" height="%.1f"><title>%02d–%02d h: %d</title></rect>`,
				x(float64(h)+0.12).String(), (x(0.76) - x(0)).String(), y(float64(n)), bottom-y(float64(n)), h, h+1, n)
		}
		if h < len(expected) {
			s.f(`<line class="line fitted" x1="%s" x2="%s" y1="%.1f" y2="%.1f"/>`, x(float64(h)).String(), x(float64(h+1)).String(), y(expected[h]), y(expected[h]))
		}
	}
	s.f(`<text class="tick" x="%s" dx="-4" y="%.1f" dy="4" text-anchor="end">%g</text>`, x(0).String(), y(most), math.Ceil(most))
	for h := 0; h <= 24; h += 6 {
		anchor := "middle"
		if h == 24 {
			anchor = "end"
		}
		s.f(`<text class="time" x="%s" y="%d" text-anchor="%s">%02d</text>`, x(float64(h)).String(), bottom+16, anchor, h)
	}
	s.WriteString("</svg>")
	return s.Bytes()
}
