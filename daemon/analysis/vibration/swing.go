package vibration

import "math"

// fitted is the exponential swing c + e^(rate·t)·(a·cos ωt + b·sin ωt) that
// lies nearest to some samples.
type fitted struct {
	hz, hzPM     float64
	rate, ratePM float64 // 1/s; ± is twice the standard error
	amplitude    float64 // at the end of the samples
	share        float64 // of their variance that it explains
}

const (
	mostFitted = 400 // samples; more are averaged down to as many
	mostRounds = 100 // downhill
)

// fitSwing starts at the swing that the turning points tell and walks downhill
// in rate and frequency; the rest is linear. What is left counts relative to the
// size of the swing, no less than noise: limits of the drive bend the largest
// swings, and the small ones before tell as much about the growth. What noise that isn't white does to
// the uncertainty goes by the effective number of samples, n·(1−r)/(1+r) with r
// the correlation of neighbouring residuals.
func fitSwing(y []float64, half float64, turns []turn, noise, dt float64) (fitted, bool) {
	if k := (len(y) + mostFitted - 1) / mostFitted; k > 1 {
		thin := make([]float64, len(y)/k)
		for i := range thin {
			for _, v := range y[i*k : (i+1)*k] {
				thin[i] += v / float64(k)
			}
		}
		y, half, dt = thin, half/float64(k), dt*float64(k)
	}
	n := len(turns)
	first, last := math.Abs(turns[1].height-turns[0].height), math.Abs(turns[n-1].height-turns[n-2].height)
	at := [2]float64{math.Log(last/first) / float64(n-2) / half, math.Pi / half} // by sample
	if len(y) < 12 {
		return fitted{}, false
	}
	weights := make([]float64, len(y))
	for i := range weights {
		size := last / 2 * math.Exp(at[0]*(float64(i+1-len(y))+half/2))
		weights[i] = 1 / (size*size + 9*noise*noise)
	}
	best := linear(y, weights, at)
	step := [2]float64{0.3 / half, 0.3 / half}
	for round := 0; round < mostRounds && math.Max(step[0], step[1]) > 1e-4/half; round++ {
		for p := range at {
			moved := false
			for _, side := range []float64{1, -1} {
				try := at
				try[p] += side * step[p]
				if f := linear(y, weights, try); f.sse < best.sse {
					at, best, moved = try, f, true
					break
				}
			}
			if !moved {
				step[p] /= 2
			}
		}
	}
	f := fitted{rate: at[0] / dt, hz: at[1] / (2 * math.Pi * dt), amplitude: best.amplitude, share: 1 - best.sse/best.all}
	var curve [2]float64
	for p := range at { // the curvature of the squares is the information
		h := 0.02 / half
		up, down := at, at
		up[p], down[p] = up[p]+h, down[p]-h
		curve[p] = (linear(y, weights, up).sse - 2*best.sse + linear(y, weights, down).sse) / (h * h)
		if !(curve[p] > 0) {
			return fitted{}, false
		}
	}
	effective := math.Max(float64(len(y))*(1-best.neighbours)/(1+best.neighbours), 6)
	variance := best.sse / (effective - 5) // five numbers were fitted
	f.ratePM = 2 * math.Sqrt(2*variance/curve[0]) / dt
	f.hzPM = 2 * math.Sqrt(2*variance/curve[1]) / (2 * math.Pi * dt)
	return f, at[1] > 0 && finite(f.rate, f.hz, f.ratePM, f.hzPM, f.amplitude, f.share)
}

// squares is what is left by a fit.
type squares struct {
	sse, all   float64
	amplitude  float64
	neighbours float64 // correlation of neighbouring residuals
}

// linear lays c + a·u + b·v through y, where u and v are cosine and sine that
// grow, 1 and 0 at the last sample.
func linear(y, weights []float64, at [2]float64) (s squares) {
	n := len(y)
	sin, cos := math.Sincos(at[1])
	shrink := math.Exp(-at[0])
	back := complex(shrink*cos, -shrink*sin) // one sample back
	var m [3][4]float64
	z := complex(1, 0)
	for i := n - 1; i >= 0; i-- {
		w, u, v, d := weights[i], real(z), imag(z), y[i]-y[0]
		m[0][0], m[0][1], m[0][2], m[0][3] = m[0][0]+w, m[0][1]+w*u, m[0][2]+w*v, m[0][3]+w*d
		m[1][1], m[1][2], m[1][3] = m[1][1]+w*u*u, m[1][2]+w*u*v, m[1][3]+w*u*d
		m[2][2], m[2][3] = m[2][2]+w*v*v, m[2][3]+w*v*d
		s.all += w * d * d
		z *= back
	}
	s.all -= m[0][3] * m[0][3] / m[0][0]
	m[1][0], m[2][0], m[2][1] = m[0][1], m[0][2], m[1][2]
	for p := range 3 { // Gauss; symmetric and positive definite
		if m[p][p] <= 0 {
			return squares{sse: math.Inf(1), all: s.all}
		}
		for r := range 3 {
			if r == p {
				continue
			}
			k := m[r][p] / m[p][p]
			for c := p; c < 4; c++ {
				m[r][c] -= k * m[p][c]
			}
		}
	}
	c, a, b := m[0][3]/m[0][0], m[1][3]/m[1][1], m[2][3]/m[2][2]
	z = complex(1, 0)
	previous, product := 0.0, 0.0
	for i := n - 1; i >= 0; i-- {
		left := math.Sqrt(weights[i]) * (y[i] - y[0] - c - a*real(z) - b*imag(z))
		s.sse += left * left
		product += left * previous
		previous = left
		z *= back
	}
	if s.sse > 0 {
		s.neighbours = math.Max(0, product/s.sse)
	}
	s.amplitude = math.Hypot(a, b)
	return s
}
