package anatomy

import (
	"math"

	"faultkeep/daemon/analysis/robust"
)

// move is a stretch in which a setpoint changes.
type move struct {
	from, to int     // [from, to)
	change   float64 // unit, from its beginning to its end
	rate     float64 // unit/s
}

// overreach is the move of a setpoint that the drive couldn't follow, or nil:
// the largest deviation is a good part of the top speed, and it arose because
// the setpoint left its course, not the actual value.
func (r *record) overreach(t *track) *move {
	sp, top := t.partner.before(r.trigger), 0.0
	n := min(len(t.off), len(sp))
	peak := 0
	for _, v := range t.partner.samples {
		if v = math.Abs(v); v > top && !math.IsInf(v, 0) {
			top = v
		}
	}
	for i := range n {
		if math.Abs(t.off[i]) > math.Abs(t.off[peak]) {
			peak = i
		}
	}
	size := math.Abs(t.off[peak])
	if !(size > 0.05*top) || size < 8*t.sigma {
		return nil
	}
	half := peak
	for half > 0 && !(math.Abs(t.off[half]) < 0.1*size) {
		half--
	}
	from := half
	for half < peak && math.Abs(t.off[half]) < 0.5*size {
		half++
	}
	w := max(4, int(0.02/max(r.pace(from), 1e-9)))
	from -= w // of the way there, the part that hides in the noise
	if from < w {
		return nil
	}
	bent := func(x []float64, i int) float64 { // from the line through the samples before
		slope := (x[from] - x[from-w]) / float64(w)
		return x[i] - x[from] - slope*float64(i-from)
	}
	asked := bent(sp, half)
	if math.Abs(asked) < 1.5*math.Abs(bent(t.samples, half)) || math.Abs(asked) < 0.3*size {
		return nil
	}
	step := max(5*robust.Noise(thin(sp)), 1.5*robust.Step(sp), 1e-3*top)
	at := from
	for at < half && math.Abs(bent(sp, at+1)) <= step/2 {
		at++
	}
	return &move{from: at, to: peak, change: sp[peak] - sp[at], rate: math.Abs(sp[half]-sp[at]) / max(r.at(half)-r.at(at), r.pace(at))}
}
