package robust_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"faultkeep/daemon/analysis/robust"
)

func near(t *testing.T, what string, got, want, room float64) {
	t.Helper()
	if !(math.Abs(got-want) <= room) {
		t.Errorf("%s %v, want %v ± %v", what, got, want, room)
	}
}

// CUSUM of Montgomery, Introduction to Statistical Quality Control, example
// 9.1: μ0 = 10, σ = 1, K = 0.5, H = 5. C⁺ at samples 28, 29, 30 is 4.47, 5.28,
// 5.30; it signals at 29 with N⁺ = 7, so the change came after sample 22.
func TestCUSUMMontgomery(t *testing.T) {
	data := []float64{9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
		9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52}
	c := robust.CUSUM{K: 0.5, H: 5}
	for i, x := range data {
		alarm := c.Add(x - 10)
		switch sample := i + 1; sample {
		case 28:
			near(t, "C⁺ at 28", c.Up, 4.47, 1e-9)
		case 29:
			near(t, "C⁺ at 29", c.Up, 5.28, 1e-9)
			if n := c.Since(robust.High); alarm != robust.High || n != 7 || sample-n != 22 {
				t.Errorf("alarm %v after sample %d", alarm, sample-n)
			}
		case 30:
			near(t, "C⁺ at 30", c.Up, 5.30, 1e-9)
		default:
			if alarm != robust.Calm {
				t.Errorf("alarm at %d", sample)
			}
		}
	}
}

// A fall is what a rise is upside down; missing samples change no sum.
func TestCUSUMSides(t *testing.T) {
	c := robust.CUSUM{K: 0.5, H: 4}
	for i, z := range []float64{0, -2, math.NaN(), -2, math.Inf(1), -2} {
		if alarm := c.Add(z); alarm == robust.Low != (i >= 5) || alarm == robust.High {
			t.Errorf("sample %d: %v, sum %v", i, alarm, c.Down)
		}
	}
	if c.Since(robust.Low) != 3 || c.Up != 0 {
		t.Errorf("since %d, up %v", c.Since(robust.Low), c.Up)
	}
}

// Average run lengths of the two-sided tabular CUSUM: Montgomery, Introduction
// to Statistical Quality Control, table 9.3 (after Lucas and Crosier 1982), k = ½;
// and his table 9.4 (Hawkins 1993), pairs of k and h with a run length of 370.
// Values from memory; the approximation is Siegmund's, good to a few percent.
func TestRunLengths(t *testing.T) {
	for _, c := range []struct{ h, shift, want, room float64 }{
		{4, 0, 168, 0.03}, {5, 0, 465, 0.03}, {4, 0.25, 74.2, 0.03}, {5, 0.25, 139, 0.03},
		{4, 0.5, 26.6, 0.03}, {5, 0.5, 38.0, 0.03}, {4, 1, 8.38, 0.03}, {5, 1, 10.4, 0.03},
		{4, 1.5, 4.75, 0.06}, {5, 1.5, 5.75, 0.06}, {4, 2, 3.34, 0.09}, {5, 2, 4.01, 0.09},
	} {
		near(t, "run length", robust.RunLength(0.5, c.h, c.shift)/c.want, 1, c.room)
	}
	for _, c := range []struct{ k, h float64 }{{0.25, 8.01}, {0.5, 4.77}, {0.75, 3.34}, {1, 2.52}} {
		near(t, "run length of the pairs", robust.RunLength(c.k, c.h, 0)/370, 1, 0.08)
	}
}

// The bound on false alarms holds: simulated charts of normal noise alarm no
// more often than asked for, give or take the scatter of 4,000 trials.
func TestDecisionBoundsFalseAlarms(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		k, p float64
		n    int
	}{{0.5, 0.05, 500}, {1, 0.02, 1000}, {0.25, 0.1, 200}} {
		h, alarms := robust.Decision(c.k, c.p, c.n), 0
		const trials = 4000
		for range trials {
			chart := robust.CUSUM{K: c.k, H: h}
			for range c.n {
				if chart.Add(rng.NormFloat64()) != robust.Calm {
					alarms++
					break
				}
			}
		}
		share := float64(alarms) / trials
		if share > 1.15*c.p+3*math.Sqrt(c.p/trials) || share < 0.4*c.p {
			t.Errorf("k %v: %.4f of the charts alarm, asked for %v", c.k, share, c.p)
		}
	}
}

// The MAD is worked out by hand: of 1 1 2 2 4 6 9 the median is 2 and the
// median of the distances 1 1 0 0 2 4 7 is 1; the factor is 1/Φ⁻¹(3/4) = 1.4826022 (computed).
func TestMAD(t *testing.T) {
	near(t, "MAD", robust.MAD([]float64{1, 1, 2, 2, 4, 6, 9, math.NaN(), math.Inf(-1)}), 1.4826022, 1e-7)
	near(t, "factor", robust.NormalMAD, 1/(math.Sqrt2*math.Erfinv(0.5)), 1e-12)
	near(t, "median of an even number", robust.Median([]float64{4, 1, 3, 2}), 2.5, 0)
	if !math.IsNaN(robust.Median([]float64{math.NaN()})) || !math.IsNaN(robust.MAD(nil)) {
		t.Error("a median of nothing")
	}
}

