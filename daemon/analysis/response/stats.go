package response

import (
	"math"
	"slices"

	"faultkeep/daemon/analysis/robust"
)

func mean(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	base, sum := v[0], 0.0 // about the first value: large offsets cost no digits
	for _, x := range v {
		sum += x - base
	}
	return base + sum/float64(len(v))
}

func rms(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x * x
	}
	return math.Sqrt(sum / float64(max(len(v), 1)))
}

// noiseOf is the standard deviation of white noise on a signal, from its
// second differences, which straight lines and slow swings leave alone:
// 1.4826 times their median size is their standard deviation, which is √6 of
// the noise's. At most some ten thousand places are looked at.
func noiseOf(v []float64) float64 {
	if len(v) < 5 {
		return 0
	}
	stride := max(1, len(v)/10000)
	d := make([]float64, 0, len(v)/stride+1)
	for i := 2; i < len(v); i += stride {
		d = append(d, math.Abs(v[i]-2*v[i-1]+v[i-2]))
	}
	return robust.NormalMAD * robust.Median(d) / math.Sqrt(6)
}

// quantum is the smallest difference between neighbours that isn't zero: the
// resolution of a signal that is written in steps.
func quantum(v []float64) float64 {
	q := math.Inf(1)
	for i := 1; i < len(v); i++ {
		if d := math.Abs(v[i] - v[i-1]); d > 0 && d < q {
			q = d
		}
	}
	return q
}

// resolution is the noise that a signal has from being written in steps.
func resolution(v []float64) float64 {
	if q := quantum(v); !math.IsInf(q, 0) && repeats(v, q) {
		return q / math.Sqrt(12)
	}
	return 0
}

// repeats tells whether a signal is written in steps of q: nearly all
// differences of neighbours are whole multiples of it.
func repeats(v []float64, q float64) bool {
	others, most := 0, len(v)/10
	for i := 1; i < len(v) && others <= most; i++ {
		n := math.Abs(v[i]-v[i-1]) / q
		if whole := math.Floor(n + 0.5); math.Abs(n-whole) >= 1e-6 || n >= 1e6 {
			others++
		}
	}
	return others <= most
}

// smooth is the moving average over w samples, w odd, in a slice of its own. Its
// ends are averaged over what is there.
func smooth(v []float64, w int) []float64 {
	if w <= 1 {
		return slices.Clone(v)
	}
	out, half, sum := make([]float64, len(v)), w/2, 0.0
	lo, hi := 0, 0
	for i := range v {
		for ; hi < len(v) && hi <= i+half; hi++ {
			sum += v[hi]
		}
		for ; lo < i-half; lo++ {
			sum -= v[lo]
		}
		out[i] = sum / float64(hi-lo)
	}
	return out
}

// vertex is the top of the parabola through v[i-1], v[i], v[i+1]: its place in
// samples and its height; and how much may lie between samples at most.
func vertex(v []float64, i int) (at, height, loss float64) {
	if i <= 0 || i >= len(v)-1 {
		return float64(i), v[i], 0
	}
	a, b, c := v[i-1], v[i], v[i+1]
	bend := a - 2*b + c
	loss = math.Abs(bend) / 8
	if bend == 0 || (b-a)*(b-c) < 0 {
		return float64(i), b, loss
	}
	d := (a - c) / (2 * bend)
	return float64(i) + d, b - (a-c)*d/4, loss
}

// parabola is the least-squares parabola through an odd number of samples:
// slope, second derivative and height at the middle one.
func parabola(v []float64) (slope, bend, level float64) {
	h := len(v) / 2
	var s2, s4, sy, sxy, sxxy float64
	for i, y := range v {
		x := float64(i - h)
		s2, s4 = s2+x*x, s4+x*x*x*x
		sy, sxy, sxxy = sy+y, sxy+x*y, sxxy+x*x*y
	}
	n := float64(len(v))
	a := (n*sxxy - s2*sy) / (n*s4 - s2*s2)
	return sxy / s2, 2 * a, (sy - a*s2) / n
}
