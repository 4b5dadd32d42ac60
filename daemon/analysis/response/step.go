package response

import (
	"fmt"
	"math"
)

// quantity is a number with its resolution; ok is false where it can't be had.
type quantity struct {
	v, pm float64
	ok    bool
}

func have(v, pm float64) quantity { return quantity{v, pm, true} }

// step is what was measured at a step.
type step struct {
	m           move
	at          int // the first sample with the new setpoint
	settled     bool
	level       float64 // settled level, or the setpoint where it hasn't settled
	size        float64 // change of the actual value, with its sign
	rise, peak  quantity
	over, under quantity // % of the change
	wrong       quantity // first move in the wrong direction, % of the change
	settle2     quantity
	settle5     quantity
	steady      quantity // setpoint − settled level, in the channel's unit
	ripple      quantity // RMS about the setpoint
	ring        ring
	smoothed    int
	watched     float64 // seconds from the step to the end of the window
	blurred     bool    // when it settled is lost in its noise
	noise       float64
}

// answer is the actual value about one step, ready for measuring: positive in
// the direction of the step, 0 at the settled level.
type answer struct {
	dev    []float64 // from the step on, and one sample before it
	dt     float64
	size   float64 // of the change, positive
	unsure float64 // of one smoothed sample
	noise  float64 // of one raw sample
	width  int     // samples that were averaged
	drift  float64 // of the settled level
	tail   int     // samples at the end by which it was judged whether it settled
}

func measureStep(m move) (step, string) {
	s := step{m: m, at: m.to}
	for m.to-s.at < m.to-m.from-1 && (m.p.set[s.at-1]-m.before)*m.sign() >= m.size()/2 {
		s.at--
	}
	win := m.p.act[s.at:m.end]
	pre := m.p.act[max(m.holdFrom, m.from+1-max(5, (m.from+1-m.holdFrom)/2)) : m.from+1]
	s.noise = math.Max(math.Max(noiseOf(pre), noiseOf(tailOf(win))), resolution(m.p.act[m.holdFrom:m.end]))
	y0 := mean(pre)
	if m.size() < 8*s.noise {
		return s, fmt.Sprintf("the noise of the actual value, %s RMS, is too large beside it", num(s.noise, s.noise/10))
	}
	half := len(pre) / 2
	if moved := math.Abs(mean(pre[half:]) - mean(pre[:half])); moved > 0.02*m.size()+4*s.noise/math.Sqrt(float64(max(half, 1))) {
		return s, "the actual value was still moving when it came, from a change before or a disturbance"
	}
	drift, why := s.settleLevel(win, y0)
	if why != "" {
		return s, why
	}
	a := s.answer(y0, drift)
	if why := s.measureRise(a); why != "" {
		return s, why
	}
	s.measureSwing(a)
	s.measureSettling(a)
	return s, ""
}

// tailOf is the last fifth of a window, by which it is judged whether it settled.
func tailOf(win []float64) []float64 { return win[len(win)-min(len(win), max(5, len(win)/5)):] }

// settleLevel finds out whether the end of the window is settled and at which level.
func (s *step) settleLevel(win []float64, y0 float64) (drift float64, why string) {
	m := s.m
	tail := tailOf(win)
	half, level := len(tail)/2, mean(tail)
	drift = math.Abs(mean(tail[half:])-mean(tail[:half]))/2 + s.noise/math.Sqrt(float64(len(tail)))
	most := 0.0
	for _, y := range tail {
		most = math.Max(most, math.Abs(y-level))
	}
	gone := (level - y0) * m.sign()
	way := math.Max(math.Abs(gone), 0.2*m.size())
	s.settled = 2*drift <= 0.02*way+2*s.noise && most-4*s.noise <= 0.05*way
	if s.settled && gone < 0.2*m.size() {
		return 0, fmt.Sprintf("the actual value changes by only %s, so it doesn't follow this setpoint or the drive didn't control", num(gone, m.size()/100))
	}
	s.level, s.size = level, level-y0
	if !s.settled {
		s.level, s.size = m.after, m.after-y0
		drift = 0.01 * math.Abs(s.size)
	}
	if s.size*m.sign() < 0.2*m.size() {
		return 0, "the actual value was beyond the new setpoint already"
	}
	return drift, ""
}

// answer prepares the actual value: where noise matters it is averaged over no
// more than a tenth of the rise.
func (s *step) answer(y0, drift float64) answer {
	m := s.m
	a := answer{dt: m.p.dt, size: math.Abs(s.size), drift: drift, unsure: s.noise, tail: len(tailOf(m.p.act[s.at:m.end]))}
	w := 1
	raw := m.p.act[m.holdFrom:m.end]
	if s.noise > 1e-5*a.size {
		i10, i90 := -1, -1
		for i, y := range raw[s.at-m.holdFrom:] {
			part := (y - y0) / s.size
			if i10 < 0 && part >= 0.1 {
				i10 = i
			}
			if part >= 0.9 {
				i90 = i
				break
			}
		}
		if i90 > i10 {
			w = (i90-i10)/10/2*2 + 1
		}
	}
	s.smoothed = w
	lead := min(s.at-m.holdFrom, w+1)
	a.dev = smooth(m.p.act[s.at-lead:m.end], w)[lead-1:]
	for i, sign := 0, m.sign(); i < len(a.dev); i++ {
		a.dev[i] = (a.dev[i] - s.level) * sign
	}
	a.noise, a.width = s.noise, w
	a.unsure = math.Max(a.unsure/math.Sqrt(float64(w)), s.wander(w))
	return a
}

