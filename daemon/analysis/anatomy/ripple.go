package anatomy

import "math"

// halfPeriod is the window over which ripple is taken, in seconds: a half
// period of 50 Hz and a bit, so that a missing phase shows in each.
const halfPeriod = 0.012

// ripple follows how far a DC link swings within a half period of the line: a
// missing phase hardly moves its mean, and a load hardly its swing.
func (r *record) ripple(s *signal, share float64) (t *track, ok bool) {
	x := s.before(r.trigger)
	if len(x) < 4*least {
		return nil, false
	}
	w := max(4, int(halfPeriod/max(r.pace(1), 1e-9)))
	swing := &signal{index: s.index, name: s.name, unit: s.unit, kind: kind{link, false}, samples: swings(x, w), partner: nil}
	t, ok = r.follow(swing, share, 0)
	if !ok || !t.moved || t.peak < 0.03*math.Abs(mean(x)) {
		return nil, false
	}
	return t, true
}

// swings are the differences between the highest and the lowest of the last w
// samples, by queues of candidates, at a cost that doesn't depend on w.
func swings(x []float64, w int) []float64 {
	out := make([]float64, len(x))
	var high, low []int
	for i, v := range x {
		for len(high) > 0 && !(x[high[len(high)-1]] > v) {
			high = high[:len(high)-1]
		}
		for len(low) > 0 && !(x[low[len(low)-1]] < v) {
			low = low[:len(low)-1]
		}
		high, low = append(high, i), append(low, i)
		if high[0] <= i-w {
			high = high[1:]
		}
		if low[0] <= i-w {
			low = low[1:]
		}
		out[i] = x[high[0]] - x[low[0]]
	}
	return out
}

func mean(x []float64) float64 {
	sum, n := 0.0, 0
	for _, v := range x {
		if !math.IsNaN(v - v) {
			sum += v
			n++
		}
	}
	return sum / float64(max(n, 1))
}
