package anatomy

import (
	"math"

	"faultkeep/daemon/analysis/robust"
)

// bend dates the deviation of a temperature, whose course is known for a while
// only: at the block from which on a steeper one fits best, looked for again ever
// closer to it, since what follows isn't straight either. Its course is then that
// before it.
func (k *tracker) bend() {
	t, b, n := k.t, &k.r.moves.heat, len(k.y)
	at, ok := k.breaks(b, 0, n)
	from := 0
	for i := 0; ok && i < 3; i++ {
		after := max(n-at, 2*least)
		from = max(0, at-2*after)
		at, ok = k.breaks(b, from, min(n, at+after/2))
	}
	if !ok || at-from < least || at >= n {
		return
	}
	before := make([][]float64, len(b.means))
	for j, m := range b.means {
		before[j] = m[from:at]
	}
	model, ok := robust.Regress(before, k.y[from:at], b.priors(k.span, false), 1)
	if !ok {
		return
	}
	c := course{basis: b, model: model, size: t.size}
	c.deviation(k.x, t.off)
	for i, v := range t.off {
		if math.IsInf(v, 0) {
			t.off[i] = math.NaN()
		}
	}
	clear(t.doubt)
	copy(t.dev, t.off)
	t.base = at * t.size
	t.sigma = max(robust.Spread(thin(t.off[from*t.size:t.base]), t.step), 1e-9)
	if len(b.means) > 2 {
		t.basis = basisHeat
	}
	k.date(t.base, max(from*t.size, t.base-(len(k.x)-t.base)/2))
}

// breaks is the block of [from, to) from which on the channel goes another way
// by so much for each unit of what heats, or, where no current tells that, of time.
func (k *tracker) breaks(b *basis, from, to int) (at int, ok bool) {
	var course columns
	axis := b.means[len(b.means)-1]
	for _, m := range b.means {
		course.add(masked(m[from:to], k.y[from:to]))
	}
	left := masked(k.y[from:to], k.y[from:to])
	course.clear(left)
	best, h := 0.0, make([]float64, to-from)
	for a := least; a < len(h)-least/2; a++ {
		for i := range h {
			h[i] = max(0, axis[from+i]-axis[from+a])
		}
		h = masked(h, k.y[from:to])
		if !course.clear(h) {
			continue
		}
		y := dot(h, left)
		if gain := y * y / dot(h, h); gain > best {
			best, at, ok = gain, from+a, true
		}
	}
	return at, ok
}

// masked is v with 0 where y is missing.
func masked(v, y []float64) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		if !math.IsNaN(y[i] - y[i]) {
			out[i] = v[i]
		}
	}
	return out
}