// wander is how much averaged samples stray where nothing is commanded: at the
// end of the window if it has settled, and before a step. Disturbances that are
// slower than the averaging show here, and not in the noise.
func (s *step) wander(w int) (most float64) {
	calm := [][]float64{}
	if s.settled {
		calm = append(calm, tailOf(s.m.p.act[s.at:s.m.end]))
	}
	if s.m.jump {
		calm = append(calm, s.m.p.act[(s.m.holdFrom+s.m.from+1)/2:s.m.from+1])
	}
	for _, v := range calm {
		v = smooth(v, w)
		level, sum := mean(v), 0.0
		for _, y := range v {
			sum += (y - level) * (y - level)
		}
		most = math.Max(most, math.Sqrt(sum/float64(len(v))))
	}
	return most
}

// floor is what a swing must exceed to be one.
func (a answer) floor() float64 {
	return math.Max(math.Max(4*a.unsure, 3*a.drift), 1e-9*a.size)
}

// crossing is when dev first reaches the level, seconds from the step.
func (a answer) crossing(level float64) (float64, bool) {
	for i, d := range a.dev {
		if d < level {
			continue
		}
		if i == 0 {
			return 0, true
		}
		return (float64(i-1) - (d-level)/(d-a.dev[i-1])) * a.dt, true
	}
	return 0, false
}

func (s *step) measureRise(a answer) string {
	low, ok10 := a.crossing(-0.9 * a.size)
	high, ok90 := a.crossing(-0.1 * a.size)
	if !ok10 || !ok90 {
		top := -math.MaxFloat64
		for _, d := range a.dev {
			top = math.Max(top, d)
		}
		return fmt.Sprintf("the actual value has gone only %.0f %% of the way when %s %s later", math.Max(0, 100*(1+top/a.size)),
			s.m.ends, span(float64(s.m.end-s.at)*a.dt, a.dt))
	}
	slack := a.dt
	if high > low { // how long noise takes to cover at the pace of the rise
		slack += (2*a.unsure + a.drift) * (high - low) / (0.8 * a.size)
	}
	s.rise = have(high-low, slack)
	return ""
}

// measureSwing measures over- and undershoot, the ringing after them, and a
// first move in the wrong direction.
func (s *step) measureSwing(a answer) {
	floor := a.floor()
	tops := a.extremes(floor)
	percent := 100 / a.size
	unsure := percent * (2*a.unsure + a.drift)
	s.over, s.under = have(0, percent*floor), have(0, percent*floor)
	for _, e := range tops {
		switch {
		case e.height > 0 && percent*e.height > s.over.v:
			s.over = have(percent*e.height, unsure+percent*e.loss)
			s.peak = have(e.time, a.dt+e.blur)
		case e.height < 0 && -percent*e.height > s.under.v:
			s.under = have(-percent*e.height, unsure+percent*e.loss)
		}
	}
	s.ring = ringOf(tops, a, floor)
	low := 0.0
	for _, d := range a.dev[1:] {
		if d >= -0.9*a.size {
			break
		}
		low = math.Min(low, d+a.size)
	}
	if -low > floor+a.drift && -low > 0.005*a.size {
		s.wrong = have(-low*percent, unsure)
	}
}

func (s *step) measureSettling(a answer) {
	loss := 0.0
	if len(s.ring.tops) > 0 {
		loss = s.ring.tops[0].loss
	}
	s.settle2 = s.settling(a, 0.02*a.size, loss)
	s.settle5 = s.settling(a, 0.05*a.size, loss)
	s.watched = float64(len(a.dev)-1) * a.dt
	s.blurred = s.settled && !s.settle2.ok
	if !s.settled {
		return
	}
	from := s.m.end - a.tail
	e := make([]float64, a.tail)
	for i := range e {
		e[i] = s.m.p.act[from+i] - s.m.p.set[from+i]
	}
	s.ripple = have(rms(e), a.drift)
	s.steady = have(-mean(e), a.drift)
}

// settling is when dev enters the band about the settled level and stays in it.
func (s *step) settling(a answer, band, loss float64) quantity {
	t, ok := a.lastOutside(band)
	unsure := 2*a.unsure + a.drift + loss
	if !ok || !s.settled || 3*a.unsure > band {
		return quantity{}
	}
	pm := a.dt
	if early, ok := a.lastOutside(band + unsure); ok {
		pm = math.Max(pm, t-early+a.dt)
	}
	late, ok := a.lastOutside(math.Max(band-unsure, 0))
	if !ok {
		late = float64(len(a.dev)-1) * a.dt
	}
	if pm = math.Max(pm, late-t+a.dt); pm > t/2 && pm > 3*a.dt {
		return quantity{} // it could as well be another time
	}
	return have(t, pm)
}

// lastOutside is when dev enters the band for good, seconds from the step. Too
// little of the record after that proves nothing.
func (a answer) lastOutside(band float64) (float64, bool) {
	i := len(a.dev) - 1
	for i >= 0 && math.Abs(a.dev[i]) <= band {
		i--
	}
	if i < 0 {
		return 0, true
	}
	if len(a.dev)-1-i < max(3, len(a.dev)/20) {
		return 0, false
	}
	d, next := math.Abs(a.dev[i]), math.Abs(a.dev[i+1])
	if a.dev[i]*a.dev[i+1] < 0 {
		next = -next // through the level: the band's near edge was crossed on the way
	}
	return math.Max(0, (float64(i-1)+(d-band)/(d-next))*a.dt), true
}
