package report

import (
	"cmp"
	"math"
	"strconv"

	"faultkeep/store/capture"
)

// point of a curve: sample position and value.
type point struct{ at, value float64 }

// curve reduces the visible samples to at most two points a column, the least
// and the greatest in the order in which they came, so that no spike is lost.
// A break in the samples starts a new piece.
func (v view) curve(s capture.Series) [][]point {
	first, end := v.visible(len(s))
	first, end = max(0, first-1), min(len(s), end+1) // lines run out of the picture, not up to its edge
	var pieces [][]point
	var piece []point
	flush := func() {
		if len(piece) > 0 {
			pieces = append(pieces, piece)
			piece = nil
		}
	}
	if end-first <= 2*v.columns {
		for i := first; i < end; i++ {
			if math.IsNaN(s[i]) {
				flush()
				continue
			}
			piece = append(piece, point{float64(i) + 0.5, s[i]})
		}
		flush()
		return pieces
	}
	for col := range v.columns {
		lo, hi := bucket(first, end, col, v.columns)
		if lo < hi && math.IsNaN(s[lo]) {
			flush()
		}
		low, high := -1, -1
		for i := lo; i < hi; i++ {
			x := s[i]
			if math.IsNaN(x) {
				continue
			}
			if low < 0 || x < s[low] {
				low = i
			}
			if high < 0 || x > s[high] {
				high = i
			}
		}
		if low < 0 {
			continue
		}
		piece = append(piece, point{float64(min(low, high)) + 0.5, s[min(low, high)]})
		if low != high {
			piece = append(piece, point{float64(max(low, high)) + 0.5, s[max(low, high)]})
		}
		if math.IsNaN(s[hi-1]) {
			flush()
		}
	}
	flush()
	return pieces
}

// bucket is column col's share [lo, hi) of the samples [first, end).
func bucket(first, end, col, columns int) (lo, hi int) {
	n := end - first
	return first + int(int64(n)*int64(col)/int64(columns)), first + int(int64(n)*int64(col+1)/int64(columns))
}

// scale maps values to heights in pixels, top is 0.
type scale struct {
	low, high float64
	height    float64
	grid      float64 // coordinates are rounded to it; 0: a tenth
}

func (s scale) y(value float64) float64 {
	// Halved, so that the widest range a float can have doesn't overflow.
	f := (s.high/2 - value/2) / (s.high/2 - s.low/2)
	switch {
	case math.IsNaN(f):
		return s.height / 2
	case f < 0:
		return 0
	case f > 1:
		return s.height
	}
	return f * s.height
}

// path is the SVG path of the pieces, in a picture columns wide and as high as the scale.
func (v view) path(pieces [][]point, s scale) []byte {
	var b []byte
	for _, piece := range pieces {
		x, y := v.place(piece[0], s)
		b = append(b, 'M')
		b = number(b, x)
		b = append(b, ' ')
		b = number(b, y)
		if len(piece) == 1 {
			b = append(b, "h0"...) // with round line ends, a dot
			continue
		}
		b = append(b, 'L')
		for i, last := 1, len(piece)-1; i <= last; i++ {
			x, next := v.place(piece[i], s)
			if i < last && next == y {
				if _, after := v.place(piece[i+1], s); after == y {
					continue // within a level stretch
				}
			}
			y = next
			if b[len(b)-1] != 'L' {
				b = append(b, ' ')
			}
			b = number(b, x)
			b = append(b, ' ')
			b = number(b, y)
		}
	}
	return b
}

func (v view) place(p point, s scale) (x, y float64) {
	grid := cmp.Or(s.grid, 0.1)
	return math.Round(v.frac(p.at)*float64(v.columns)/grid) * grid, math.Round(s.y(p.value)/grid) * grid
}

// number appends a coordinate as short as it goes.
func number(b []byte, x float64) []byte {
	x = math.Round(x*10)/10 + 0 // plus 0, so that there is no "-0"
	return strconv.AppendFloat(b, x, 'f', -1, 64)
}

// bar is a stretch of one bit, as sample positions.
type bar struct {
	from, to float64
	mixed    bool // both 0 and 1 within it
}

// bars are the stretches in which a bit is set, at most one change a column. A
// pulse too short for a column fills it, so that it is seen.
func (v view) bars(s capture.Series, bit int) []bar {
	first, end := v.visible(len(s))
	columns := min(v.columns, end-first)
	var out []bar
	for col := range columns {
		lo, hi := bucket(first, end, col, columns)
		var on, off bool
		for i := lo; i < hi; i++ {
			if set, ok := bitOf(s[i], bit); ok {
				on, off = on || set, off || !set
			}
		}
		if !on {
			continue
		}
		if n := len(out); n > 0 && out[n-1].to == float64(lo) && out[n-1].mixed == off {
			out[n-1].to = float64(hi)
			continue
		}
		out = append(out, bar{float64(lo), float64(hi), off})
	}
	return out
}

// bitOf a digital word; ok is false where there is no word.
func bitOf(x float64, bit int) (set, ok bool) {
	if math.IsNaN(x) || math.IsInf(x, 0) || bit > 63 {
		return false, false
	}
	if x < 0 { // a word that was read as a signed number
		return uint64(int64(x))>>bit&1 == 1, true
	}
	return uint64(x)>>bit&1 == 1, true
}
