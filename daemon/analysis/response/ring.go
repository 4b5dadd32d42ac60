package response

import "math"

// top is one extreme of the swing about the settled level.
type top struct {
	time   float64 // seconds from the step
	height float64 // positive beyond the level, negative short of it
	loss   float64 // how much of it may lie between samples
	blur   float64 // how far noise can shift it in time, s
}

// mostTops is how many extremes of a ringing are looked at.
const mostTops = 16

// extremes are the alternating extremes after the level was first reached, down
// to the first that isn't above floor.
func (a answer) extremes(floor float64) (out []top) {
	i := 0
	for i < len(a.dev) && a.dev[i] < 0 {
		i++
	}
	sign, best := 1.0, i
	for ; i < len(a.dev) && len(out) < mostTops; i++ {
		switch d := sign * a.dev[i]; {
		case d > sign*a.dev[best]:
			best = i
		case -d > floor:
			if sign*a.dev[best] > floor {
				out = append(out, a.top(best))
			} else if len(out) > 0 {
				return out
			}
			sign, best = -sign, i
		}
	}
	if best < len(a.dev)-1 && len(out) < mostTops && sign*a.dev[best] > floor {
		out = append(out, a.top(best))
	}
	return out
}

// top is the extreme at dev[i]. Under noise the parabola is laid through as
// many samples on either side as were averaged.
func (a answer) top(i int) top {
	h := a.width
	if h <= 1 || i < h || i+h >= len(a.dev) {
		at, height, loss := vertex(a.dev, i)
		return top{time: (at - 1) * a.dt, height: height, loss: loss, blur: a.blur(1, 8*loss)}
	}
	slope, bend, level := parabola(a.dev[i-h : i+h+1])
	shift := 0.0
	if bend*a.dev[i] < 0 {
		shift = math.Max(-float64(h), math.Min(float64(h), -slope/bend))
	}
	return top{time: (float64(i) + shift - 1) * a.dt, height: level + slope*shift/2, loss: math.Abs(bend) / 8, blur: a.blur(float64(h), math.Abs(bend))}
}

// blur is twice the standard deviation of a parabola's place, in seconds: the
// noise of its slope over h samples on either side, divided by its bend.
func (a answer) blur(h, bend float64) float64 {
	if a.noise == 0 || bend == 0 {
		return 0
	}
	return 2 * a.noise / math.Sqrt(h*(h+1)*(2*h+1)/3) / bend * a.dt
}

// left says which part of a swing is left after one period, for sure.
func (r ring) left() float64 {
	if !r.decrement.ok {
		return 0
	}
	return math.Exp(-r.decrement.v - r.decrement.pm)
}

// ring is the decay of a swing. ζ = δ/√(4π²+δ²) and f = fd/√(1−ζ²) hold for a
// second-order swing.
type ring struct {
	tops      []top
	decay     quantity // second overshoot to the first
	decrement quantity // logarithmic, over a whole period
	zeta      quantity
	damped    quantity // Hz
	natural   quantity // Hz
	overOnly  bool     // ζ comes from the overshoot alone
}

func ringOf(tops []top, a answer, floor float64) ring {
	r := ring{tops: tops}
	if len(tops) == 0 || tops[0].height <= 0 {
		return r
	}
	unsure := 2*a.unsure + a.drift
	if len(tops) == 1 {
		r.fromOvershoot(tops[0], a, unsure)
		return r
	}
	if len(tops) > 2 {
		v := tops[2].height / tops[0].height
		if pm := (unsure + tops[0].loss) / tops[0].height * (1 + v); pm < 0.6*v {
			r.decay = have(v, pm)
		}
	}
	for n := len(tops); n > 2 && math.Abs(tops[n-1].height) < 10*floor; n = len(tops) {
		tops = tops[:n-1] // the last swings say little about the decay
	}
	m := float64(len(tops) - 1)
	last := tops[len(tops)-1]
	delta := 2 * slope(tops)
	pm := 2 / m * ((unsure+tops[0].loss)/tops[0].height + (unsure+last.loss)/math.Abs(last.height))
	if delta <= 0 {
		return r
	}
	period := 2 * (last.time - tops[0].time) / m
	periodPM := 2 * (2*a.dt + tops[0].blur + last.blur) / m
	if pm > 0.6*delta {
		return r // as good as nothing
	}
	r.decrement = have(delta, pm)
	r.zeta = zetaOf(delta, pm)
	r.damped = have(1/period, periodPM/period/period)
	r.setNatural()
	return r
}

func zetaOf(delta, pm float64) quantity {
	whole := 4*math.Pi*math.Pi + delta*delta
	return have(delta/math.Sqrt(whole), pm*4*math.Pi*math.Pi/math.Pow(whole, 1.5))
}

// fromOvershoot takes a single overshoot for the one of a second-order swing:
// δ = −2·ln(Mp), and the peak is half a damped period after the step.
func (r *ring) fromOvershoot(t top, a answer, unsure float64) {
	part := t.height / a.size
	if part >= 1 || t.time <= 0 {
		return
	}
	if r.zeta = zetaOf(-2*math.Log(part), 2*(unsure+t.loss)/t.height); r.zeta.pm > 0.6*r.zeta.v {
		r.zeta = quantity{}
		return
	}
	r.overOnly = true
	r.damped = have(1/(2*t.time), (a.dt+t.blur)/(2*t.time*t.time))
	r.setNatural()
}

func (r *ring) setNatural() {
	root := math.Sqrt(1 - r.zeta.v*r.zeta.v)
	fn := r.damped.v / root
	r.natural = have(fn, r.damped.pm/root+fn*r.zeta.v*r.zeta.pm/(root*root))
}

// slope is how fast the logarithm of the heights falls per half period, by
// least squares.
func slope(tops []top) float64 {
	n := float64(len(tops))
	var sx, sy, sxx, sxy float64
	for i, t := range tops {
		x, y := float64(i), math.Log(math.Abs(t.height))
		sx, sy, sxx, sxy = sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	return -(n*sxy - sx*sy) / (n*sxx - sx*sx)
}
