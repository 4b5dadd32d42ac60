package comtrade

import (
	"context"
	"fmt"
	"math"

	"faultkeep/store/capture"
)

// plan is how a capture's channels become a file's.
type plan struct {
	edition Edition
	data    Data
	timing  capture.Timing
	columns []column
	bits    []bit
	inside  bool // a .cff
}

// column is one analog channel of the file.
type column struct {
	channel capture.Channel
	series  capture.Series
	coding
}

// coding is how numbers in the file stand for values: a × number + b.
type coding struct {
	a, b float64
	fit  fit
}

// fit tells how well numbers give values back.
type fit int

const (
	rounded fit = iota // to as many digits as the type holds
	near               // the same number as the drive sent; its value differs in a float64's last bits
	exact              // bit for bit
)

// bit is one status channel of the file.
type bit struct {
	name, word string
	series     capture.Series
	number     int // of the bit; negative: 1 where the word is missing
}

// frame is the size of one sample of all channels in bytes.
func (p *plan) frame() int64 {
	return int64(head + p.data.width()*len(p.columns) + 2*((len(p.bits)+15)/16))
}

// fit is that of the channel that fits worst.
func (p *plan) fit() fit {
	worst := exact
	for _, c := range p.columns {
		worst = min(worst, c.fit)
	}
	return worst
}

// plan chooses the type of the data, and the scaling of each channel.
func (e Encoder) plan(ctx context.Context, c capture.Capture, series []capture.Series) (*plan, error) {
	p := &plan{edition: e.Edition, timing: c.Timing}
	var own []*capture.Coding
	for i, s := range series {
		var k *capture.Coding
		if len(c.Encoding.Channels) == len(series) {
			k = &c.Encoding.Channels[i]
		}
		if c.Channels[i].Digital() && whole(s) {
			p.bits = append(p.bits, bitsOf(c.Channels[i], s, k)...)
			continue
		}
		p.columns = append(p.columns, column{channel: c.Channels[i], series: s})
		own = append(own, k)
	}
	if err := p.choose(ctx, e.types(), own); err != nil {
		return nil, err
	}
	if len(p.columns) > maxChannels || len(p.bits) > maxChannels {
		return nil, fmt.Errorf("the capture has %d analog and %d status channels, COMTRADE holds 999999 of each", len(p.columns), len(p.bits))
	}
	return p, nil
}

// types are those that the data may be written in, the narrowest first and the
// one to round to last.
func (e Encoder) types() []Data {
	switch {
	case e.Data != "":
		return []Data{e.Data}
	case e.Edition == Edition1999:
		return []Data{Binary, ASCII}
	}
	return []Data{Binary, Binary32, Float32}
}

// choose takes the first type that fits exactly, else one that nearly does,
// else the last.
func (p *plan) choose(ctx context.Context, types []Data, own []*capture.Coding) error {
	best := rounded - 1
	for _, d := range types {
		try := plan{edition: p.edition, data: d, columns: append([]column(nil), p.columns...)}
		for i := range try.columns {
			if err := ctx.Err(); err != nil {
				return err
			}
			try.columns[i].coding = try.number().coding(p.columns[i].series, own[i])
		}
		if f := try.fit(); f > best || f == best && f == rounded {
			p.data, p.columns, best = d, try.columns, f
		}
		if best == exact {
			break
		}
	}
	return nil
}

// number is what numbers a type of data holds.
type number struct {
	low, high float64 // lowest and highest; the missing value lies beside them
	float     bool    // float32, not integers
	text      bool    // decimal numbers of at most maxDigits characters
}

func (p *plan) number() number {
	switch {
	case p.data == Binary:
		return number{low: -math.MaxInt16, high: math.MaxInt16}
	case p.data == Binary32:
		return number{low: -math.MaxInt32, high: math.MaxInt32}
	case p.data == Float32:
		return number{low: -math.MaxFloat32, high: math.MaxFloat32, float: true}
	case p.edition == Edition1999:
		return number{low: -missingText, high: missingText - 1}
	}
	return number{low: -math.MaxFloat32, high: math.MaxFloat32, text: true}
}

