// Package align finds how far one record has to be moved in time to lie best
// over another. Pure functions.
package align

import (
	"math"
	"slices"
)

// noise is how much of a channel's variance is never taken for shape: without
// it a smooth drift, which is as like itself everywhere, would outvote the rest.
const noise = 1e-3

// Best is the lag, in samples, at which the channels of b moved later by it are
// most like those of a, of all lags up to most either way. Likeness is that of
// normal noise about a common shape: the sum of −log(1 − r²) over the channels,
// where r is Pearson's correlation coefficient over the samples that both have;
// so a channel of mere noise has no vote. At least half of the shorter record
// must overlap. NaN samples count for nothing. r is the median coefficient of
// the channels that have any shape; 0 where there is none.
func Best(a, b [][]float64, most int) (lag int, r float64) {
	best := 0.0
	var each []float64
	for k := range 2*most + 1 {
		shift := (k + 1) / 2 // 0, 1, −1, 2, −2, …: of equals the smallest wins
		if k%2 == 0 {
			shift = -shift
		}
		score := 0.0
		each = each[:0]
		for ch := range min(len(a), len(b)) {
			if got, ok := correlation(a[ch], b[ch], shift); ok {
				each = append(each, got)
				if got > 0 {
					score -= math.Log(math.Max(1-got*got, noise))
				}
			}
		}
		if score > best+1e-12 {
			slices.Sort(each)
			best, lag, r = score, shift, each[len(each)/2]
		}
	}
	return lag, r
}

// correlation of a[i] with b[i−shift].
func correlation(a, b []float64, shift int) (r float64, ok bool) {
	least := max(2, min(len(a), len(b))/2)
	from, to := max(0, shift), min(len(a), len(b)+shift)
	if to-from < least {
		return 0, false
	}
	var n, sa, sb float64
	for i := from; i < to; i++ {
		if x, y := a[i], b[i-shift]; finite(x) && finite(y) {
			n++
			sa, sb = sa+x, sb+y
		}
	}
	if int(n) < least {
		return 0, false
	}
	ma, mb := sa/n, sb/n
	var aa, bb, ab float64
	for i := from; i < to; i++ {
		if x, y := a[i], b[i-shift]; finite(x) && finite(y) {
			x, y = x-ma, y-mb
			aa, bb, ab = aa+x*x, bb+y*y, ab+x*y
		}
	}
	if !(aa > 0) || !(bb > 0) {
		return 0, false
	}
	return ab / math.Sqrt(aa) / math.Sqrt(bb), true
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
