package anatomy

import (
	"math"
	"slices"

	"faultkeep/daemon/analysis/robust"
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
	leastSides = 0.2  // of the largest deviation to the one side, the largest to the other
	leastRise  = 2.5  // logarithm of the growth over the record
	slowest    = 1.5  // periods in the record
	fastest    = 0.25 // periods in a block
)

// What a deviation that swells must come to. The share is more than that of other
// deviations: at that, simulated drives' onsets came out one swing early more often than late.
const (
	swellDoubt = 4     // standard deviations
	swellBegun = 0.115 // share of the largest deviation
	swellMove  = 0.25  // share of what a move changed in the last half second
	swellFit   = 0.5   // share of the fitted swing in what is dated, the rest being what was measured …
	swellEarly = 0.3   // … where the swing is below this share of the largest deviation
)

// fitter lays a swell through the blocks of a channel, beside what the command did to it.
type fitter struct {
	t      *track
	y      []float64   // medians of blocks; 0 where missing
	weight []float64   // square roots
	at     []float64   // s to the trigger, of the middle of each block
	q      [][]float64 // orthonormal columns of the course, weighted
	left   []float64   // weighted y less the course
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
		size := 0.0
		for i := range c {
			c[i] = m[i] * f.weight[i]
			size += c[i] * c[i]
		}
		f.clear(c)
		f.clear(c)
		d := dot(c, c)
		if d <= 1e-8*size {
			continue
		}
		for i := range c {
			c[i] /= math.Sqrt(d)
		}
		f.q = append(f.q, c)
	}
	f.clear(f.left)
	f.total = dot(f.left, f.left)
	return f
}

func dot(a, b []float64) (s float64) {
	for i, v := range a {
		s += v * b[i]
	}
	return s
}

// clear takes the course's columns out of c.
func (f *fitter) clear(c []float64) {
	for _, q := range f.q {
		k := dot(q, c)
		for i, v := range q {
			c[i] -= k * v
		}
	}
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
	for _, q := range f.q { // what the course explains of the swell doesn't count
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
	f.clear(f.u)
	f.clear(f.v)
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
// so that a move of the command while they swing doesn't hide it.
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
	if len(lead) == 0 || !moved || !(span > 0) || len(lead[0].off) < blocks {
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
		off, _, _, ok := s.apart(t, t.off, best)
		if !ok {
			return
		}
		fits[i] = s.fitterOf(t, off)
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
	s.swells = &best
	for _, t := range all {
		if len(t.off) == len(lead[0].off) {
			s.redateSwell(t, best)
		}
	}
}

// apart tells the swell of a channel from its course. off are the samples less
// the course, value the course by block, amplitude the swell's at the trigger.
func (s *study) apart(t *track, was []float64, w swell) (off, value []float64, swing [2]float64, ok bool) {
	f := s.fitterOf(t, was)
	b, sp := s.moves.basisFor(t.signal)
	f.fill(s, w.hz, w.rate)
	low, high := math.Inf(1), math.Inf(-1)
	for i, v := range f.y {
		if f.weight[i] > 0 {
			low, high = min(low, v), max(high, v)
		}
	}
	span := max(high-low, t.step, 1e-9)
	var columns [][]float64
	var prior []float64
	for j, m := range append(append([][]float64(nil), b.means...), f.u, f.v) {
		c := make([]float64, len(f.y))
		for i := range c {
			c[i] = m[i] * f.weight[i]
		}
		p := 50 * span
		if j >= 1 && j < len(b.means) {
			p = 0.5 * span / math.Max(b.top[j], 1e-12)
			if j >= 2 && sp != nil {
				p = loopTime
			}
		}
		columns, prior = append(columns, c), append(prior, p)
	}
	y := make([]float64, len(f.y))
	for i := range y {
		y[i] = f.y[i] * f.weight[i]
		if f.weight[i] == 0 {
			y[i] = math.NaN()
		}
	}
	alike := lasting / math.Max(s.pace(1)*float64(t.size), 1e-9)
	g, ok := robust.Regress(columns, y, prior, alike)
	if !ok {
		return nil, nil, swing, false
	}
	c := course{basis: b, model: g, sp: sp, size: t.size}
	off = make([]float64, len(t.off))
	c.deviation(t.before(s.trigger), off)
	for i, v := range off {
		if math.IsInf(v, 0) {
			off[i] = math.NaN()
		}
	}
	value = make([]float64, len(f.y))
	for j, m := range b.means {
		for i := range value {
			value[i] += g.Theta[j] * m[i]
		}
	}
	n := len(b.means)
	return off, value, [2]float64{g.Theta[n], g.Theta[n+1]}, true
}

// redateSwell dates the deviation of a channel that swells.
func (s *study) redateSwell(t *track, w swell) {
	off, _, _, ok := s.apart(t, t.off, w)
	if !ok {
		return
	}
	off, value, swing, ok := s.apart(t, off, w) // weighted by what the better course leaves
	if !ok {
		return
	}
	t.off, t.swelled = off, true
	end := s.at(s.trigger)
	var quiet []float64
	for i, v := range off {
		at := s.at(i) - end
		g := math.Exp(w.rate * at)
		if g > 0.1 && i >= len(off)/4 {
			break
		}
		sin, cos := math.Sincos(2 * math.Pi * w.hz * at)
		quiet = append(quiet, v-g*(swing[0]*cos+swing[1]*sin))
	}
	t.sigma = max(robust.Noise(thin(quiet)), robust.Spread(thin(quiet), t.step))
	t.quiet = t.sigma
	last, top, spread := s.samplesIn(settle)/t.size, 0, 0.0
	t.dev = make([]float64, len(off))
	most := 0.0
	for _, v := range off {
		if v = math.Abs(v); v > most {
			most = v
		}
	}
	for i, v := range off {
		if b := i / t.size; i%t.size == 0 {
			recent := value[max(0, b-last) : b+1]
			spread = slices.Max(recent) - slices.Min(recent)
		}
		// The measured swing has noise and gusts on it, the fitted one isn't quite
		// the true one; half of each is nearer to it than either.
		sin, cos := math.Sincos(2 * math.Pi * w.hz * (s.at(i) - end))
		if g := math.Exp(w.rate*(s.at(i)-end)) * (swing[0]*cos + swing[1]*sin); math.Abs(g) < swellEarly*most {
			v += swellFit * (g - v)
		}
		t.dev[i] = shrink(v, swellMove*spread)
		if math.Abs(t.dev[i]) > math.Abs(t.dev[top]) {
			top = i
		}
	}
	t.peak = t.dev[top]
	room, first := max(swellDoubt*t.sigma, swellBegun*most), -1
	for i := top; i >= 0; i-- { // over the zeros, that are less than a swing apart
		if math.Abs(t.smooth(i)) >= room {
			first = i
		} else if first >= 0 && s.at(first)-s.at(i) > 0.6/w.hz {
			break
		}
	}
	t.moved = first >= 0
	if !t.moved {
		return
	}
	t.onset, t.alarm = first, first
	t.side = math.Copysign(1, t.smooth(first))
	for t.alarm < top && math.Abs(t.smooth(t.alarm)) < math.Min(2*room, 0.9*math.Abs(t.peak)) {
		t.alarm++
	}
}
