package raster

import (
	"image"
	"image/color"
	"math"
	"strconv"
	"strings"

	"golang.org/x/image/vector"
)

type point struct{ x, y float64 }

// shape draws one element as its style says.
func (p *painter) shape(name string, a attrs) {
	f := p.placed(a)
	style := p.sheet.style(p.root, name, a)
	x := func(key string) float64 { return length(a[key], f.w) }
	y := func(key string) float64 { return length(a[key], f.h) }
	var lines [][]point
	closed := false
	switch name {
	case "rect":
		from, to := f.px(x("x"), y("y")), f.px(x("x")+x("width"), y("y")+y("height"))
		if to.x <= from.x || to.y <= from.y {
			return
		}
		lines, closed = [][]point{{from, {to.x, from.y}, to, {from.x, to.y}}}, true
	case "line":
		lines = [][]point{{f.px(x("x1"), y("y1")), f.px(x("x2"), y("y2"))}}
	case "circle":
		at := f.px(x("cx"), y("cy"))
		lines, closed = [][]point{disc(at, x("r")*p.zoom)}, true
	case "path":
		lines = f.path(a["d"])
	default:
		return
	}
	opacity := 1.0
	if v, ok := style["opacity"]; ok {
		opacity = length(v, 1)
	}
	if fill, given := style["fill"]; strings.HasPrefix(fill, "url(") {
		p.hatch(lines[0], f.clip)
	} else if c, ok := p.sheet.color(fill); ok {
		p.fill(lines, c, opacity, f.clip)
	} else if !given && name != "line" {
		p.fill(lines, color.NRGBA{A: 255}, opacity, f.clip) // SVG's own
	}
	if c, ok := p.sheet.color(style["stroke"]); ok {
		width := p.zoom
		if w, ok := style["stroke-width"]; ok {
			width = length(w, 0) * p.zoom
		}
		var pieces [][]point
		dashes := numbers(style["stroke-dasharray"])
		for _, line := range lines {
			if closed {
				line = append(line, line[0])
			}
			for _, dash := range dashed(line, dashes, p.zoom) {
				pieces = append(pieces, stroke(dash, width, len(dashes) == 0 && style["stroke-linecap"] == "round")...)
			}
		}
		p.fill(pieces, c, opacity, f.clip)
	}
}

// hatch fills a rectangle with strokes at 45°, for what wasn't read.
func (p *painter) hatch(box []point, clip image.Rectangle) {
	from, to := box[0], box[2]
	height := to.y - from.y
	var pieces [][]point
	for x := from.x - height; x < to.x; x += 8 * p.zoom {
		pieces = append(pieces, stroke([]point{{x, from.y}, {x + height, to.y}}, 1.5*p.zoom, false)...)
	}
	inside := image.Rect(int(math.Round(from.x)), int(math.Round(from.y)), int(math.Round(to.x)), int(math.Round(to.y)))
	p.fill(pieces, p.sheet.variable("--blank"), 1, clip.Intersect(inside))
}

// path reads path data into lines, in pixels.
func (f frame) path(d string) (lines [][]point) {
	var at, begin point
	add := func() { n := len(lines) - 1; lines[n] = append(lines[n], f.px(at.x, at.y)) }
	for d != "" {
		op := d[0]
		end := strings.IndexAny(d[1:], "MLHVhvZz") + 1
		if end == 0 {
			end = len(d)
		}
		n := numbers(d[1:end])
		d = d[end:]
		switch {
		case op == 'M' && len(n) >= 2:
			at, begin = point{n[0], n[1]}, point{n[0], n[1]}
			lines = append(lines, nil)
			add()
			n = n[2:]
		case len(lines) == 0:
			return nil
		case op == 'Z' || op == 'z':
			at = begin
			add()
		}
		for ; op == 'L' || op == 'M'; n = n[2:] {
			if len(n) < 2 {
				break
			}
			at = point{n[0], n[1]}
			add()
		}
		for _, v := range n {
			switch op {
			case 'H':
				at.x = v
			case 'V':
				at.y = v
			case 'h':
				at.x += v
			case 'v':
				at.y += v
			default:
				continue
			}
			add()
		}
	}
	return lines
}

