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

// What makes a command one beyond limits (common practice, no source).
const (
	astray  = 0.1 // share of the top speed that the drive falls behind by
	steeper = 3   // times the steepest slope that it followed before
)

// overreach is the move of a setpoint that the drive couldn't follow, or nil:
// the actual value was off by a good part of the top speed, because the
// setpoint left its course and not the actual value, and it went more steeply
// than any that was followed before.
func (r *record) overreach(t *track) *move {
	sp, top, peak := r.moves.sp, 0.0, 0
	gap := make([]float64, min(len(t.off), len(sp)))
	for i := range gap {
		gap[i] = t.samples[i] - sp[i]
		top = max(top, math.Abs(sp[i]))
		if math.Abs(gap[i]) > math.Abs(gap[peak]) {
			peak = i
		}
	}
	if len(gap) == 0 {
		return nil
	}
	size := math.Abs(gap[peak])
	if end := robust.Median(gap[len(gap)-min(least, len(gap)):]); math.Abs(end) < 0.25*size { // it caught up
		return nil
	}
	w := max(4, r.samplesIn(0.02))
	if !(size > astray*top) || size < 8*t.sigma || peak <= 2*w {
		return nil
	}
	from := peak
	for from > w && !(math.Abs(gap[from]) < 0.1*size) {
		from--
	}
	half := from
	for half < peak && math.Abs(gap[half]) < 0.5*size {
		half++
	}
	from -= w // of the way there, the part that hides in the noise
	if from < w {
		return nil
	}
	slope := (sp[from] - sp[from-w]) / float64(w) // until then, the drive went as the setpoint did
	bent := func(x []float64, i int) float64 {
		return robust.Median(x[max(0, i-2):i+1]) - robust.Median(x[from-w:from+1]) - slope*(float64(i-from)+float64(w)/2)
	}
	asked := math.Abs(bent(sp, half))
	if asked < 1.1*math.Abs(bent(t.samples, half)) || asked < 0.3*size {
		return nil
	}
	before := 0.0
	for i := w; i <= from-w; i++ {
		before = max(before, math.Abs(sp[i]-sp[i-w]))
	}
	at, step := from, max(5*robust.Noise(thin(sp)), 1.5*robust.Step(sp), 1e-3*top)
	for at < half && math.Abs(bent(sp, at+1)) <= step/2 {
		at++
	}
	rate := math.Abs(sp[half]-sp[at]) / math.Max(float64(half-at), 1)
	if rate*float64(w) < steeper*before || !r.exhausted(half) {
		return nil
	}
	return &move{from: at, to: peak, change: sp[peak] - sp[at], rate: rate / r.pace(half)}
}

// exhausted tells whether the drive gave all it could from sample from on: its
// torque, else its current, was at the largest that it came to for a good part
// of the time. True where neither is recorded.
func (r *record) exhausted(from int) bool {
	s := r.of(torque)
	if s == nil {
		s = r.of(current)
	}
	if s == nil || from >= len(s.before(r.trigger)) {
		return true
	}
	x := s.before(r.trigger)[from:]
	top, at := 0.0, 0
	for _, v := range x {
		if !math.IsNaN(v - v) {
			top = max(top, math.Abs(v))
		}
	}
	for _, v := range x {
		if math.Abs(v) > 0.9*top {
			at++
		}
	}
	return float64(at) > 0.4*float64(len(x))
}
