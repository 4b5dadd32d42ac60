package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"faultkeep/store/capture"
)

// Compared is one of several captures that are laid over each other.
type Compared struct {
	Capture capture.Capture
	Series  []capture.Series
	Shift   float64 // seconds by which it is moved later
}

// CompareShow is what a comparison draws.
type CompareShow string

// The ways to compare.
const (
	ShowLines      CompareShow = "lines"      // every capture's curve
	ShowDifference CompareShow = "difference" // each less the first one
	ShowBand       CompareShow = "band"       // median and spread of all, and the first one
)

// CompareOptions say what Compare draws.
type CompareOptions struct {
	From, To float64 // seconds from the trigger; all where From isn't below To
	Show     CompareShow
	Width    int // in pixels, as Options.Width
}

// compareColumns is into how many columns a picture of a comparison is divided.
const compareColumns = 560

// comparedLane is one channel of all captures that have it.
type comparedLane struct {
	channel capture.Channel
	curves  []columns // by capture; nil where one has no such channel
}

// columns are the least, the greatest and the mean value in each column; NaN
// where there is none.
type columns struct{ low, high, mean []float64 }

// Compare draws the channels of the first capture, each with the same channel
// of the others over it; the same channel is one of the same name, or else the
// only one of the same role. Digital channels are left out.
func Compare(all []Compared, o CompareOptions) []byte {
	if o.Width <= 0 {
		o.Width = 1200
	}
	o.Width = min(max(o.Width, 200), 8000)
	from, to := o.From, o.To
	if !(from < to) {
		from, to = extent(all)
	}
	lanes := comparedLanes(all, from, to)
	const height = 96
	s := &svg{}
	total := len(lanes)*(header+height+between) + axis
	s.f(`<svg xmlns="http://www.w3.org/2000/svg" class="fk compare" width="100%%" height="%d" role="img" aria-label="%s">`, total, describeCompared(all, lanes))
	times, decimals := ticks(from, to, min(12, max(3, o.Width/110)))
	frac := func(t float64) float64 { return (t - from) / (to - from) }
	y := 0
	for _, l := range lanes {
		y += header
		s.f(`<rect class="ground" y="%d" width="100%%" height="%d"/>`, y, height)
		if before := min(1, frac(0)); before > 0 {
			s.f(`<rect class="pre" y="%d" width="%s" height="%d"/>`, y, at(before).String(), height)
		}
		for _, t := range times {
			s.f(`<line class="grid" x1="%s" x2="%s" y1="%d" y2="%d"/>`, at(frac(t)).String(), at(frac(t)).String(), y, y+height)
		}
		s.comparedLane(l, o.Show, y, height)
		name := l.channel.Name
		if l.channel.Unit != "" {
			name += ", " + l.channel.Unit
		}
		if o.Show == ShowDifference {
			name += ", less the first"
		}
		s.f(`<text class="name" x="0" y="%d">%s</text>`, y-6, cut(name, 60))
		y += height + between
	}
	if zero := frac(0); zero >= 0 && zero <= 1 {
		s.f(`<line class="trigger" x1="%s" x2="%s" y1="0" y2="%d"/>`, at(zero).String(), at(zero).String(), y+4)
	}
	for _, t := range times {
		if x := frac(t); x > 0.015 && x < 0.96 {
			s.f(`<text class="time" x="%s" y="%d" text-anchor="middle">%s</text>`, at(x).String(), y+18, signed(t, decimals))
		}
	}
	s.f(`<text class="time unit" x="100%%" y="%d" text-anchor="end">s</text>`, y+18)
	s.WriteString("</svg>")
	return s.Bytes()
}

// extent is the time that all captures together cover, seen from the trigger.
func extent(all []Compared) (from, to float64) {
	from, to = math.Inf(1), math.Inf(-1)
	for _, c := range all {
		n := longest(c.Series)
		if n > 0 {
			from, to = min(from, c.Capture.At(0)+c.Shift), max(to, c.Capture.At(n-1)+c.Shift)
		}
	}
	if !(from < to) {
		return -1, 1
	}
	return from, to
}