// coding finds a scaling that gives every value back exactly, if there is one:
// first the drive's own, so that the file holds the very numbers that the
// drive sent; then that one moved, for numbers without a sign; then none.
func (n number) coding(s capture.Series, own *capture.Coding) coding {
	plain := coding{a: 1}
	best := coding{}
	try := func(c coding, slack float64) {
		if c.fit = n.fit(s, c, slack); c.fit > best.fit {
			best = c
		}
	}
	if own != nil && own.Scale != 0 {
		drive := coding{a: own.Scale, b: own.Offset}
		slack := 0.0
		if own.Type != capture.Float32 && own.Type != capture.Float64 {
			slack = math.Abs(own.Scale) / (1 << 16) // a small part of a whole number's step
		}
		try(drive, slack)
		if best.fit < exact && !n.float && !n.text {
			try(n.moved(s, drive), slack)
		}
	}
	if best.fit < exact {
		try(plain, 0)
	}
	if best.fit > rounded {
		return best
	}
	if n.float || n.text {
		return plain
	}
	low, high, ok := s.Bounds()
	if !ok {
		return plain
	}
	span := (high/2 - low/2) / n.high // half of it: the difference may overflow
	if span == 0 || math.IsInf(1/span, 0) {
		span = 1
	}
	return coding{a: span, b: low/2 + high/2}
}

// moved is the scaling with its numbers moved by a whole number, so that their
// middle lies at 0.
func (n number) moved(s capture.Series, c coding) coding {
	low, high, ok := s.Bounds()
	if !ok {
		return c
	}
	middle := math.Round((math.Round(c.number(low)) + math.Round(c.number(high))) / 2)
	c.b += capture.Scaled(middle, c.a)
	return c
}

// number is the one that stands for a value, before it is rounded.
func (c coding) number(value float64) float64 { return (value - c.b) / c.a }

// fit tells how well the scaling gives every value back: near is within slack.
func (n number) fit(s capture.Series, c coding, slack float64) fit {
	k := scaleOf(c.a, c.b)
	out := exact
	for _, v := range s {
		if math.IsNaN(v) {
			continue
		}
		x := n.nearest(c.number(v))
		switch got := k.value(x); {
		case got == v && !math.IsNaN(x):
		case math.Abs(got-v) <= slack:
			out = near
		default:
			return rounded
		}
	}
	return out
}

// nearest is the nearest number that the type holds; NaN: missing.
func (n number) nearest(x float64) float64 {
	switch {
	case n.float:
		f := float32(x)
		if !math.IsInf(x, 0) {
			f = float32(max(n.low, min(n.high, x)))
		}
		if math.Float32bits(f) == missingFloat {
			f = math.Nextafter32(f, 0)
		}
		return float64(f)
	case math.IsNaN(x) || math.IsInf(x, 0):
		return math.NaN()
	case n.text:
		return decimal(x)
	}
	return max(n.low, min(n.high, math.Round(x)))
}

// whole tells whether all values are whole numbers that a word of bits can be.
func whole(s capture.Series) bool {
	for _, v := range s {
		if !math.IsNaN(v) && (v != math.Trunc(v) || v < math.MinInt32 || v >= 1<<53) {
			return false
		}
	}
	return true
}

// bitsOf are the bits of a digital channel that have a name or are ever set.
func bitsOf(c capture.Channel, s capture.Series, k *capture.Coding) []bit {
	width := bitWidth(s, k)
	var set uint64
	missing := false
	for _, v := range s {
		if math.IsNaN(v) {
			missing = true
			continue
		}
		set |= word(v)
	}
	var out []bit
	for i := range width {
		name := ""
		if i < len(c.Bits) {
			name = c.Bits[i]
		}
		if name == "" && set>>i&1 == 0 {
			continue
		}
		if name == "" {
			name = fmt.Sprintf("%s bit %d", c.Name, i)
		}
		out = append(out, bit{name, c.Name, s, i})
	}
	if len(out) == 0 {
		out = append(out, bit{c.Name + " bit 0", c.Name, s, 0})
	}
	if missing {
		out = append(out, bit{c.Name + " not read", c.Name, s, -1})
	}
	return out
}

// bitWidth is how many bits the words have: as the drive sends them, unless
// their values need more.
func bitWidth(s capture.Series, k *capture.Coding) int {
	width := 16
	if k != nil {
		width = 16 * k.Type.Words()
		if k.Type == capture.Int8 || k.Type == capture.Uint8 {
			width = 8
		}
	}
	_, high, _ := s.Bounds()
	for width < 64 && high >= math.Ldexp(1, width) || width == 0 {
		width += 16
	}
	return width
}

// word is the bit pattern of a digital value; negative ones are two's complement.
func word(v float64) uint64 { return uint64(int64(v)) }

// at is the bit of sample i.
func (b bit) at(i int) uint16 {
	v := b.series[i]
	switch {
	case math.IsNaN(v) && b.number < 0:
		return 1
	case math.IsNaN(v) || b.number < 0:
		return 0
	}
	return uint16(word(v) >> b.number & 1)
}
