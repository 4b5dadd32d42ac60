package vibration

import (
	"fmt"
	"math"
	"slices"

	"faultkeep/store/capture"
)

// The verdicts on an oscillation's amplitude, as Name of a growth finding.
const (
	Growing  = "growing"
	Decaying = "decaying"
	Stable   = "stable"
)

const (
	mostBlocks   = 24  // into which a stretch is divided
	blockPeriods = 4   // at least, in a block
	clear        = 3.0 // times the noise: what a block's amplitude must be
	leastChange  = 0.2 // of the logarithm over the time seen, that is 22 %
)

// course is how an oscillation's amplitude went.
type course struct {
	rate, pm    float64 // of the logarithm, 1/s
	from, to    float64 // seconds from the trigger
	first, last float64 // amplitudes of the fit at from and to
	blocks      int
}

// follow measures the amplitude at a frequency in half-overlapping blocks under
// a Hann window and fits an exponential to those that are clear of the noise.
// A block's length shifts all logarithms alike, so the rate is exact for an
// exponential.
func follow(s *signal, hz, noise float64) (course, bool) {
	length, _ := blocksOf(s, hz)
	floor := clear * math.Sqrt(2*1.5*noise/(float64(length)*s.dt))
	var times, logs, weights []float64
	all, amplitudes := blockAmplitudes(s, hz)
	for i, a := range amplitudes {
		if a > floor && a > 0 {
			times, logs = append(times, all[i]), append(logs, math.Log(a))
			// What noise does to a logarithm goes with 1/a; a hundredth is other trouble.
			weights = append(weights, 1/(1e-4+floor*floor/(clear*clear*a*a)))
		}
	}
	if len(times) < 5 {
		return course{}, false
	}
	rate, level, se := line(times, logs, weights)
	c := course{rate: rate, from: times[0], to: times[len(times)-1], blocks: len(times)}
	c.pm = 2.6 * se // twice the standard error; overlapping blocks count for fewer
	c.first, c.last = math.Exp(level+rate*c.from), math.Exp(level+rate*c.to)
	return c, true
}

// blocksOf is the length of the blocks in samples, and from one to the next.
func blocksOf(s *signal, hz float64) (length, hop int) {
	length = max(int(math.Ceil(blockPeriods/(hz*s.dt))), 2*len(s.x)/(mostBlocks+1))
	return length, max(1, length/2)
}

// blockAmplitudes are the amplitudes at a frequency, with the blocks' middles.
func blockAmplitudes(s *signal, hz float64) (times, amplitudes []float64) {
	length, hop := blocksOf(s, hz)
	for at := 0; at+length <= len(s.x); at += hop {
		times = append(times, s.at(at)+float64(length-1)/2*s.dt)
		amplitudes = append(amplitudes, amplitude(s.x[at:at+length], hz*s.dt))
	}
	return times, amplitudes
}

// amplitude of the tone with so many periods a sample, by a Hann-weighted
// projection on sine and cosine. They turn from sample to sample, and begin
// anew every so often so that no error adds up.
func amplitude(x []float64, perSample float64) float64 {
	const anew = 256
	n, base, level := float64(len(x)), x[0], 0.0
	for _, v := range x {
		level += v - base
	}
	level = base + level/n
	turn := func(angle float64) complex128 {
		sin, cos := math.Sincos(2 * math.Pi * angle)
		return complex(cos, sin)
	}
	toneStep, windowStep := turn(perSample), turn(1/n)
	var tone, window complex128
	var re, im float64
	for i, v := range x {
		if i%anew == 0 {
			tone, window = turn(math.Mod(perSample*float64(i), 1)), turn((float64(i)+.5)/n)
		}
		d := (1 - real(window)) * (v - level)
		re, im = re+d*real(tone), im+d*imag(tone)
		tone, window = tone*toneStep, window*windowStep
	}
	return 2 * math.Hypot(re, im) / n
}

// line is the weighted least-squares line y = level + slope·x, and the slope's
// standard error by what is left over.
func line(x, y, weights []float64) (slope, level, se float64) {
	var n, mx, my float64
	for i, w := range weights {
		n, mx, my = n+w, mx+w*x[i], my+w*y[i]
	}
	mx, my = mx/n, my/n
	var sxx, sxy, syy float64
	for i, w := range weights {
		dx, dy := x[i]-mx, y[i]-my
		sxx, sxy, syy = sxx+w*dx*dx, sxy+w*dx*dy, syy+w*dy*dy
	}
	slope = sxy / sxx
	se = math.Sqrt(math.Max(0, syy-slope*sxy) / float64(len(x)-2) / sxx)
	return slope, my - slope*mx, se
}

