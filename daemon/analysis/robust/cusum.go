package robust

import "math"

// CUSUM is a two-sided tabular cumulative sum chart (Page 1954; Montgomery,
// Introduction to Statistical Quality Control) for samples whose mean is 0 and
// whose standard deviation is 1 as long as nothing has changed.
type CUSUM struct {
	K float64 // allowance: deviations up to it add nothing
	H float64 // decision interval: a sum above it is an alarm

	Up, Down   float64 // the two sums
	upN, downN int     // samples since each left 0
	n          int
}

// Alarm says which side a sum is on when it is above the decision interval.
type Alarm int

// The sides.
const (
	Calm Alarm = 0
	High Alarm = 1
	Low  Alarm = -1
)

// Add takes the next sample. A missing one (NaN, infinite) leaves the sums as they are.
func (c *CUSUM) Add(z float64) Alarm {
	c.n++
	if math.IsNaN(z - z) {
		return c.state()
	}
	c.Up, c.upN = sum(c.Up, z-c.K, c.upN)
	c.Down, c.downN = sum(c.Down, -z-c.K, c.downN)
	return c.state()
}

func sum(s, add float64, n int) (float64, int) {
	if s+add <= 0 {
		return 0, 0
	}
	return s + add, n + 1
}

func (c *CUSUM) state() Alarm {
	switch {
	case c.Up > c.H && c.Up >= c.Down:
		return High
	case c.Down > c.H:
		return Low
	}
	return Calm
}

// Since is the number of samples for which the sum on this side has been above
// 0, Montgomery's N⁺ and N⁻: the change lies before the first of them.
func (c *CUSUM) Since(side Alarm) int {
	if side == Low {
		return c.downN
	}
	return c.upN
}

// RunLength is the average number of samples until the chart's first alarm when
// the mean has moved by shift standard deviations, for independent normal
// samples: Siegmund's approximation (Sequential Analysis, 1985), both sides
// taken together. Within a few percent for K of ½ and H of 3 and above.
func RunLength(k, h, shift float64) float64 {
	return 1 / (1/oneSided(k, h, shift) + 1/oneSided(k, h, -shift))
}

func oneSided(k, h, shift float64) float64 {
	d, b := shift-k, h+1.166
	if math.Abs(d) < 1e-6 {
		return b * b
	}
	return (math.Expm1(-2*d*b) + 2*d*b) / (2 * d * d)
}

// Decision is the smallest decision interval with which the chance of any
// alarm in n independent normal samples, with nothing changed, is at most p.
func Decision(k, p float64, n int) float64 {
	want := float64(max(n, 1)) / -math.Log1p(-p) // run lengths are nearly exponential
	low, high := 0.0, 1.0
	for RunLength(k, high, 0) < want && high < 1e6 {
		high *= 2
	}
	for range 60 {
		if mid := (low + high) / 2; RunLength(k, mid, 0) < want {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}
