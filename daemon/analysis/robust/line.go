package robust

import "math"

// Line is y = Level + Slope·x.
type Line struct{ Level, Slope float64 }

// At is the line's value at x.
func (l Line) At(x float64) float64 { return l.Level + l.Slope*x }

// blocks is how many points a line is drawn through at most.
const blocks = 64

// Fit draws a line through samples at x = 0, 1, 2, … that up to about a quarter of
// wild ones don't move: the median of the slopes between all pairs of points
// (Theil 1950, Sen 1968), where more than 64 samples are first taken together
// to 64 medians, which keeps the cost linear. ok is false for fewer than two.
func Fit(v []float64) (l Line, ok bool) {
	var x, y []float64
	size := max(1, (len(v)+blocks-1)/blocks)
	for i := 0; i < len(v); i += size {
		end := min(i+size, len(v))
		if m := Median(v[i:end]); !math.IsNaN(m) {
			x, y = append(x, float64(i+end-1)/2), append(y, m)
		}
	}
	if len(x) < 2 {
		return Line{}, false
	}
	slopes := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			slopes = append(slopes, (y[j]-y[i])/(x[j]-x[i]))
		}
	}
	l.Slope = median(slopes)
	for i := range y {
		y[i] -= l.Slope * x[i]
	}
	l.Level = median(y)
	return l, true
}