// verdict on the course; empty where it can't be told.
func (c course) verdict() string {
	seen := c.to - c.from
	switch {
	case c.rate > 2*c.pm && c.rate*seen > leastChange:
		return Growing
	case c.rate < -2*c.pm && c.rate*seen < -leastChange:
		return Decaying
	case (math.Abs(c.rate)+c.pm)*seen < 1:
		return Stable
	}
	return ""
}

// ripples tells whether a tone may be a multiple of a line frequency, as it is or
// folded down once from beyond half the sample rate.
func ripples(t tone) bool {
	rate := 1 / t.signal.dt
	return slices.ContainsFunc(mains, func(line float64) bool {
		return ofMains(t, line) > 0 || !t.order && multipleOf(line, rate-t.peak.Frequency, t.peak.FrequencyPM) > 0
	})
}

// growth tells whether the oscillation grows in the channel that shows it best.
// What is told of it already as swelling isn't told again; the ripple of the
// supply goes with the load and neither grows nor decays by itself.
func (l *looking) growth(g group, swell swelling) (capture.Finding, bool) {
	t := g.lead()
	s, hz := t.signal, t.peak.Frequency
	if ripples(t) || swell.signal != nil && math.Abs(hz-swell.hz) < 0.3*hz {
		return capture.Finding{}, false
	}
	if g.order || l.shaft.varies && l.shaft.known() && orderOf(t, l.shaft).whole > 0 {
		return capture.Finding{}, false // its frequency changes, and with it what the machine makes of it
	}
	c, ok := follow(s, hz, t.noise)
	name := c.verdict()
	if !ok || name == "" {
		return capture.Finding{}, false
	}
	f := capture.Finding{Kind: capture.FindingGrowth, Name: name, Channels: []string{s.name()}, From: c.from, To: c.to}
	f.Values = []capture.Quantity{{Name: "frequency", Value: hz, Unit: "Hz", PlusMinus: t.peak.FrequencyPM},
		{Name: "growth rate", Value: c.rate, Unit: "1/s", PlusMinus: c.pm},
		{Name: "first amplitude", Value: c.first, Unit: s.channel.Unit}, {Name: "last amplitude", Value: c.last, Unit: s.channel.Unit}}
	what := fmt.Sprintf("The oscillation of %s at %s", s.name(), plusMinus(hz, t.peak.FrequencyPM, "Hz"))
	doubling := math.Ln2 / math.Abs(c.rate)
	unsure := doubling * c.pm / math.Abs(c.rate)
	switch name {
	case Growing:
		f.Text = fmt.Sprintf("%s grows: its amplitude doubles every %s.", what, plusMinus(doubling, unsure, "s"))
		f.Values = append(f.Values, capture.Quantity{Name: "doubling time", Value: doubling, Unit: "s", PlusMinus: unsure})
	case Decaying:
		zeta := -c.rate / math.Hypot(c.rate, 2*math.Pi*hz)
		f.Text = fmt.Sprintf("%s dies away: its amplitude halves every %s (damping ratio %s).", what, plusMinus(doubling, unsure, "s"), num(zeta, zeta*c.pm/math.Abs(c.rate)))
		f.Values = append(f.Values, capture.Quantity{Name: "halving time", Value: doubling, Unit: "s", PlusMinus: unsure},
			capture.Quantity{Name: "damping ratio", Value: zeta, PlusMinus: zeta * c.pm / math.Abs(c.rate)})
	default:
		f.Text = fmt.Sprintf("%s neither grows nor dies away: %s %s between %s and %s s.", what, num((c.first+c.last)/2, math.Abs(c.last-c.first)/2+c.first/100), s.channel.Unit, signed(c.from, s.dt), signed(c.to, s.dt))
	}
	f.Basis = fmt.Sprintf("An exponential through the amplitudes of %d half-overlapping blocks that are clear of the noise; ± is twice the standard error.", c.blocks)
	return f, true
}
