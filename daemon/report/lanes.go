package report

import (
	"fmt"
	"math"

	"faultkeep/store/capture"
)

// Options say what Lanes draws.
type Options struct {
	// From and To in seconds from the trigger; the whole record where From
	// isn't below To.
	From, To float64
	// Width in pixels at which the picture will probably be shown: decides how
	// many columns the samples are reduced to and how many ticks there are. 0: 1200.
	Width int
	// Height of a lane of curves in pixels. 0: 84.
	Height int
	// Standalone makes a picture that can be opened by itself: fixed width, own styles.
	Standalone bool
}

const (
	header  = 20 // above each lane, for the name of each of its channels
	between = 8  // below each lane
	bitRow  = 22
	axis    = 26
)

// Lanes draws every channel in lanes over one time axis in seconds, zero at the trigger.
func Lanes(c capture.Capture, series []capture.Series, o Options) []byte {
	if o.Width <= 0 {
		o.Width = 1200
	}
	o.Width = min(max(o.Width, 200), 8000)
	if o.Height <= 0 {
		o.Height = 84
	}
	d := &drawing{c: c, series: series, o: o, id: "l" + capture.Slug(string(c.ID))}
	d.v = newView(c, longest(series), o.From, o.To, o.Width)
	return d.draw()
}

func longest(series []capture.Series) int {
	n := 0
	for _, s := range series {
		n = max(n, len(s))
	}
	return n
}

type drawing struct {
	svg
	c      capture.Capture
	series []capture.Series
	o      Options
	v      view
	id     string // prefix of the ids within the picture
}

// strip is a lane with its place and what is needed to draw it.
type strip struct {
	lane
	top    int // of its ground, below its header
	height int
	rows   []int // digital: the bits that have a row
}

func (d *drawing) draw() []byte {
	lanes := arrange(d.c, d.series)
	strips := make([]strip, len(lanes))
	y := 0
	for i, l := range lanes {
		s := strip{lane: l, top: y + header*len(l.channels), height: d.o.Height}
		if d.digital(l) {
			s.rows = d.rows(l.channels[0])
			s.height = max(1, len(s.rows)) * bitRow
		}
		strips[i] = s
		y = s.top + s.height + between
	}
	if len(strips) == 0 {
		y = header
	}
	height := y + axis

	width := "100%"
	if d.o.Standalone {
		width = fmt.Sprint(d.o.Width)
	}
	d.f(`<svg xmlns="http://www.w3.org/2000/svg" class="fk lanes" width="%s" height="%d" role="img" aria-labelledby="%s-t %s-d" data-from="%.9g" data-to="%.9g" data-bottom="%d">`,
		width, height, d.id, d.id, d.v.seconds(d.v.from), d.v.seconds(d.v.to), y)
	d.f(`<title id="%s-t">%s, %s, %s</title><desc id="%s-d">%s</desc>`, d.id, d.c.Name(), d.c.Fault.String(), d.c.Wholeness(), d.id, Describe(d.c, d.series))
	if d.o.Standalone {
		d.f(`<style>%s</style><rect class="paper" width="100%%" height="100%%"/>`, CSS)
	}
	d.f(`<defs><pattern id="%s-h" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="hatch" width="1.5" height="6"/></pattern></defs>`, d.id)
	if len(strips) == 0 {
		d.f(`<text class="mute" x="0" y="14">No channels.</text>`)
	}
	times, decimals := ticks(d.v.seconds(d.v.from), d.v.seconds(d.v.to), min(12, max(3, d.o.Width/110)))
	for _, s := range strips {
		d.ground(s, times)
		if s.rows != nil || d.digital(s.lane) {
			d.bits(s)
		} else {
			d.curves(s)
		}
	}
	d.axis(y, times, decimals)
	d.WriteString("</svg>")
	return d.Bytes()
}

func (d *drawing) digital(l lane) bool {
	return len(l.channels) == 1 && d.c.Channels[l.channels[0]].Digital()
}

// ground draws what lies under a lane: its paper, the darker time before the
// trigger, and the time grid.
func (d *drawing) ground(s strip, times []float64) {
	d.f(`<rect class="ground" x="0" y="%d" width="100%%" height="%d"/>`, s.top, s.height)
	if before := min(1, d.v.frac(d.v.position(0))); before > 0 {
		d.f(`<rect class="pre" x="0" y="%d" width="%v" height="%d"/>`, s.top, at(before), s.height)
	}
	for _, t := range times {
		x := at(d.v.frac(d.v.position(t)))
		d.f(`<line class="grid" x1="%v" x2="%v" y1="%d" y2="%d"/>`, x, x, s.top, s.top+s.height)
	}
}

