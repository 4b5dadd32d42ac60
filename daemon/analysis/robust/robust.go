// Package robust has the small statistics that analyses of captures rest on:
// location, scale and trend that a few wild samples don't move, and CUSUM
// charts that say when a signal left its course. Plain functions; samples that
// are NaN or infinite count as missing, and the cost grows linearly with them.
package robust

import (
	"math"
	"slices"
)

// NormalMAD makes a median absolute deviation the standard deviation of normal
// noise: 1/Φ⁻¹(3/4).
const NormalMAD = 1.4826022185056018

// Finite copies the samples that are neither NaN nor infinite.
func Finite(v []float64) []float64 {
	out := make([]float64, 0, len(v))
	for _, x := range v {
		if !math.IsNaN(x - x) { // ∞ − ∞ is NaN
			out = append(out, x)
		}
	}
	return out
}

// Median of the samples, NaN where there are none.
func Median(v []float64) float64 { return median(Finite(v)) }

// MedianOf is the median of samples that are all finite, whose order it changes.
func MedianOf(f []float64) float64 { return median(f) }

// MAD is the median absolute deviation from the median, scaled to be the
// standard deviation where the samples are normal. 0 says that more than half
// of them are alike, not that nothing varies: see Spread. NaN for no samples.
func MAD(v []float64) float64 {
	f := Finite(v)
	return mad(f, median(f))
}

// Quantile is the sample below which a share q of the samples lie, between
// samples by linear interpolation (definition 7 of Hyndman and Fan, 1996).
func Quantile(v []float64, q float64) float64 { return quantile(Finite(v), q) }

// mad reorders and overwrites f.
func mad(f []float64, centre float64) float64 {
	for i, x := range f {
		f[i] = math.Abs(x - centre)
	}
	return NormalMAD * median(f)
}

// median reorders f.
func median(f []float64) float64 { return quantile(f, 0.5) }

// quantile reorders f.
func quantile(f []float64, q float64) float64 {
	if len(f) == 0 {
		return math.NaN()
	}
	at := q * float64(len(f)-1)
	k := min(max(int(at), 0), len(f)-1)
	low := nth(f, k)
	if share := at - float64(k); share > 0 && k+1 < len(f) {
		next := slices.Min(f[k+1:]) // nth leaves the larger ones behind it
		return low + share*(next-low)
	}
	return low
}

// nth puts the k-th smallest at k, nothing larger before and nothing smaller
// behind it (Hoare's selection; the pivot is the middle one of three, and after
// many unlucky cuts a sort bounds the cost).
func nth(f []float64, k int) float64 {
	low, high := 0, len(f)-1
	for cuts := 0; low < high; cuts++ {
		if cuts > 64 {
			slices.Sort(f[low : high+1])
			break
		}
		mid := low + (high-low)/2
		pivot := max(min(f[low], f[mid]), min(max(f[low], f[mid]), f[high]))
		i, j := low, high
		for i <= j {
			for f[i] < pivot {
				i++
			}
			for f[j] > pivot {
				j--
			}
			if i <= j {
				f[i], f[j] = f[j], f[i]
				i++
				j--
			}
		}
		if k <= j {
			high = j
		} else if k >= i {
			low = i
		} else {
			break
		}
	}
	return f[k]
}

// Step is the smallest difference between two samples that differ, judged by
// up to 1,024 of them: one count of a quantised channel. 0 where all are alike.
func Step(v []float64) float64 {
	const most = 1024
	stride := max(1, len(v)/most)
	var f []float64
	for i := 0; i < len(v); i += stride {
		if x := v[i]; !math.IsNaN(x - x) {
			f = append(f, x)
		}
	}
	slices.Sort(f)
	step := math.Inf(1)
	for i := 1; i < len(f); i++ {
		// Sums of scale and offset leave crumbs that are no counts.
		if d := f[i] - f[i-1]; d > 1e-9*math.Abs(f[i]) && d < step {
			step = d
		}
	}
	if math.IsInf(step, 1) {
		return 0
	}
	return step
}

// Spread is a standard deviation that is never 0 for a channel that varies at
// all: the MAD, or where that says nothing because the channel is flat,
// quantised or saturated most of the time, what a uniform error of one count
// has, step/√12. 0 only where all samples are alike; NaN for none.
func Spread(v []float64, step float64) float64 {
	s := MAD(v)
	return math.Max(s, step/math.Sqrt(12))
}

// Noise is the standard deviation of what changes from sample to sample,
// however the channel moves more slowly: from the second differences, whose
// variance for white noise is six times the noise's. NaN for fewer than three.
func Noise(v []float64) float64 {
	d := make([]float64, 0, len(v))
	for i := 2; i < len(v); i++ {
		if x := v[i] - 2*v[i-1] + v[i-2]; !math.IsNaN(x - x) {
			d = append(d, x)
		}
	}
	return mad(d, 0) / math.Sqrt(6)
}
