package recurrence

import "math"

// Trend is the result of Laplace's test for a trend.
type Trend struct {
	U float64 `json:"u"` // above 0: more often towards the end; standard normal where there is no trend
	P float64 `json:"p"` // chance of a U at least as far from 0 without a trend, two-sided
}

// Laplace tests events, ascending, for a trend over the time [0, end] that
// ended by the clock: U = √(12n)·Σ(t−end/2)/(n·end). ok is false without events
// or time. NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.3.4.
func Laplace(times []float64, end float64) (t Trend, ok bool) {
	n := float64(len(times))
	if n == 0 || !(end > 0) {
		return Trend{}, false
	}
	sum := 0.0
	for _, x := range times {
		sum += x - end/2
	}
	u := math.Sqrt(12*n) * sum / (n * end)
	return Trend{U: u, P: math.Erfc(math.Abs(u) / math.Sqrt2)}, !math.IsNaN(u)
}

// LaplaceToLast is Laplace for a time that ended with the last event.
func LaplaceToLast(times []float64) (Trend, bool) {
	if len(times) < 2 {
		return Trend{}, false
	}
	return Laplace(times[:len(times)-1], times[len(times)-1])
}