// Quantiles of definition 7, as R's default has it: of 1…5 the 0.1 and 0.9
// quantiles are 1.4 and 4.6 (computed from the definition).
func TestQuantile(t *testing.T) {
	near(t, "q 0.1", robust.Quantile([]float64{5, 3, 1, 4, 2}, 0.1), 1.4, 1e-12)
	near(t, "q 0.9", robust.Quantile([]float64{5, 3, 1, 4, 2}, 0.9), 4.6, 1e-12)
}

// Selection agrees with sorting, whatever the samples.
func TestMedianIsTheSortedMiddle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-9, 9), 1, 300).Draw(t, "v")
		if rapid.Bool().Draw(t, "coarse") {
			for i := range v {
				v[i] = math.Round(v[i])
			}
		}
		got := robust.Median(v)
		slices.Sort(v)
		if want := (v[(len(v)-1)/2] + v[len(v)/2]) / 2; math.Abs(got-want) > 1e-12 {
			t.Fatalf("median %v, want %v", got, want)
		}
	})
}

// Flat, quantised and saturated channels have a spread that isn't 0.
func TestSpreadGuards(t *testing.T) {
	quantised := make([]float64, 100)
	quantised[3], quantised[50] = 0.25, -0.25
	step := robust.Step(quantised)
	near(t, "step", step, 0.25, 0)
	near(t, "spread", robust.Spread(quantised, step), 0.25/math.Sqrt(12), 1e-12)
	if s := robust.Step([]float64{7, 7, 7}); s != 0 {
		t.Errorf("step of a constant %v", s)
	}
	near(t, "step of tenths", robust.Step([]float64{0.1 + 0.2, 0.3, 0.1, 0.2}), 0.1, 1e-12)
}

// Noise is found on top of a ramp.
func TestNoiseOnARamp(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	v := make([]float64, 20000)
	for i := range v {
		v[i] = 0.3*float64(i) + 2*rng.NormFloat64()
	}
	near(t, "noise", robust.Noise(v), 2, 0.05)
}

func BenchmarkMedian(b *testing.B) {
	for _, n := range []int{10_000, 100_000, 1_000_000} {
		rng := rand.New(rand.NewPCG(5, 6))
		v := make([]float64, n)
		for i := range v {
			v[i] = rng.Float64()
		}
		b.Run(map[int]string{10_000: "10k", 100_000: "100k", 1_000_000: "1M"}[n], func(b *testing.B) {
			for b.Loop() {
				robust.Median(v)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/sample")
		})
	}
}

// A mean by hand: eight samples, 2 and 4 in turn, have the mean 3 and residuals of
// 1 each; with 7 degrees of freedom left the variance of that mean is 8/7/8.
func TestRegressKeepsItsDoubt(t *testing.T) {
	ones := []float64{1, 1, 1, 1, 1, 1, 1, 1}
	y := []float64{2, 4, 2, 4, 2, 4, 2, 4}
	g, ok := robust.Regress([][]float64{ones}, y, []float64{1e6}, 1)
	if !ok {
		t.Fatal("no fit")
	}
	near(t, "level", g.Theta[0], 3, 1e-9)
	near(t, "doubt", g.Doubt([][]float64{ones}, 0), math.Sqrt(8.0/7/8), 1e-9) // variance of the mean, 8 residuals of 1, 7 degrees of freedom
	if _, ok := robust.Regress([][]float64{ones}, y[:1], []float64{1}, 1); ok {
		t.Error("a fit to one sample")
	}
}

// A column that the samples say nothing about keeps the prior's doubt, and
// samples that count as one leave √ as much more.
func TestRegressPriorAndLikeness(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	n := 400
	one, slope, later, y := make([]float64, n+1), make([]float64, n+1), make([]float64, n+1), make([]float64, n)
	for i := range n + 1 {
		one[i], slope[i] = 1, float64(i)/float64(n)
	}
	later[n] = 1 // only after the samples
	for i := range y {
		y[i] = 5 + 3*slope[i] + 0.1*rng.NormFloat64()
	}
	y[17], y[33] = math.NaN(), math.Inf(1)
	columns := [][]float64{one, slope, later}
	g, ok := robust.Regress(columns, y, []float64{100, 100, 2}, 1)
	if !ok {
		t.Fatal("no fit")
	}
	near(t, "level", g.Theta[0], 5, 0.03)
	near(t, "slope", g.Theta[1], 3, 0.06)
	near(t, "doubt about what was never seen", g.Doubt(columns, n), 2, 0.01)
	if g.Sure(1) < 50 || g.Sure(2) > 0.01 {
		t.Errorf("sure of the slope %v, of the unseen %v", g.Sure(1), g.Sure(2))
	}
	sixteen, _ := robust.Regress(columns, y, []float64{100, 100, 2}, 16)
	near(t, "doubt where 16 count as one", sixteen.Doubt(columns, 0)/g.Doubt(columns, 0), 4, 0.01)
}
