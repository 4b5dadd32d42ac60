package anatomy

import (
	"math"
	"slices"
)

// swell is a swing that grows until the trigger: e^(rate·t)·(a·cos ωt + b·sin ωt).
type swell struct {
	hz, rate float64 // 1/s
	share    float64
}

// grow is by how much a swing is larger than the one before.
func (w swell) grow() float64 { return math.Exp(w.rate / 2 / w.hz) }

// What a swell must show, so that what goes one way, or once to and fro, is none;
// chosen by what simulated drives show that are jammed, driven, or swing.
const (
	swellLeast = 1.4  // growth from one swing to the next
	swellMost  = 5    // the same
	leastTail  = 0.7  // of the variance that the course leaves at the end, the share that the swell explains
	leastSides = 0.15 // of the largest deviation to the one side, the largest to the other
	leastRise  = 2.5  // logarithm of the growth over the record
	slowest    = 1.5  // periods in the record
	fastest    = 0.25 // periods in a block
)

// What of a swell is dated.
const (
	swellBegun = 0.115 // share of the largest deviation: at that of others, simulated drives' onsets came out one swing early more often than late
	swellFit   = 0.5   // share of the fitted swing: the measured one has noise and gusts on it, the fitted one isn't quite the true one, and half of each is nearer to it than either
	swellCalm  = 0.6   // periods of calm between the zeros
	swellQuiet = 0.1   // share of the swing at the trigger below which the channel is quiet
)

// What a swell must show beyond that where nothing moved by itself.
const (
	loneTail  = 0.85 // as leastTail
	loneFloor = 0.5  // share of what other deviations must come to
)

// fitter lays a swell through the blocks of a channel, beside what the command did to it.
type fitter struct {
	t      *track
	y      []float64 // medians of blocks; 0 where missing
	weight []float64 // square roots
	at     []float64 // s to the trigger, of the middle of each block
	course columns   // weighted
	left   []float64 // weighted y less the course
	total  float64
	u, v   []float64
}

func (s *study) fitterOf(t *track, off []float64) *fitter {
	f := &fitter{t: t}
	b, _ := s.moves.basisFor(t.signal)
	f.y = slices.Clone(t.blocks)
	n := len(f.y)
	f.weight, f.left, f.u, f.v = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	env := 3 * max(t.sigma, t.step)
	for i := range f.y {
		for _, o := range off[i*t.size : min((i+1)*t.size, len(off))] {
			if a := math.Abs(o); a > env {
				env = a
			}
		}
		if f.weight[i] = 1 / env; math.IsNaN(f.y[i] - f.y[i]) {
			f.y[i], f.weight[i] = 0, 0
		}
		f.left[i] = f.weight[i] * f.y[i]
	}
	for _, m := range b.means {
		c := make([]float64, n)
		for i := range c {
			c[i] = m[i] * f.weight[i]
		}
		f.course.add(c)
	}
	f.course.clear(f.left)
	f.total = dot(f.left, f.left)
	return f
}

// fill u and v with the swell's columns.
func (f *fitter) fill(s *study, hz, rate float64) {
	if f.at == nil {
		end := s.at(s.trigger)
		for i := 0; i < len(f.u)*f.t.size; i += f.t.size {
			f.at = append(f.at, (s.at(i)+s.at(min(i+f.t.size, s.trigger)-1))/2-end)
		}
	}
	z := complex(0, 0)
	last, turn := 0.0, complex(1, 0)
	for i, at := range f.at {
		if i == 0 {
			sin, cos := math.Sincos(2 * math.Pi * hz * at)
			g := math.Exp(rate * at)
			z = complex(g*cos, g*sin)
		} else {
			if dt := at - f.at[i-1]; math.Abs(dt-last) > 1e-9*dt {
				sin, cos := math.Sincos(2 * math.Pi * hz * dt)
				g := math.Exp(rate * dt)
				turn, last = complex(g*cos, g*sin), dt
			}
			z *= turn
		}
		f.u[i], f.v[i] = real(z), imag(z)
	}
}

// explains is the share of what the course leaves that a swell explains.
func (f *fitter) explains(s *study, hz, rate float64) float64 {
	f.fill(s, hz, rate)
	var uu, uv, vv, uy, vy float64
	for i, w := range f.weight {
		u, v := f.u[i]*w, f.v[i]*w
		f.u[i], f.v[i] = u, v
		uu, uv, vv = uu+u*u, uv+u*v, vv+v*v
		uy, vy = uy+u*f.left[i], vy+v*f.left[i]
	}
	for _, q := range f.course { // what the course explains of the swell doesn't count
		qu, qv := 0.0, 0.0
		for i, c := range q {
			qu, qv = qu+c*f.u[i], qv+c*f.v[i]
		}
		uu, uv, vv = uu-qu*qu, uv-qu*qv, vv-qv*qv
	}
	d := uu*vv - uv*uv
	if !(d > 1e-9*uu*vv) || f.total == 0 {
		return 0
	}
	return (uy*uy*vv - 2*uy*vy*uv + vy*vy*uu) / d / f.total
}