func comparedLanes(all []Compared, from, to float64) (lanes []comparedLane) {
	if len(all) == 0 {
		return nil
	}
	for _, ch := range all[0].Capture.Channels {
		if ch.Digital() {
			continue
		}
		l := comparedLane{channel: ch}
		for _, c := range all {
			k := SameChannel(c.Capture.Channels, ch)
			if k < 0 || k >= len(c.Series) {
				l.curves = append(l.curves, columns{})
				continue
			}
			l.curves = append(l.curves, inColumns(c, c.Series[k], from, to))
		}
		lanes = append(lanes, l)
	}
	return lanes
}

// SameChannel is the index of the channel that is the same signal: of the same
// name, or else the only one of the same role; −1: there is none.
func SameChannel(among []capture.Channel, as capture.Channel) int {
	role := -1
	for i, ch := range among {
		if ch.Digital() != as.Digital() {
			continue
		}
		if strings.EqualFold(ch.Name, as.Name) {
			return i
		}
		if ch.Role == as.Role && ch.Role != capture.RoleOther {
			if role >= 0 {
				role = len(among) // several
			} else {
				role = i
			}
		}
	}
	if role >= len(among) {
		return -1
	}
	return role
}

func inColumns(c Compared, s capture.Series, from, to float64) columns {
	out := columns{make([]float64, compareColumns), make([]float64, compareColumns), make([]float64, compareColumns)}
	count := make([]float64, compareColumns)
	for k := range compareColumns {
		out.low[k], out.high[k], out.mean[k] = math.NaN(), math.NaN(), math.NaN()
	}
	for i, v := range s {
		k := int(math.Floor((c.Capture.At(i) + c.Shift - from) / (to - from) * compareColumns))
		if k == compareColumns {
			k--
		}
		if k < 0 || k >= compareColumns || math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		if count[k] == 0 {
			out.low[k], out.high[k], out.mean[k] = v, v, 0
		}
		out.low[k], out.high[k] = min(out.low[k], v), max(out.high[k], v)
		out.mean[k] += v
		count[k]++
	}
	for k := range compareColumns {
		if count[k] > 0 {
			out.mean[k] /= count[k]
		}
	}
	out.bridge()
	return out
}

// bridge joins columns between samples that lie further apart than columns do.
func (c columns) bridge() {
	last := -1
	for k := range c.mean {
		if math.IsNaN(c.mean[k]) {
			continue
		}
		if gap := k - last; last >= 0 && gap > 1 && gap <= compareColumns/16 {
			for j := last + 1; j < k; j++ {
				f := float64(j-last) / float64(gap)
				v := c.mean[last] + f*(c.mean[k]-c.mean[last])
				c.low[j], c.high[j], c.mean[j] = v, v, v
			}
		}
		last = k
	}
}

