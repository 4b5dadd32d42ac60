package anatomy

import (
	"math"
	"slices"
)

// What ripple of a DC link is looked at. Three phases rectified leave six
// pulses a period of the line; with one missing there are two, so that twice
// the line's frequency appears, at 50 or 60 Hz mains.
const (
	rippleWindow = 0.05  // s: five periods of 100 Hz, six of 120 Hz
	dip          = 0.15  // share of its voltage that a link falls by when the supply sags, and not by a missing phase (common practice, no source)
	rippleLeast  = 0.008 // share of the link's voltage: an amplitude above what unbalanced mains leave (common practice, no source)
)

var rippleHz = []float64{100, 120}

// ripple follows the amplitude at twice the line's frequency of a DC link: a
// missing phase hardly moves its mean, and a load hardly this. ok is false
// where it didn't rise, or where the samples are too far apart to show it.
func (r *record) ripples(s *signal, share float64) (t *track, hz float64, ok bool) {
	x := s.before(r.trigger)
	held, level := hold(x, len(x))
	for _, f := range rippleHz {
		if w := int(rippleWindow / math.Max(r.pace(r.trigger), 1e-9)); 2*f*rippleWindow >= float64(w) || len(x) < 4*w {
			continue
		}
		swing := r.amplitude(held, f)
		if slices.Max(swing) <= rippleLeast*level {
			continue
		}
		a := &signal{index: s.index, name: s.name, unit: s.unit, kind: kind{ripple, false}, samples: swing}
		v, fine := r.follow(a, share, rippleWindow, r.trigger)
		if fine && v.moved && v.peak > math.Max(v.usual, rippleLeast*level) && (!ok || v.peak > t.peak) {
			t, hz, ok = v, f, true
		}
	}
	return t, hz, ok
}

// amplitude at f Hz in the window before each sample of x, without what a steady slope
// would leave there.
func (r *record) amplitude(x []float64, f float64) []float64 {
	n := len(x)
	w := max(1, int(math.Round(rippleWindow/r.pace(r.trigger))))
	sum := make([]float64, n+1)
	for i, v := range x {
		sum[i+1] = sum[i] + v - x[0]
	}
	out, re, im := make([]float64, n), make([]float64, n+1), make([]float64, n+1)
	for i, v := range x {
		half := min(w/2, i, n-1-i) // a centred mean takes a slope away, and none of whole periods
		mean := x[0] + (sum[i+half+1]-sum[i-half])/float64(2*half+1)
		sin, cos := math.Sincos(2 * math.Pi * f * r.times[i])
		re[i+1], im[i+1] = re[i]+(v-mean)*cos, im[i]+(v-mean)*sin
		from := max(0, i+1-w)
		out[i] = 2 * math.Hypot(re[i+1]-re[from], im[i+1]-im[from]) / float64(w)
	}
	return out
}

// rippled notes that the amplitude w at hz rose, at the first sample around that
// which left its course by itself.
func (t *track) rippled(w *track, hz float64, window int) {
	t.swing, t.hz = w.peak, hz
	if t.moved && t.onset <= w.onset && t.peak < -dip*math.Abs(t.usual) { // it fell first, and that swings, too
		return
	}
	t.moved, t.onset = true, w.onset
	for i := max(0, w.onset-window); i < min(len(t.off), w.onset+window); i++ {
		if math.Abs(t.off[i]) >= beyondDoubt*t.sigma {
			t.onset = i
			break
		}
	}
	t.alarm = t.onset
}
