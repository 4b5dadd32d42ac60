package recurrence

import (
	"math"
	"slices"
)

// PowerLaw is a process whose expected number of events until t is Scale·t^Shape
// (Crow-AMSAA; MIL-HDBK-189). Shape below 1: ever rarer, above 1: ever more often.
type PowerLaw struct {
	Shape     float64 `json:"shape"` // β, maximum likelihood
	ShapeLow  float64 `json:"shape_low"`
	ShapeHigh float64 `json:"shape_high"` // bounds at Level
	Scale     float64 `json:"scale"`      // λ, for t in days
	Unbiased  float64 `json:"shape_unbiased"`
	// MTBF at the end, in days, by the unbiased shape, with approximate bounds
	// at Level; no upper one: 0.
	MTBF     float64 `json:"mtbf_days"`
	MTBFLow  float64 `json:"mtbf_days_low"`
	MTBFHigh float64 `json:"mtbf_days_high,omitempty"`
	// Cramér–von Mises statistic of the fit, and its critical value at 5 %.
	Misfit   float64 `json:"cramer_von_mises"`
	Critical float64 `json:"critical"`
	Fits     bool    `json:"fits"`
}

// FitPowerLaw fits events, ascending, over a time (0, end] that ended by the
// clock. ok is false for fewer than two events, or one at 0.
func FitPowerLaw(times []float64, end float64) (PowerLaw, bool) {
	return fitPowerLaw(times, end, float64(len(times)), float64(len(times)-1))
}

// FitPowerLawToLast is FitPowerLaw for a time that ended with the last event.
// It has no bounds on the MTBF. ok is false for fewer than three events.
func FitPowerLawToLast(times []float64) (PowerLaw, bool) {
	if len(times) < 3 {
		return PowerLaw{}, false
	}
	n := len(times)
	law, ok := fitPowerLaw(times, times[n-1], float64(n-1), float64(n-2))
	law.MTBFLow, law.MTBFHigh = 0, 0
	return law, ok
}

// fitPowerLaw takes half the degrees of freedom of the shape, and what takes
// the place of n in its unbiased estimate.
func fitPowerLaw(times []float64, end, half, unbiased float64) (PowerLaw, bool) {
	n := float64(len(times))
	if n < 2 || !(end > 0) {
		return PowerLaw{}, false
	}
	sum := 0.0
	for _, t := range times {
		sum += math.Log(end / t)
	}
	if !(sum > 0) || math.IsInf(sum, 0) {
		return PowerLaw{}, false // all at the very end, or one at the very start, where the law has none
	}
	law := PowerLaw{Shape: n / sum, Unbiased: unbiased / sum}
	law.Scale = n / math.Pow(end, law.Shape)
	law.ShapeLow = law.Shape * chiSquared(alpha/2, 2*half) / (2 * n)
	law.ShapeHigh = law.Shape * chiSquared(1-alpha/2, 2*half) / (2 * n)
	law.MTBF = end / (n * law.Unbiased)
	law.MTBFLow, law.MTBFHigh = mtbfBounds(law.MTBF, n, Level)
	law.Misfit = misfit(times, end, law.Unbiased, n == half)
	law.Critical = critical(int(half))
	law.Fits = law.Misfit <= law.Critical
	if math.IsInf(law.Scale, 0) || math.IsInf(law.MTBF, 0) || math.IsInf(law.MTBFLow, 0) || math.IsInf(law.MTBFHigh, 0) {
		return PowerLaw{}, false
	}
	return law, true
}

// mtbfBounds are the approximate bounds of the MTBF at the end of a time that
// ended by the clock: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.2.
func mtbfBounds(mtbf, n, level float64) (low, high float64) {
	z := math.Sqrt2 * math.Erfinv(level)
	down := n + z*z/4 + z*math.Sqrt(n/2+z*z/16)
	low = mtbf * n * (n - 1) / (down * down)
	if up := n - z*math.Sqrt(n/2); up > 0 {
		high = mtbf * n * (n - 1) / (up * up)
	}
	return low, high
}

// misfit is the Cramér–von Mises statistic of MIL-HDBK-189. Where the last
// event ended the time, it isn't counted.
func misfit(times []float64, end, shape float64, byClock bool) float64 {
	if !byClock {
		times = times[:len(times)-1]
	}
	m := float64(len(times))
	sum := 1 / (12 * m)
	for i, t := range times {
		d := math.Pow(t/end, shape) - (2*float64(i)+1)/(2*m)
		sum += d * d
	}
	return sum
}

// criticals are Cramér–von Mises critical values at 5 % for so many events:
// MIL-HDBK-189, appendix C. Values from memory; a test simulates them.
var criticals = []struct {
	events int
	value  float64
}{
	{2, .175}, {3, .184}, {4, .191}, {5, .199}, {6, .204}, {7, .208}, {8, .210}, {9, .212}, {10, .212},
	{12, .214}, {15, .215}, {20, .217}, {30, .218}, {60, .220}, {100, .220},
}

// critical takes the entry for the most events that aren't more.
func critical(events int) float64 {
	i, found := slices.BinarySearchFunc(criticals, events, func(c struct {
		events int
		value  float64
	}, n int) int {
		return c.events - n
	})
	if !found {
		i = max(0, i-1)
	}
	return criticals[i].value
}