// dashed cuts a line into its dashes; without a pattern it stays whole.
func dashed(line []point, pattern []float64, zoom float64) (out [][]point) {
	total := 0.0
	for _, n := range pattern {
		total += n
	}
	if !(total > 0) {
		return [][]point{line}
	}
	k, on, left := 0, true, pattern[0]*zoom
	piece := []point{line[0]}
	for i := 1; i < len(line); i++ {
		from, to := line[i-1], line[i]
		for {
			d := math.Hypot(to.x-from.x, to.y-from.y)
			if d <= left {
				left -= d
				piece = append(piece, to)
				break
			}
			from = point{from.x + (to.x-from.x)*left/d, from.y + (to.y-from.y)*left/d}
			if on {
				out = append(out, append(piece, from))
			}
			k, on = (k+1)%len(pattern), !on
			left, piece = pattern[k]*zoom, []point{from}
		}
	}
	if on && len(piece) > 1 {
		out = append(out, piece)
	}
	return out
}

// stroke is a line as outlines that are filled together: a quadrangle a
// segment, all of one winding, and a disc at every corner, and at the ends
// where they are round.
func stroke(line []point, width float64, round bool) (out [][]point) {
	r := width / 2
	for i, at := range line {
		if inner := i > 0 && i < len(line)-1; (inner || round) && width > 1 {
			out = append(out, disc(at, r))
		}
		if i == 0 {
			continue
		}
		from := line[i-1]
		d := math.Hypot(at.x-from.x, at.y-from.y)
		if d == 0 {
			continue
		}
		nx, ny := -(at.y-from.y)/d*r, (at.x-from.x)/d*r
		out = append(out, []point{{from.x + nx, from.y + ny}, {from.x - nx, from.y - ny}, {at.x - nx, at.y - ny}, {at.x + nx, at.y + ny}})
	}
	return out
}

// disc wound as the quadrangles of stroke are.
func disc(at point, r float64) []point {
	const corners = 12
	out := make([]point, corners)
	for i := range out {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / corners)
		out[i] = point{at.x + r*cos, at.y + r*sin}
	}
	return out
}

// fill paints outlines, each point within any of them once.
func (p *painter) fill(lines [][]point, c color.NRGBA, opacity float64, clip image.Rectangle) {
	lo, hi := point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	for _, line := range lines {
		for _, at := range line {
			lo = point{math.Min(lo.x, at.x), math.Min(lo.y, at.y)}
			hi = point{math.Max(hi.x, at.x), math.Max(hi.y, at.y)}
		}
	}
	bound := func(x float64) int { return int(min(1e6, max(-1e6, x))) }
	box := image.Rect(bound(math.Floor(lo.x)), bound(math.Floor(lo.y)), bound(math.Ceil(hi.x)), bound(math.Ceil(hi.y))).Intersect(clip)
	if len(lines) == 0 || box.Empty() {
		return
	}
	v := vector.NewRasterizer(box.Dx(), box.Dy())
	left, top := float64(box.Min.X), float64(box.Min.Y)
	for _, line := range lines {
		for i, at := range line {
			// Far outside its number would lose its fraction.
			x, y := float32(min(1e5, max(-1e5, at.x-left))), float32(min(1e5, max(-1e5, at.y-top)))
			if i == 0 {
				v.MoveTo(x, y)
			} else {
				v.LineTo(x, y)
			}
		}
		v.ClosePath()
	}
	c.A = uint8(math.Round(float64(c.A) * opacity))
	v.Draw(p.img, box, image.NewUniform(c), image.Point{})
}

// dx of a text in units; some are written without a unit.
func shift(s string) float64 { n, _ := strconv.ParseFloat(s, 64); return n }