// comparedLane draws one lane.
func (s *svg) comparedLane(l comparedLane, show CompareShow, top, height int) {
	curves := l.curves
	var band columns
	switch show {
	case ShowDifference:
		curves = differences(curves)
	case ShowBand:
		band = spreadOf(curves)
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, c := range append(slices.Clone(curves), band) {
		for k := range c.mean {
			if !math.IsNaN(c.mean[k]) {
				low, high = min(low, c.low[k]), max(high, c.high[k])
			}
		}
	}
	if !(low <= high) {
		s.f(`<text class="mute" x="50%%" y="%d" text-anchor="middle">no values</text>`, top+height/2+5)
		return
	}
	sc := scale{height: float64(height)}
	sc.low, sc.high = span(low, high)
	levels, decimals := ticks(sc.low, sc.high, 3)
	for _, v := range levels {
		s.f(`<line class="grid" x1="0" x2="100%%" y1="%.1f" y2="%.1f"/>`, float64(top)+sc.y(v), float64(top)+sc.y(v))
	}
	s.f(`<svg x="0" y="%d" width="100%%" height="%d" viewBox="0 0 %d %d" preserveAspectRatio="none">`, top, height, compareColumns, height)
	if show == ShowBand {
		s.area(band, sc)
		s.curve(columns{band.mean, band.mean, band.mean}, sc, "line median")
		curves = curves[:1]
	}
	for i := len(curves) - 1; i >= 0; i-- { // the first one on top
		if show == ShowDifference && i == 0 {
			continue
		}
		s.curve(curves[i], sc, fmt.Sprintf("line other of%d", i%6))
	}
	s.WriteString("</svg>")
	for _, v := range levels {
		if y := sc.y(v); y > 6 && y < sc.height-4 {
			s.f(`<text class="tick" x="4" y="%.1f">%s</text>`, float64(top)+y+4, fixed(v, decimals))
		}
	}
}

// curve draws the least and the greatest value of every column, so that no spike is lost.
func (s *svg) curve(c columns, sc scale, class string) {
	var b []byte
	open := false
	for k := range c.mean {
		if math.IsNaN(c.mean[k]) {
			open = false
			continue
		}
		for n, v := range []float64{c.low[k], c.high[k]} {
			if n == 1 && c.low[k] == c.high[k] {
				continue
			}
			if open {
				b = append(b, 'L')
			} else {
				b = append(b, 'M')
			}
			open = true
			b = number(b, float64(k)+0.5)
			b = append(b, ' ')
			b = number(b, sc.y(v))
		}
	}
	if len(b) > 0 {
		s.f(`<path class="%s" d="`, class)
		s.Write(b)
		s.WriteString(`"/>`)
	}
}

// area fills what lies between a band's bounds.
func (s *svg) area(c columns, sc scale) {
	for k := 0; k < len(c.mean); {
		if math.IsNaN(c.mean[k]) {
			k++
			continue
		}
		end := k
		for end < len(c.mean) && !math.IsNaN(c.mean[end]) {
			end++
		}
		s.WriteString(`<path class="band" d="M`)
		var b []byte
		for j := k; j < end; j++ {
			b = append(number(append(number(append(b, ' '), float64(j)+0.5), ' '), sc.y(c.high[j])), ' ')
		}
		for j := end - 1; j >= k; j-- {
			b = append(number(append(number(append(b, ' '), float64(j)+0.5), ' '), sc.y(c.low[j])), ' ')
		}
		s.Write(b)
		s.WriteString(`Z"/>`)
		k = end
	}
}

// differences are the curves' means less those of the first one.
func differences(curves []columns) []columns {
	out := make([]columns, len(curves))
	for i, c := range curves {
		if c.mean == nil || curves[0].mean == nil {
			continue
		}
		d := make([]float64, compareColumns)
		for k := range d {
			d[k] = c.mean[k] - curves[0].mean[k]
		}
		out[i] = columns{d, d, d}
	}
	return out
}

// spreadOf is, column by column, the median of the curves' means and their
// quartiles; with fewer than four curves their bounds.
func spreadOf(curves []columns) columns {
	out := columns{make([]float64, compareColumns), make([]float64, compareColumns), make([]float64, compareColumns)}
	var at []float64
	for k := range compareColumns {
		at = at[:0]
		for _, c := range curves {
			if c.mean != nil && !math.IsNaN(c.mean[k]) {
				at = append(at, c.mean[k])
			}
		}
		if len(at) == 0 {
			out.low[k], out.high[k], out.mean[k] = math.NaN(), math.NaN(), math.NaN()
			continue
		}
		slices.Sort(at)
		out.mean[k] = quantileOf(at, 0.5)
		if len(at) < 4 {
			out.low[k], out.high[k] = at[0], at[len(at)-1]
		} else {
			out.low[k], out.high[k] = quantileOf(at, 0.25), quantileOf(at, 0.75)
		}
	}
	return out
}

// quantileOf sorted values, by straight lines between them.
func quantileOf(sorted []float64, q float64) float64 {
	p := q * float64(len(sorted)-1)
	i := int(p)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (p-float64(i))*(sorted[i+1]-sorted[i])
}

func describeCompared(all []Compared, lanes []comparedLane) string {
	var names []string
	for _, l := range lanes {
		names = append(names, l.channel.Name)
	}
	return fmt.Sprintf("%d captures over each other: %s.", len(all), strings.Join(names, ", "))
}

// CompareSwatch is the key to the curve of the i-th capture of a comparison.
func CompareSwatch(i int) []byte {
	s := &svg{}
	s.f(`<svg xmlns="http://www.w3.org/2000/svg" class="fk key" width="34" height="12" aria-hidden="true"><line class="line other of%d" x1="0" x2="34" y1="6" y2="6"/></svg>`, i%6)
	return s.Bytes()
}
