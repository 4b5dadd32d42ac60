package response

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"

	"faultkeep/daemon/analysis/robust"
)

const (
	leastRest = 64    // samples of a stretch with a still setpoint that are worth judging
	mostRest  = 32768 // longer stretches are averaged down to as many
)

// quiet is a stretch in which the setpoint stood still.
type quiet struct {
	from, to float64 // seconds from the trigger
	samples  int
	ripple   float64 // RMS about the setpoint
	offset   float64 // mean of setpoint − actual value
	set      float64
	swing    swing
	noise    float64
	grain    float64 // noise of the actual value's own resolution
}

// rest looks at the longest stretch of a piece between its moves, which are all of it.
func (l *loop) rest(p *piece, moves []move) {
	from, to := 0, 0
	begin := 0
	consider := func(start, end int) {
		if end-start > to-from {
			from, to = start, end
		}
	}
	for _, m := range moves {
		consider(begin, m.from+1)
		begin = m.to + l.calm(m)
	}
	consider(begin, len(p.set))
	if to == len(p.set) && tripped(l.c) {
		to = from + beforeFault(p.act[from:to])
	}
	if to-from < leastRest {
		return
	}
	e := make([]float64, to-from)
	for i := range e {
		e[i] = p.act[from+i] - p.set[from+i]
	}
	grain := resolution(p.act[from:to])
	q := quiet{grain: grain, from: p.at(from), to: p.at(to - 1), samples: len(e), ripple: rms(e), offset: -mean(e),
		set: mean(p.set[from:to]), noise: math.Max(noiseOf(e), grain)}
	q.swing = findSwing(e, p.dt)
	l.quiet = append(l.quiet, q)
}

// beforeFault is how many samples of a stretch that ends at a trip still look
// like the rest of it: what led to the trip is no measure of the loop.
func beforeFault(y []float64) int {
	const blocks = 32
	n := len(y) / blocks
	if n < 2 {
		return len(y)
	}
	means, levels := make([]float64, blocks), make([]float64, blocks)
	for b := range blocks {
		means[b] = mean(y[b*n : (b+1)*n])
	}
	middle := robust.Median(means)
	for b := range blocks {
		levels[b] = 0
		for _, v := range y[b*n : (b+1)*n] {
			levels[b] = math.Max(levels[b], math.Abs(v-middle))
		}
	}
	usual := robust.Median(levels)
	last := blocks
	for last > 0 && levels[last-1] > 2.5*usual {
		last--
	}
	if last == blocks {
		return len(y)
	}
	return last * n
}

// calm is how many samples after a move's end its own answer is over.
func (l *loop) calm(m move) int {
	for _, s := range l.steps {
		if s.m.p == m.p && s.m.to == m.to && s.settle2.ok {
			return int(1.5*s.settle2.v/m.p.dt) + 1
		}
	}
	return (m.end - m.to) / 3
}

// swing is a sustained oscillation; zero where there is none.
type swing struct {
	hz, pm    float64
	amplitude float64 // peak, in the channel's unit
	share     float64 // of the variance that is the oscillation's
}

// findSwing looks for a sustained oscillation in a deviation by the regularity
// of the zero crossings of its autocorrelation (Thornhill, Huang and Zhang,
// "Detection of multiple oscillations in control loops", J. Process Control 13,
// 2003, from memory): mean interval over three times its standard deviation
// above 1. Beyond that the autocorrelation must come back to at least 0.3, and
// well above what noise reaches over that many samples and periods, one, two
// and three periods later; the ringing that noise excites in a damped loop has
// died away by then.
func findSwing(e []float64, dt float64) swing {
	e, dt = thin(e, dt)
	n := len(e)
	detrend(e)
	variance := rms(e) * rms(e)
	if n < leastRest || variance == 0 {
		return swing{}
	}
	acf := autocorrelation(e)
	zeros := crossings(acf[:n/2], math.Max(.05, 2.5/math.Sqrt(float64(n))))
	if len(zeros) < 6 {
		return swing{}
	}
	gap := (zeros[len(zeros)-1] - zeros[0]) / float64(len(zeros)-1)
	spread := 0.0
	for i := 1; i < len(zeros); i++ {
		d := zeros[i] - zeros[i-1] - gap
		spread += d * d
	}
	spread = math.Sqrt(spread / float64(len(zeros)-2))
	if spread > 0 && gap/(3*spread) <= 1 {
		return swing{}
	}
	period := 2 * gap
	least := math.Max(math.Max(0.3, 4/math.Sqrt(float64(n))), 1.8/math.Sqrt(float64(n)/period))
	share, first := 1.0, 1.0
	for k := 1.0; k <= 3; k++ {
		peak := -1.0
		for lag := int(math.Ceil((k - 0.25) * period)); lag <= int((k+0.25)*period) && lag < n*3/4; lag++ {
			peak = math.Max(peak, acf[lag])
		}
		if share = math.Min(share, peak); k == 1 {
			first = peak
		}
	}
	if period < 3 || share < least {
		return swing{}
	}
	hz := 1 / (period * dt)
	pm := math.Max(2*hz/float64(len(zeros)-1)*math.Max(spread/gap, 1/period), 0.02/(float64(n)*dt))
	return swing{hz: hz, pm: pm, amplitude: math.Sqrt(2 * first * variance), share: first}
}

// crossings are the first dozen zero crossings of an autocorrelation; what
// doesn't go beyond hold on either side is noise about one of them.
func crossings(acf []float64, hold float64) (zeros []float64) {
	sign, first, last := 1.0, 0.0, 0.0
	for k := 1; k < len(acf) && len(zeros) < 12; k++ {
		if acf[k-1] > 0 != (acf[k] > 0) {
			last = float64(k-1) + acf[k-1]/(acf[k-1]-acf[k])
			if first == 0 {
				first = last
			}
		}
		switch {
		case sign*acf[k] > hold:
			first = 0
		case sign*acf[k] < -hold:
			zeros = append(zeros, (first+last)/2)
			sign, first = -sign, 0
		}
	}
	return zeros
}

// thin averages neighbours so that no more than mostRest samples are left.
func thin(e []float64, dt float64) ([]float64, float64) {
	k := (len(e) + mostRest - 1) / mostRest
	if k <= 1 {
		return append([]float64(nil), e...), dt
	}
	out := make([]float64, len(e)/k)
	for i := range out {
		out[i] = mean(e[i*k : (i+1)*k])
	}
	return out, dt * float64(k)
}

// detrend takes the least-squares line off, in place.
func detrend(e []float64) {
	n := float64(len(e))
	middle, level, sxy := (n-1)/2, mean(e), 0.0
	for i, y := range e {
		sxy += (float64(i) - middle) * (y - level)
	}
	k := sxy / (n * (n*n - 1) / 12)
	for i := range e {
		e[i] -= level + k*(float64(i)-middle)
	}
}

// autocorrelation at the lags 0 to len(e)−1, 1 at lag 0, without bias by the
// shorter overlap at larger lags.
func autocorrelation(e []float64) []float64 {
	size := 1
	for size < 2*len(e) {
		size *= 2
	}
	padded := make([]float64, size)
	copy(padded, e)
	fft := fourier.NewFFT(size)
	spectrum := fft.Coefficients(nil, padded)
	for i, c := range spectrum {
		spectrum[i] = complex(real(c*cmplx.Conj(c)), 0)
	}
	acf := fft.Sequence(padded, spectrum)[:len(e)]
	zero := acf[0]
	for k := range acf {
		acf[k] *= float64(len(e)) / (zero * float64(len(e)-k))
	}
	return acf
}