// tail is the share that the swell explains of the last part, and how even its two sides are.
func (f *fitter) tail(s *study, w swell) (share, sides float64) {
	f.explains(s, w.hz, w.rate)
	f.course.clear(f.u)
	f.course.clear(f.v)
	uu, uv, vv := dot(f.u, f.u), dot(f.u, f.v), dot(f.v, f.v)
	uy, vy := dot(f.u, f.left), dot(f.v, f.left)
	d := uu*vv - uv*uv
	a, b := (uy*vv-vy*uv)/d, (vy*uu-uy*uv)/d
	all, rest, up, down := 0.0, 0.0, 0.0, 0.0
	end := s.at(s.trigger)
	for i, y := range f.left {
		if s.at(i*f.t.size)-end < -2.5/w.rate || f.weight[i] == 0 {
			continue
		}
		r := y - a*f.u[i] - b*f.v[i]
		all, rest = all+y*y, rest+r*r
		up, down = max(up, y/f.weight[i]), max(down, -y/f.weight[i])
	}
	return 1 - rest/all, min(up, down) / max(up, down)
}

// swell dates the channels of the mechanics anew where speed and position error
// swell: their course is then learned from the whole record, beside the swell,
// so that a move of the command while they swing doesn't hide it. Where none moved
// by itself a swell must stand out more, and in two of them.
func (s *study) swell() {
	var all, lead []*track
	moved := false
	for _, t := range s.tracks {
		switch t.kind.quantity {
		case speed, positionError:
			lead = append(lead, t)
		case torque, current:
		default:
			continue
		}
		all, moved = append(all, t), moved || t.moved && t.peak != 0
	}
	span := s.at(s.trigger) - s.at(0)
	if len(lead) == 0 || !(span > 0) || len(lead[0].off) < blocks {
		return
	}
	var fits []*fitter
	for _, t := range lead {
		if len(t.off) != len(lead[0].off) {
			return
		}
		fits = append(fits, s.fitterOf(t, t.off))
	}
	best := s.search(fits)
	if best.share == 0 {
		return
	}
	best = s.refine(fits, best, 5)
	for i, t := range lead { // again, weighted by what the better course leaves
		l := s.beneath(t, best, 1)
		if l == nil {
			return
		}
		fits[i] = s.fitterOf(t, l.off)
	}
	best = s.refine(fits, best, 3)
	tail, sides := 1.0, 1.0
	for _, f := range fits {
		explained, even := f.tail(s, best)
		tail, sides = min(tail, explained), min(sides, even)
	}
	if !(tail >= leastTail) || !(sides >= leastSides) || best.grow() < swellLeast || best.grow() > swellMost ||
		best.rate*span < leastRise {
		return
	}
	if !moved && !(len(lead) > 1 && tail >= loneTail && s.standsOut(lead, best)) {
		return
	}
	s.swells = &best
	all = slices.DeleteFunc(all, func(t *track) bool { return len(t.off) != len(lead[0].off) })
	s.redate(all, func(t *track) *laid { return s.beneath(t, best, 2) })
}

// standsOut tells whether a swell is beyond what its channels do by themselves in each.
func (s *study) standsOut(lead []*track, w swell) bool {
	for _, t := range lead {
		l, most := s.beneath(t, w, 2), 0.0
		if l == nil {
			return false
		}
		for _, v := range l.off {
			if v = math.Abs(v); v > most {
				most = v
			}
		}
		if most < max(sureOf*l.quietly(), loneFloor*matters[t.kind.quantity]*t.top) {
			return false
		}
	}
	return true
}

// beneath learns the course of a channel beneath a swell, so many times, each
// weighted by what the one before left. nil where there are too few samples.
func (s *study) beneath(t *track, w swell, rounds int) (l *laid) {
	off, sizes := t.off, []float64(nil)
	for range rounds {
		f := s.fitterOf(t, off)
		f.fill(s, w.hz, w.rate)
		if l, sizes = s.beside(t, f.weight, f.u, f.v); l == nil {
			return nil
		}
		off = l.off
	}
	end := s.at(s.trigger)
	l.part = func(i int) float64 {
		at := s.at(i) - end
		sin, cos := math.Sincos(2 * math.Pi * w.hz * at)
		return math.Exp(w.rate*at) * (sizes[0]*cos + sizes[1]*sin)
	}
	l.from = len(off) / 4
	for l.from < len(off) && math.Exp(w.rate*(s.at(l.from)-end)) <= swellQuiet {
		l.from++
	}
	l.gap, l.begun, l.fit, l.basis = swellCalm/w.hz, swellBegun, swellFit, basisSwell
	return l
}
