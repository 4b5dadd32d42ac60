package spectrum

import "math"

// Window is the weight that the samples of a segment get.
type Window string

// The windows, in their periodic form w(i) = Σ (−1)^k·a[k]·cos(2πki/n), so that
// the sums of overlapping ones are even. Coefficients as in SciPy.
const (
	Hann        Window = "" // the usual one
	Rectangular Window = "rectangular"
	Hamming     Window = "hamming"
	Blackman    Window = "blackman"
	FlatTop     Window = "flat-top" // amplitudes without interpolation, at the price of resolution
)

// Windows in a fixed order.
var Windows = []Window{Hann, Rectangular, Hamming, Blackman, FlatTop}

func (w Window) coefficients() []float64 {
	switch w {
	case Hann:
		return []float64{0.5, 0.5}
	case Rectangular:
		return []float64{1}
	case Hamming:
		return []float64{0.54, 0.46}
	case Blackman:
		return []float64{0.42, 0.5, 0.08}
	case FlatTop:
		return []float64{0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368}
	}
	return nil
}

// Weights are the window over n samples; nil for an unknown one.
func (w Window) Weights(n int) []float64 {
	a := w.coefficients()
	if a == nil || n <= 0 {
		return nil
	}
	out := make([]float64, n)
	for i := range out {
		sign := 1.0
		for k, c := range a {
			out[i] += sign * c * math.Cos(2*math.Pi*float64(k)*float64(i)/float64(n))
			sign = -sign
		}
	}
	return out
}

// Gain is the coherent gain: what is left of the amplitude of a tone on a line.
func (w Window) Gain() float64 {
	if a := w.coefficients(); a != nil {
		return a[0]
	}
	return 0
}

// NoiseBandwidth is the equivalent noise bandwidth in lines.
func (w Window) NoiseBandwidth() float64 {
	a := w.coefficients()
	if a == nil {
		return 0
	}
	sum := a[0] * a[0]
	for _, c := range a[1:] {
		sum += c * c / 2
	}
	return sum / (a[0] * a[0])
}

// beside is the power of a tone so many lines beside it, 1 on its line.
func (w Window) beside(lines int) float64 {
	a := w.coefficients()
	if lines >= len(a) {
		return 0
	}
	part := a[lines] / (2 * a[0])
	return part * part
}

// lobe is half the width of the main lobe in lines.
func (w Window) lobe() int { return max(1, len(w.coefficients())) }
