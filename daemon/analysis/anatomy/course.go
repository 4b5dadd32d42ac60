package anatomy

import (
	"math"
	"slices"

	"faultkeep/daemon/analysis/robust"
)

// lags are the time constants, in seconds, of which answers to a command are
// made up: from a servo's to a fan's speed loop (common practice, no source).
var lags = []float64{0.01, 0.03, 0.1, 0.3, 1}

// loopTime is how long the actual value may be expected to be behind a ramp of
// its setpoint, for each of the lags, in seconds (common practice, no source).
const loopTime = 0.03

// lasting is for how long a load's own ups and downs go one way, in seconds
// (common practice, no source): samples closer together say the same about them.
const lasting = 0.3

// blocks is how many pieces a record is cut into to learn its course: enough
// for the fastest answers in a record of a few seconds, few enough to be quick.
const blocks = 256

// effects are what a command can do to other channels, as columns of a linear
// model: by sample, and as means of blocks.
type effects struct {
	sp             []float64
	heat           basis // for a temperature
	odd, even, off basis // for what changes sign with the direction; for what doesn't; for the actual value less the setpoint
	size           int   // samples of a block
}

// basis are the columns of a model. The first is constant, the second grows
// with time.
type basis struct {
	columns [][]float64 // by sample
	means   [][]float64 // by block
	top     []float64   // largest size of each column
}

func (b *basis) add(c []float64, size int) {
	top, m := 0.0, make([]float64, 0, len(c)/size+1)
	for i := 0; i < len(c); i += size {
		end, sum := min(i+size, len(c)), 0.0
		for _, v := range c[i:end] {
			sum += v
			top = max(top, math.Abs(v))
		}
		m = append(m, sum/float64(end-i))
	}
	b.columns, b.means, b.top = append(b.columns, c), append(b.means, m), append(b.top, top)
}

// priors are what is believed of each column of a channel's course before its
// samples are seen: that what it does to the channel is 0, give or take half the
// channel's span, or what a drive lags behind its setpoint. The level is free.
func (b *basis) priors(span float64, follows bool) []float64 {
	out := make([]float64, len(b.means))
	for j := range out {
		out[j] = 0.5 * span / math.Max(b.top[j], 1e-12)
		if j >= 2 && follows {
			out[j] = loopTime
		}
	}
	out[0] *= 100
	return out
}

// effectsOf a command sp, nil for none: its level, its direction, and its slope
// after each of the lags.
func (r *record) effectsOf(sp []float64) *effects {
	n := r.trigger
	e := &effects{sp: sp, size: max(1, (n+blocks-1)/blocks)}
	one, time := make([]float64, n), make([]float64, n)
	for i := range n {
		one[i], time[i] = 1, float64(i)/float64(max(n-1, 1))
	}
	for _, b := range []*basis{&e.odd, &e.even, &e.off} {
		b.add(one, e.size)
		b.add(time, e.size)
	}
	e.heat = basis{e.off.columns[:2:2], e.off.means[:2:2], e.off.top[:2:2]}
	if c := r.of(current); c != nil {
		e.heat.add(r.heating(c), e.size)
	}
	if len(sp) == 0 {
		return e
	}
	held, top := hold(sp, n)
	e.sp = held
	if top == 0 {
		return e
	}
	way, size := make([]float64, n), make([]float64, n)
	for i, v := range held {
		way[i], size[i] = v/(math.Abs(v)+0.02*top), math.Abs(v) // rest is neither direction
	}
	e.odd.add(held, e.size)
	e.odd.add(way, e.size)
	e.even.add(size, e.size)
	for _, lag := range lags {
		d := r.slope(held, lag)
		e.odd.add(d, e.size)
		e.off.add(d, e.size)
		driving, braking := make([]float64, n), make([]float64, n) // friction helps to brake
		for i := range d {
			v := d[i] * way[i]
			driving[i], braking[i] = max(v, 0), min(v, 0)
		}
		e.even.add(driving, e.size)
		e.even.add(braking, e.size)
	}
	return e
}

// heating is the integral of a current's square, from 0 to 1: the losses that it
// leaves in the heat sink. That cools down more slowly than a record lasts.
func (r *record) heating(c *signal) []float64 {
	held, top := hold(c.samples, r.trigger)
	sum := 0.0
	for i, v := range held {
		if i > 0 && top > 0 {
			sum += v / top * v / top * (r.times[i] - r.times[i-1])
		}
		held[i] = sum
	}
	for i := range held {
		held[i] /= max(sum, 1e-300)
	}
	return held
}

// braking tells by block whether the motor gives power back: by torque and speed
// where both are recorded, else by whether the command slows the drive down.
func (r *record) braking(blocks int) []bool {
	out := make([]bool, blocks)
	e := r.moves
	if m, n := r.of(torque), r.of(speed); m != nil && n != nil {
		given, most := make([]float64, blocks), 0.0
		for b := range given {
			for i := b * e.size; i < min((b+1)*e.size, len(m.samples), len(n.samples), r.trigger); i++ {
				if p := m.samples[i] * n.samples[i]; !math.IsNaN(p - p) {
					given[b] += p
				}
			}
			most = max(most, math.Abs(given[b]))
		}
		for b, p := range given {
			out[b] = p <= 0.05*most // about nothing is enough: of the losses some come back
		}
		return out
	}
	for j := 3; j < len(e.even.means); j++ {
		for b, v := range e.even.means[j][:blocks] {
			out[b] = out[b] || v*settle < -0.01*e.even.top[2]
		}
	}
	return out
}

