package response

import (
	"fmt"
	"math"
)

// ramp is what was measured at a ramp.
type ramp struct {
	m         move
	slope     float64  // of the setpoint's longest straight part, unit/s
	following quantity // setpoint − actual value, mean over the end of that part
	lag       quantity // following error ÷ slope, s
	growing   bool     // the following error hadn't become steady
	largest   quantity // size of the largest deviation during the ramp
	over      quantity // beyond the level at the end, in the channel's unit
	settle2   quantity // into 2 % of the ramp's change, from the ramp's end
	ring      ring
	smoothed  int
}

func measureRamp(m move) (ramp, string) {
	r := ramp{m: m, smoothed: 1}
	n := m.lineTo - m.lineFrom
	if n < 10 || math.Abs(m.p.set[m.lineTo]-m.p.set[m.lineFrom]) < 0.3*m.size() {
		return r, "it has no straight part that is long enough"
	}
	noise := math.Max(noiseOf(m.p.act[m.holdFrom:m.end]), resolution(m.p.act[m.holdFrom:m.end]))
	if m.size() < 8*noise {
		return r, fmt.Sprintf("the noise of the actual value, %s RMS, is too large beside it", num(noise, noise/10))
	}
	if moved := (m.p.act[m.end-1] - m.p.act[m.from]) * m.sign(); moved < 0.2*m.size() {
		return r, "the actual value doesn't follow it"
	}
	r.slope = (m.p.set[m.lineTo] - m.p.set[m.lineFrom]) / (float64(n) * m.p.dt)
	r.measureFollowing(noise)
	r.measureEnd(noise)
	return r, ""
}

func (r *ramp) measureFollowing(noise float64) {
	m := r.m
	errorAt := func(from, to int) float64 {
		sum := 0.0
		for i := from; i < to; i++ {
			sum += m.p.set[i] - m.p.act[i]
		}
		return sum / float64(to-from)
	}
	fifth := max((m.lineTo-m.lineFrom)/5, 2)
	e, earlier := errorAt(m.lineTo-fifth, m.lineTo), errorAt(m.lineTo-2*fifth, m.lineTo-fifth)
	// Setpoint and actual value may be sampled up to one interval apart.
	unsure := noise/math.Sqrt(float64(fifth)) + math.Abs(r.slope)*m.p.dt
	r.growing = math.Abs(e-earlier) > 0.1*math.Abs(e)+unsure
	r.following = have(e, unsure+math.Abs(e-earlier))
	r.lag = have(e/r.slope, r.following.pm/math.Abs(r.slope))
	most := 0.0
	for i := m.from; i <= m.to; i++ {
		most = math.Max(most, math.Abs(m.p.set[i]-m.p.act[i]))
	}
	r.largest = have(most, 4*noise+math.Abs(r.slope)*m.p.dt)
}

// measureEnd looks at how the actual value comes to rest after the ramp.
func (r *ramp) measureEnd(noise float64) {
	m := r.m
	win := m.p.act[m.to:m.end]
	tail := tailOf(win)
	half := len(tail) / 2
	level := mean(tail)
	drift := math.Abs(mean(tail[half:])-mean(tail[:half]))/2 + noise/math.Sqrt(float64(len(tail)))
	if math.Abs(level-m.after) > 0.2*m.size() || drift > 0.01*m.size() {
		return // not at rest: nothing to measure from
	}
	s := step{m: m, at: m.to, level: level, size: m.after - m.before, noise: noise, settled: true}
	a := s.answer(m.before, drift)
	r.smoothed = s.smoothed
	tops := a.extremes(a.floor())
	r.over = have(0, a.floor())
	if len(tops) > 0 && tops[0].height > 0 {
		r.over = have(tops[0].height, 2*a.unsure+drift+tops[0].loss)
	}
	if len(tops) > 1 { // one swing alone is no measure of damping after a ramp
		r.ring = ringOf(tops, a, a.floor())
	}
	r.settle2 = s.settling(a, 0.02*a.size, 0)
}
