package anatomy

import "math"

// hinges are what a ramp adds to a channel that begins at the middle of a block: by
// how much the squares that the channel's course leaves shrink, for any two of
// them at once. What sums over blocks is summed once, so that a pair costs no
// more than the course has columns.
type hinges struct {
	at         []float64 // s, the middle of each block
	weight     []float64 // 1 or, where a block is missing, 0
	total      float64   // squares that the course leaves
	course     columns
	along      []float64   // by hinge: its product with what the course leaves …
	by         [][]float64 // … and with each column of the course
	w, wt, wtt []float64   // from each block on: sums of weight, weight·at and weight·at²
}

// hingesOf a channel. What its course is believed to be is a further row for each
// column (ridge regression). A trend is no part of the course here: a ramp would
// be taken for one.
func (s *study) hingesOf(t *track) *hinges {
	b, sp := s.moves.basisFor(t.signal)
	n, p := len(t.blocks), len(b.means)
	h := &hinges{at: make([]float64, n), weight: make([]float64, n)}
	left := make([]float64, n+p)
	low, high := math.Inf(1), math.Inf(-1)
	for i, v := range t.blocks {
		h.at[i] = (s.at(i*t.size) + s.at(min((i+1)*t.size, s.trigger)-1)) / 2
		if !math.IsNaN(v - v) {
			left[i], h.weight[i] = v, 1
			low, high = min(low, v), max(high, v)
		}
	}
	prior := b.priors(max(high-low, t.step, 1e-9), sp != nil)
	for j, m := range b.means {
		if j == 1 {
			continue
		}
		c := make([]float64, n+p)
		for i := range n {
			c[i] = m[i] * h.weight[i]
		}
		c[n+j] = t.quiet * math.Sqrt(math.Max(s.alike(t), 1)) / prior[j]
		h.course.add(c)
	}
	h.course.clear(left)
	h.total = dot(left, left)
	h.w, h.wt, h.wtt = make([]float64, n+1), make([]float64, n+1), make([]float64, n+1)
	for i := n - 1; i >= 0; i-- {
		h.w[i] = h.w[i+1] + h.weight[i]
		h.wt[i] = h.wt[i+1] + h.weight[i]*h.at[i]
		h.wtt[i] = h.wtt[i+1] + h.weight[i]*h.at[i]*h.at[i]
	}
	h.along = h.products(left)
	h.by = make([][]float64, n)
	for _, q := range h.course {
		for i, v := range h.products(q) {
			h.by[i] = append(h.by[i], v)
		}
	}
	return h
}

// products of x with the hinge at each block.
func (h *hinges) products(x []float64) []float64 {
	out := make([]float64, len(h.at))
	sum, moment := 0.0, 0.0
	for i := len(out) - 1; i >= 0; i-- {
		v := x[i] * h.weight[i]
		sum, moment = sum+v, moment+v*h.at[i]
		out[i] = moment - sum*h.at[i]
	}
	return out
}

// product of the hinges at blocks a ≤ b, without what the course explains of them.
func (h *hinges) product(a, b int) float64 {
	return h.wtt[b] - (h.at[a]+h.at[b])*h.wt[b] + h.at[a]*h.at[b]*h.w[b] - dot(h.by[a], h.by[b])
}

// best is the pair of hinges, the first of them not before a block, that leaves
// the least squares, and the share of those that it takes away.
func (h *hinges) best(first int) (from, turn int, share float64) {
	n := len(h.at)
	own := make([]float64, n)
	for a := range own {
		own[a] = h.product(a, a)
	}
	for a := first; a < n-1; a++ {
		for b := a + 1; b < n-1; b++ {
			ab := h.product(a, b)
			d := own[a]*own[b] - ab*ab
			if d <= 1e-9*own[a]*own[b] || own[a] <= 0 {
				continue
			}
			ya, yb := h.along[a], h.along[b]
			if gain := (ya*ya*own[b] - 2*ya*yb*ab + yb*yb*own[a]) / d / h.total; gain > share {
				from, turn, share = a, b, gain
			}
		}
	}
	return from, turn, share
}

// hinge at a block, by block.
func (h *hinges) hinge(at int) []float64 {
	out := make([]float64, len(h.at))
	for i := range out {
		out[i] = max(0, h.at[i]-h.at[at])
	}
	return out
}