// hold gives n samples in which missing ones are as the last was.
func hold(v []float64, n int) (out []float64, top float64) {
	out = make([]float64, n)
	last := math.NaN()
	for i := range out {
		if i < len(v) && !math.IsNaN(v[i]-v[i]) {
			last = v[i]
		}
		out[i] = last
		if math.Abs(last) > top {
			top = math.Abs(last)
		}
	}
	for i := 0; i < n && math.IsNaN(out[i]); i++ {
		out[i] = 0
	}
	return out, top
}

// slope is by how much a second x changes, after a lag of the first order that
// was settled when the record began.
func (r *record) slope(x []float64, lag float64) []float64 {
	n := len(x)
	first := min(n-1, 8)
	rate := 0.0
	if first > 0 {
		if dt := r.at(first) - r.at(0); dt > 0 {
			rate = (x[first] - x[0]) / dt
		}
	}
	out := make([]float64, n)
	behind := x[0] - lag*rate
	last, keep := 0.0, 0.0
	for i := range out {
		if i > 0 {
			if dt := r.times[i] - r.times[i-1]; dt != last {
				last, keep = dt, math.Exp(-dt/lag)
			}
			behind = x[i] + (behind-x[i])*keep
		}
		out[i] = (x[i] - behind) / lag
	}
	return out
}

// course is what a channel would have done.
type course struct {
	basis *basis
	model robust.Regression
	sp    []float64 // that the channel should follow, or nil
	size  int
}

// basisFor is what a command can do to signal s; sp is the setpoint that it should follow, or nil.
func (e *effects) basisFor(s *signal) (b *basis, sp []float64) {
	switch {
	case s.kind.quantity == ripple:
		return &basis{e.off.columns[:1], e.off.means[:1], e.off.top[:1]}, nil
	case s.kind.quantity == temperature && s.heated:
		return &e.heat, nil
	case s.kind.quantity == temperature:
		return &basis{e.off.columns[:2], e.off.means[:2], e.off.top[:2]}, nil
	case s.partner != nil:
		return &e.off, e.sp
	case s.kind.quantity == current || s.kind.quantity == link:
		return &e.even, nil
	}
	return &e.odd, nil
}

// courseOf learns the course of signal s from the first base samples. Where
// nothing in them tells what a move does, the prior does: anything that the
// channel was seen to do. y are the medians of the channel's blocks.
func (r *record) courseOf(s *signal, e *effects, base int, y []float64, span, lasting float64) (c course, ok bool) {
	c = course{size: e.size}
	c.basis, c.sp = e.basisFor(s)
	nb := min(max(base/c.size, 1), len(y))
	means := make([][]float64, len(c.basis.means))
	for j, m := range c.basis.means {
		means[j] = m[:nb]
	}
	prior := c.basis.priors(span, c.sp != nil)
	alike := lasting / math.Max(r.pace(1)*float64(c.size), 1e-9)
	if c.model, ok = robust.Regress(means, y[:nb], prior, alike); !ok || len(prior) < 2 || c.model.Sure(1) >= 4 {
		return c, ok
	}
	prior[1] = 1e-9 * span // no trend that is beyond doubt: carried on, an error would look like a deviation
	c.model, ok = robust.Regress(means, y[:nb], prior, alike)
	return c, ok
}

// unlike is by what share the answer to a move differs from one time to another:
// friction, temperature and what is being moved change (common practice, no source).
const unlike = 0.2

// doubts are the standard deviations of the course, by block: of what was
// learned, and of what a move changed in the last blocks in a row.
func (c *course) doubts(last int) []float64 {
	out := make([]float64, len(c.basis.means[0]))
	value := make([]float64, len(out))
	low, high := 0.0, 0.0
	for b := range out {
		for j := 2; j < len(c.basis.means); j++ {
			value[b] += c.model.Theta[j] * c.basis.means[j][b]
		}
		if at := max(b-1-last, -1); b == 0 || at >= 0 && (value[at] == low || value[at] == high) { // what was an end of the range is past
			low, high = slices.Min(value[at+1:b+1]), slices.Max(value[at+1:b+1])
		}
		low, high = min(low, value[b]), max(high, value[b])
		d, answer := c.model.Doubt(c.basis.means, b), unlike*(high-low)
		out[b] = math.Sqrt(d*d + answer*answer)
	}
	if c.sp != nil { // what rests may stick before it moves
		top, rested := slices.Max(c.sp), math.MaxInt/2
		top = max(top, -slices.Min(c.sp))
		for b := range out {
			now := math.Abs(c.sp[min(b*c.size+c.size/2, len(c.sp)-1)])
			if rested++; now < 0.01*top {
				rested = 0
			}
			if rested < last/2 {
				out[b] = math.Max(out[b], now/2)
			}
		}
	}
	return out
}

// deviation writes the samples of x less the course to off.
func (c *course) deviation(x, off []float64) {
	copy(off, x)
	if c.sp != nil {
		for i := range off {
			off[i] -= c.sp[i]
		}
	}
	for j, col := range c.basis.columns {
		if theta := c.model.Theta[j]; theta != 0 {
			for i := range off {
				off[i] -= theta * col[i]
			}
		}
	}
}

// medians of the blocks of x, less the setpoint that it should follow.
func (e *effects) medians(x []float64, follows bool) []float64 {
	out, block := make([]float64, 0, len(x)/e.size+1), make([]float64, 0, e.size)
	for i := 0; i < len(x); i += e.size {
		block = block[:0]
		for k, v := range x[i:min(i+e.size, len(x))] {
			if follows {
				v -= e.sp[i+k]
			}
			if !math.IsNaN(v - v) {
				block = append(block, v)
			}
		}
		out = append(out, robust.MedianOf(block))
	}
	return out
}
