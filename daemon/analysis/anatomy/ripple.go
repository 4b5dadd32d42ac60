package anatomy

import (
	"math"

	"faultkeep/daemon/analysis/robust"
)

// halfPeriod is the window over which ripple is taken, in seconds: a half
// period of 50 Hz and a bit, so that a missing phase shows in each.
const halfPeriod = 0.012

// ripple follows how far a DC link swings within a half period of the line: a
// missing phase hardly moves its mean, and a load hardly its swing.
func (r *record) ripple(s *signal, share float64) (t *track, ok bool) {
	x := s.before(r.trigger)
	if len(x) < 8*least {
		return nil, false
	}
	w := min(max(4, int(halfPeriod/max(r.pace(1), 1e-9))), len(x)/4)
	swing := &signal{index: s.index, name: s.name, unit: s.unit, kind: kind{other, false}, samples: swings(x, w)}
	least := robust.Quantile(thin(swing.samples[w:]), 0.05) // noise, and what is always there
	for i, v := range swing.samples {
		swing.samples[i] = max(0, v-least)
	}
	r.perLoad(swing.samples, w)
	t, ok = r.follow(swing, share, 0)
	level := math.Abs(mean(x))
	if !ok || !t.moved || t.peak < 1.2*t.usual || t.peak+t.usual < 0.055*level {
		return nil, false
	}
	return t, true
}

// perLoad makes swings those at the record's highest load: a rectifier's ripple
// grows with the power that is taken. Where no power is recorded they stay.
func (r *record) perLoad(swing []float64, w int) {
	load := r.load()
	if load == nil {
		return
	}
	sum, top := 0.0, 0.0
	smooth := make([]float64, len(swing))
	for i := range swing {
		v := load(i)
		if math.IsNaN(v - v) {
			v = 0
		}
		sum += v
		if i >= w {
			if old := load(i - w); !math.IsNaN(old - old) {
				sum -= old
			}
		}
		smooth[i] = math.Abs(sum) / float64(min(i+1, w))
		top = max(top, smooth[i])
	}
	if top == 0 {
		return
	}
	for i := range swing {
		swing[i] /= 0.25 + 0.75*smooth[i]/top
	}
}

// load is what the motor takes, in any unit: torque times speed, else current;
// nil where neither is recorded.
func (r *record) load() func(int) float64 {
	m, n, c := r.of(torque), r.of(speed), r.of(current)
	switch {
	case m != nil && n != nil:
		a, b := m.samples, n.samples
		return func(i int) float64 { return a[min(i, len(a)-1)] * b[min(i, len(b)-1)] }
	case c != nil:
		a := c.samples
		return func(i int) float64 { return a[min(i, len(a)-1)] }
	}
	return nil
}

// swings are the differences between the highest and the lowest of the last w
// samples, less what a steady slope has; by queues of candidates, at a cost that
// doesn't depend on w.
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
		out[i] = x[high[0]] - x[low[0]] - math.Abs(v-x[max(0, i-w+1)])
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
