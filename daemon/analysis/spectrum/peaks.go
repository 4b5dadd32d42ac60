package spectrum

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// Peak is a line that stands out of the noise around it.
type Peak struct {
	Frequency   float64 // Hz, interpolated between lines
	FrequencyPM float64 // resolution, Hz
	Amplitude   float64 // peak value in the samples' unit, interpolated
	AmplitudePM float64
	Above       float64 // power, as a multiple of the noise around it
	Line        int     // the highest line
}

const (
	block   = 16 // lines of which the median is one value of the noise floor
	lowest  = 4  // lines below this one can't be told from drift
	dynamic = 1e-20
)

// Peaks are the lines that noise alone would exceed anywhere in the spectrum
// with no more than the given chance (0.01, say), highest above their noise
// first. The noise is the local median, whichever side is higher, so that slopes
// and the feet of other peaks aren't peaks. In noise the average of K
// independent segments has a gamma distribution of shape K (for half-overlapping
// Hann segments K is 18/19 of their number).
func (s Spectrum) Peaks(chance float64) []Peak {
	lines := len(s.Density)
	if lines < 3*block || s.Segments == 0 || !(chance > 0) {
		return nil
	}
	shape := s.Independent()
	limit := mathext.GammaIncRegCompInv(shape, chance/float64(lines)) / shape
	floor, most := s.floor(shape), slices.Max(s.Density)
	var out []Peak
	for k := lowest; k < lines-2; k++ {
		d := s.Density[k]
		if d <= s.Density[k-1] || d < s.Density[k+1] || d < dynamic*most || d == 0 {
			continue
		}
		if noise := floor.at(k); d > limit*noise && s.tops(k) {
			out = append(out, s.peak(k, noise, shape))
		}
	}
	slices.SortStableFunc(out, func(a, b Peak) int { return cmp.Compare(b.Above, a.Above) })
	return out
}

// Independent is how many independent segments the average is worth.
func (s Spectrum) Independent() float64 {
	k := math.Max(1, float64(s.Segments)*18/19)
	if s.Coarse { // by the correlation of neighbouring lines under a Hann window, 4/9 and 1/36
		k *= 3.15
	}
	return k
}

// tops tells whether line k is the highest within a main lobe's width.
func (s Spectrum) tops(k int) bool {
	for i := max(1, k-s.Window.lobe()); i <= min(len(s.Density)-1, k+s.Window.lobe()); i++ {
		if s.Density[i] > s.Density[k] {
			return false
		}
	}
	return true
}

// floor is the noise in blocks of lines.
type floor []float64

// floor takes the medians of blocks for the mean of their noise: that of a
// gamma distribution is about its mean times (1 − 1/(9K))³ (Wilson and Hilferty).
func (s Spectrum) floor(shape float64) floor {
	root := 1 - 1/(9*shape)
	lower := root * root * root
	var out floor
	sorted := make([]float64, 0, block)
	for at := 1; at+block <= len(s.Density); at += block {
		sorted = append(sorted[:0], s.Density[at:at+block]...)
		slices.Sort(sorted)
		out = append(out, (sorted[block/2-1]+sorted[block/2])/2/lower)
	}
	return out
}

// at is the noise at line k: the mean of up to three blocks below or above its
// own, whichever is higher, and no less than that of its own.
func (f floor) at(k int) float64 {
	own := min((k-1)/block, len(f)-1)
	side := func(from, to int) (noise float64) {
		from, to = max(from, 0), min(to, len(f))
		for _, v := range f[min(from, to):to] {
			noise += v / float64(to-from)
		}
		return noise
	}
	noise := math.Max(f[own], math.Max(side(own-3, own), side(own+1, own+4)))
	// Within the block, noise may fall as steeply as it does to the next.
	if middle := f.middle(own); own+1 < len(f) && float64(k) < middle && f[own] > f[own+1] && f[own+1] > 0 {
		steepness := math.Log(f[own]/f[own+1]) / math.Log(f.middle(own+1)/middle)
		noise *= math.Pow(middle/float64(k), steepness)
	}
	return noise
}

// middle is the line in the middle of a block.
func (f floor) middle(b int) float64 { return float64(b*block) + float64(block+1)/2 }

// peak interpolates. For a Hann window the ratio r of the two highest lines'
// amplitudes gives the place exactly: (2r−1)/(r+1) lines from the highest, and
// from it the amplitude. For others a parabola through the logarithms of three
// lines comes near it.
func (s Spectrum) peak(k int, noise, shape float64) Peak {
	p := Peak{Line: k, Above: math.MaxFloat64}
	if noise > 0 {
		p.Above = s.Density[k] / noise
	}
	d, gain := 0.0, 1.0
	if s.Window == Hann && !s.Coarse {
		side := 1
		if s.Density[k-1] > s.Density[k+1] {
			side = -1
		}
		r := math.Sqrt(s.Density[k+side] / s.Density[k])
		d = math.Max(0, (2*r-1)/(r+1))
		if d > 1e-9 {
			gain = math.Pi * d * (1 - d*d) / math.Sin(math.Pi*d)
		}
		d *= float64(side)
	} else if low, high := s.Density[k-1], s.Density[k+1]; low > 0 && high > 0 {
		a, b, c := math.Log(low), math.Log(s.Density[k]), math.Log(high)
		if bend := a - 2*b + c; bend < 0 {
			d = (a - c) / (2 * bend)
			if s.Window != FlatTop { // whose lines show the amplitude as it is
				gain = math.Exp(-(a - c) * d / 8) // half of the logarithm of power
			}
		}
	}
	p.Frequency = (float64(k) + d) * s.Step
	p.Amplitude = s.Amplitude(k) * gain
	// Noise beside the tone: its power over the tone's, averaged. Twice the
	// standard deviation; a hundredth of a line for what a drifting tone does.
	blur := math.Sqrt(1 / (shape * p.Above))
	p.FrequencyPM = s.Step * math.Max(0.01, 1.5*blur)
	p.AmplitudePM = p.Amplitude * math.Max(0.001, 2*blur)
	return p
}