// curves draws a lane of one channel, or of two on one scale.
func (d *drawing) curves(s strip) {
	low, high, drawn := math.Inf(1), math.Inf(-1), false
	for _, i := range s.channels {
		first, end := d.v.visible(len(d.series[i]))
		if first >= end {
			continue
		}
		if lo, hi, ok := d.series[i][first:end].Bounds(); ok {
			low, high, drawn = math.Min(low, lo), math.Max(high, hi), true
		}
	}
	if !drawn {
		low, high = 0, 0
	}
	sc := scale{height: float64(s.height)}
	sc.low, sc.high = span(low, high)

	levels, decimals := ticks(sc.low, sc.high, 3)
	for _, value := range levels {
		y := float64(s.top) + sc.y(value)
		class := "grid"
		if value == 0 {
			class = "zero"
		}
		d.f(`<line class="%s" x1="0" x2="100%%" y1="%.1f" y2="%.1f"/>`, class, y, y)
	}
	for _, i := range s.channels {
		d.gaps(s, i)
	}
	d.f(`<svg x="0" y="%d" width="100%%" height="%d" viewBox="0 0 %d %d" preserveAspectRatio="none">`, s.top, s.height, d.v.columns, s.height)
	for _, i := range s.channels {
		if path := d.v.path(d.v.curve(d.series[i]), sc); len(path) > 0 {
			d.f(`<path class="line %s" data-channel="%d" d="`, string(roleOf(d.c.Channels[i])), i)
			d.Write(path)
			d.WriteString(`"/>`)
		}
	}
	d.WriteString("</svg>")
	if drawn {
		for _, value := range levels {
			if y := sc.y(value); y > 6 && y < sc.height-4 {
				d.f(`<text class="tick" x="4" y="%.1f">%s</text>`, float64(s.top)+y+4, fixed(value, decimals))
			}
		}
	} else {
		d.f(`<text class="mute" x="50%%" y="%d" text-anchor="middle">no values</text>`, s.top+s.height/2+5)
	}
	d.heading(s)
}

// gaps hatches what of a channel wasn't read, and says so where there is room.
func (d *drawing) gaps(s strip, channel int) {
	for _, g := range missing(d.c, channel, d.series[channel]) {
		from, to := max(0, d.v.frac(float64(g[0]))), min(1, d.v.frac(float64(g[1])))
		if from >= to {
			continue
		}
		d.f(`<rect class="gap" fill="url(#%s-h)" x="%v" y="%d" width="%v" height="%d"><title>not read</title></rect>`, d.id, at(from), s.top, at(to-from), s.height)
		if s.rows != nil || (to-from)*float64(d.o.Width) < 64 {
			continue
		}
		// Beside what was read, and away from the labels at the left edge.
		x, dx, anchor := from, 6, "start"
		if from == 0 {
			x, dx, anchor = to, -6, "end"
		}
		d.f(`<text class="said" x="%v" dx="%d" y="%d" text-anchor="%s">not read</text>`, at(x), dx, s.top+s.height-8, anchor)
	}
}

// heading writes the name of a lane's channels, each with a stroke of its line
// and, at the right end, its value at the trigger, which the page replaces by
// that at the cursor.
func (d *drawing) heading(s strip) {
	for k, i := range s.channels {
		ch := d.c.Channels[i]
		y := s.top - 6 - header*(len(s.channels)-1-k)
		name, value := ch.Name, readout(ch, at0(d.c, d.series[i]))
		if ch.Digital() {
			value = word(ch, at0(d.c, d.series[i]))
		} else if ch.Unit != "" {
			name += ", " + ch.Unit
		}
		d.f(`<line class="line %s" x1="0" x2="18" y1="%d" y2="%d"/>`, string(roleOf(ch)), y-4, y-4)
		d.f(`<text class="name" x="24" y="%d">%s<title>%s</title></text>`, y, cut(name, max(16, d.o.Width/16)), name)
		d.f(`<text class="value" x="100%%" y="%d" text-anchor="end" data-channel="%d">%s at 0</text>`, y, i, cut(value, max(16, d.o.Width/24)))
	}
}

func readout(ch capture.Channel, value float64) string {
	if ch.Unit == "" || math.IsNaN(value) {
		return Value(value, 4)
	}
	return Value(value, 4) + " " + cut(ch.Unit, 12)
}

// at0 is the value at the trigger, NaN where there is none.
func at0(c capture.Capture, s capture.Series) float64 {
	if i := c.Trigger.Index; i >= 0 && i < len(s) {
		return s[i]
	}
	return math.NaN()
}

// axis draws the time axis and the trigger's rule through all lanes.
func (d *drawing) axis(y int, times []float64, decimals int) {
	if zero := d.v.frac(d.v.position(0)); zero >= 0 && zero <= 1 {
		d.f(`<line class="trigger" x1="%v" x2="%v" y1="0" y2="%d"/>`, at(zero), at(zero), y+4)
		d.f(`<text class="time zero" x="%v" y="%d" text-anchor="middle">0</text>`, at(zero), y+18)
	}
	// The unit stands at the right end; a label that would run into it, or
	// over an edge, is left out.
	edge := 18 / float64(d.o.Width)
	for _, t := range times {
		x := d.v.frac(d.v.position(t))
		label := signed(t, decimals)
		if label == "0" || x < edge || x > 1-2.5*edge {
			continue
		}
		d.f(`<text class="time" x="%v" y="%d" text-anchor="middle">%s</text>`, at(x), y+18, label)
	}
	d.f(`<text class="time unit" x="100%%" y="%d" text-anchor="end">s</text>`, y+18)
}
