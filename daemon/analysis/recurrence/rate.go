package recurrence

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// chiSquared is the quantile p of the chi-squared distribution.
func chiSquared(p, freedom float64) float64 {
	return 2 * mathext.GammaIncRegInv(freedom/2, p)
}

// PoissonBounds are the exact two-sided bounds on the mean of a Poisson
// distribution of which n was seen (Garwood, Biometrika 28, 1936).
func PoissonBounds(n int, level float64) (low, high float64) {
	tail := (1 - level) / 2
	if n > 0 {
		low = chiSquared(tail, 2*float64(n)) / 2
	}
	return low, chiSquared(1-tail, 2*float64(n)+2) / 2
}

// Rate is how often events come.
type Rate struct {
	PerDay float64 `json:"per_day"`
	Low    float64 `json:"per_day_low"` // bounds at Level, exact
	High   float64 `json:"per_day_high"`
	MTBF   float64 `json:"mtbf_days,omitempty"` // mean time between; 0: no event, so unknown
	// Bounds of the MTBF in days. Without an event the lower one is one-sided,
	// and there is no upper one: 0.
	MTBFLow  float64 `json:"mtbf_days_low"`
	MTBFHigh float64 `json:"mtbf_days_high,omitempty"`
}

// RateOf is the rate of n events in so many watched days; ok is false where
// nothing was watched. Bounds as in the NIST/SEMATECH e-Handbook of Statistical
// Methods, 8.4.5.1, for an end that no event decided.
func RateOf(n int, days float64) (r Rate, ok bool) {
	if n < 0 || !(days > 0) || math.IsInf(days, 0) {
		return Rate{}, false
	}
	low, high := PoissonBounds(n, Level)
	r = Rate{PerDay: float64(n) / days, Low: low / days, High: high / days}
	if n == 0 {
		r.MTBFLow = days / -math.Log(alpha)
		return r, true
	}
	r.MTBF, r.MTBFLow, r.MTBFHigh = days/float64(n), days/high, days/low
	return r, true
}
