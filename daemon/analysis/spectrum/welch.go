// Package spectrum computes averaged spectra and finds the peaks that stand out
// of their noise. Pure functions.
//
// Units: with samples in some unit and a rate in samples a second, Density is
// one-sided in unit²/Hz, frequencies are in Hz, amplitudes are peak values (not
// RMS) in the unit. With a rate in samples a revolution, frequencies are orders.
package spectrum

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Options of a spectrum. The zero value is the usual one.
type Options struct {
	Size   int    // samples a segment; 0: of SizeFor
	Window Window // empty: Hann
	Hop    int    // samples from one segment to the next; 0: half a segment
}

// Spectrum is an averaged one-sided power spectral density.
type Spectrum struct {
	Rate     float64   // samples a second
	Size     int       // samples a segment
	Segments int       // that were averaged
	Window   Window    //
	Step     float64   // Hz from line to line
	Density  []float64 // unit²/Hz at 0, Step, 2·Step, …
	Coarse   bool      // lines are averages of those of a finer spectrum
}

// Errors of Welch.
var (
	ErrRate   = errors.New("the sample rate isn't a positive number")
	ErrFinite = errors.New("the samples aren't all finite numbers")
	ErrWindow = errors.New("the window isn't known")
)

// SizeFor is a good segment length for n samples: a power of two that leaves
// seven or more half-overlapping segments to average, at most 8192.
func SizeFor(n int) int {
	size := 8
	for size*8 <= n && size < 8192 {
		size *= 2
	}
	return size
}

// Welch averages the periodograms of half-overlapping windowed segments, each
// without its mean (P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15, 1967).
// Samples after the last whole segment don't count, as with SciPy's welch.
func Welch(x []float64, rate float64, o Options) (Spectrum, error) {
	if o.Size == 0 {
		o.Size = SizeFor(len(x))
	}
	if o.Size > len(x) {
		return Spectrum{}, tooFew(len(x), o.Size)
	}
	p, err := NewPlan(o)
	if err != nil {
		return Spectrum{}, err
	}
	return p.Welch(x, rate)
}

func tooFew(n, size int) error {
	return fmt.Errorf("%d samples are too few for segments of %d", n, size)
}

// Plan holds what spectra with the same options share: window, transform and
// buffers. One goroutine at a time.
type Plan struct {
	o       Options
	weights []float64
	power   float64 // sum of the squared weights
	fft     *fourier.FFT
	segment []float64
	lines   []complex128
}

// NewPlan prepares spectra; the options must name a size.
func NewPlan(o Options) (*Plan, error) {
	if o.Hop == 0 {
		o.Hop = o.Size - o.Size/2
	}
	if o.Size < 2 || o.Hop < 1 {
		return nil, fmt.Errorf("no spectrum has segments of %d samples, one every %d", o.Size, o.Hop)
	}
	p := &Plan{o: o, weights: o.Window.Weights(o.Size)}
	if p.weights == nil {
		return nil, fmt.Errorf("%w: %q", ErrWindow, o.Window)
	}
	for _, w := range p.weights {
		p.power += w * w
	}
	p.fft, p.segment, p.lines = fourier.NewFFT(o.Size), make([]float64, o.Size), make([]complex128, o.Size/2+1)
	return p, nil
}

// Welch is the function of that name, with the plan's options.
func (p *Plan) Welch(x []float64, rate float64) (Spectrum, error) {
	size := p.o.Size
	if !(rate > 0) || math.IsInf(rate, 0) {
		return Spectrum{}, ErrRate
	}
	if len(x) < size {
		return Spectrum{}, tooFew(len(x), size)
	}
	s := Spectrum{Rate: rate, Size: size, Window: p.o.Window, Step: rate / float64(size), Density: make([]float64, size/2+1)}
	for at := 0; at+size <= len(x); at += p.o.Hop {
		window(p.segment, x[at:at+size], p.weights)
		for k, c := range p.fft.Coefficients(p.lines, p.segment) {
			s.Density[k] += real(c)*real(c) + imag(c)*imag(c)
		}
		s.Segments++
	}
	s.scale(p.power)
	for _, d := range s.Density {
		if math.IsNaN(d) || math.IsInf(d, 0) {
			return Spectrum{}, ErrFinite
		}
	}
	return s, nil
}

// window puts the weighted samples without their mean into segment.
func window(segment, x, weights []float64) {
	base, sum := x[0], 0.0
	for _, v := range x {
		sum += v - base
	}
	level := base + sum/float64(len(x))
	segment, weights = segment[:len(x)], weights[:len(x)]
	for i, v := range x {
		segment[i] = (v - level) * weights[i]
	}
}

// scale makes a density of the sums of squares; power is the sum of the squared
// weights. The lines between the first and the one at half the rate stand for
// two: one-sided.
func (s *Spectrum) scale(power float64) {
	one := 1 / (s.Rate * power * float64(s.Segments))
	for k := range s.Density {
		if k == 0 || 2*k == s.Size {
			s.Density[k] *= one
		} else {
			s.Density[k] *= 2 * one
		}
	}
}

// Frequency of line k in Hz.
func (s Spectrum) Frequency(k int) float64 { return float64(k) * s.Step }

// Amplitude is the peak amplitude of a tone on line k, in the samples' unit:
// what the line would be if a single tone lay on it.
func (s Spectrum) Amplitude(k int) float64 {
	square := s.Density[k] * s.Step * s.noiseBandwidth()
	if k == 0 || 2*k == s.Size {
		return math.Sqrt(square)
	}
	return math.Sqrt(2 * square)
}

// noiseBandwidth in lines.
func (s Spectrum) noiseBandwidth() float64 {
	b := s.Window.NoiseBandwidth()
	if s.Coarse { // in a quarter as many lines, and of a tone on a line this is left at the top
		b *= 1 / (4 * (coarse[0] + 2*coarse[1]*s.Window.beside(1) + 2*coarse[2]*s.Window.beside(2)))
	}
	return b
}

// coarse are the weights of a line and its neighbours in a coarser spectrum.
var coarse = [4]float64{4. / 16, 3. / 16, 2. / 16, 1. / 16}

// Coarser has a line for every four, each the average of seven under a triangle:
// less resolution, but steadier, so that broad resonances stand out. The size of
// the segments must be a multiple of eight.
func (s Spectrum) Coarser() Spectrum {
	out := s
	out.Coarse, out.Step, out.Size = true, 4*s.Step, s.Size/4
	out.Density = make([]float64, (len(s.Density)-1)/4+1)
	last := len(s.Density) - 1
	for k := range out.Density {
		sum := coarse[0] * s.Density[4*k]
		for j := 1; j < len(coarse); j++ { // mirrored at both ends, as a spectrum is
			low, high := 4*k-j, 4*k+j
			if low < 0 {
				low = -low
			}
			if high > last {
				high = 2*last - high
			}
			sum += coarse[j] * (s.Density[low] + s.Density[max(high, 0)])
		}
		out.Density[k] = sum
	}
	return out
}

// RMS of what lies from low to high, both included, in the samples' unit.
func (s Spectrum) RMS(low, high float64) float64 {
	sum := 0.0
	for k, d := range s.Density {
		if f := s.Frequency(k); f >= low && f <= high {
			sum += d * s.Step
		}
	}
	return math.Sqrt(sum)
}
