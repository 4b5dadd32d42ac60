package align_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"faultkeep/daemon/analysis/align"
)

// A shifted copy, at another level and gain, is found where it was put.
func TestFindsTheShift(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(60, 300).Draw(t, "samples")
		long := make([]float64, n+40)
		x := 0.0
		for i := range long { // a random walk: no stretch of it is like another
			x += rapid.Float64Range(-1, 1).Draw(t, "step")
			long[i] = x
		}
		shift := rapid.IntRange(-15, 15).Draw(t, "shift")
		gain, level := rapid.Float64Range(0.1, 10).Draw(t, "gain"), rapid.Float64Range(-100, 100).Draw(t, "level")
		a, b := make([]float64, n), make([]float64, n)
		for i := range n {
			a[i], b[i] = long[20+i], level+gain*long[20+i+shift]
		}
		if lag, r := align.Best([][]float64{a, ramp(n)}, [][]float64{b, ramp(n)}, 15); lag != shift || r < 0.99 {
			t.Fatalf("found at %d with %g, put at %d", lag, r, shift)
		}
	})
}

// ramp is a channel that is as like itself wherever it lies.
func ramp(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = float64(i)
	}
	return out
}

// The coefficient of a textbook's pairs, worked by hand: x = 1…5 against
// y = 2, 4, 5, 4, 5 gives Sxy = 6, Sxx = 10, Syy = 6, so r = 6/√60.
func TestCoefficient(t *testing.T) {
	if lag, r := align.Best([][]float64{{1, 2, 3, 4, 5}, {7, 7, 7, 7, 7}}, [][]float64{{2, 4, 5, 4, 5}, {1, 2, 3, 4, 5}}, 0); lag != 0 || math.Abs(r-6/math.Sqrt(60)) > 1e-12 {
		t.Error(lag, r)
	}
}

// Records without shape, or without samples, stay where they are.
func TestNothingToAlign(t *testing.T) {
	nan := math.NaN()
	for name, x := range map[string][2][]float64{
		"none": {nil, nil}, "one": {{1}, {1}}, "constant": {make([]float64, 50), make([]float64, 50)},
		"missing": {{nan, nan, nan, nan}, {1, 2, 3, 4}}, "infinite": {{math.Inf(1), 1, 2, math.Inf(-1)}, {math.Inf(1), nan, nan, 2}},
	} {
		if lag, r := align.Best([][]float64{x[0]}, [][]float64{x[1]}, 10); lag != 0 || r != 0 {
			t.Errorf("%s: %d, %g", name, lag, r)
		}
	}
}
