package recurrence_test

import (
	"math"
	"testing"

	"faultkeep/daemon/analysis/recurrence"
)

// near fails unless got is want to a relative tolerance.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*max(math.Abs(want), 1e-300)) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// Exact Poisson bounds at 95 % (Garwood 1936), recomputed with SciPy 1.10.1.
func TestPoissonBounds(t *testing.T) {
	for n, want := range map[int][2]float64{
		0: {0, 3.68888}, 1: {.02532, 5.57164}, 2: {.24221, 7.22469}, 3: {.61867, 8.76727}, 5: {1.62349, 11.66833}, 10: {4.79539, 18.39036},
	} {
		low, high := recurrence.PoissonBounds(n, 0.95)
		if math.Abs(low-want[0]) > 5.1e-6 || math.Abs(high-want[1]) > 5.1e-6 {
			t.Errorf("%d: %v to %v, want %v", n, low, high, want)
		}
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1: two failures in
// 800 h give bounds of 127.07 and 2251.23 h at 90 %, none at least 267.05 h at 95 %.
func TestMTBFOfNIST(t *testing.T) {
	low, high := recurrence.PoissonBounds(2, 0.90)
	near(t, "lower", 800/high, 127.07, 1e-4)
	near(t, "upper", 800/low, 2251.23, 1e-4)
	r, ok := recurrence.RateOf(0, 800)
	if !ok || r.MTBF != 0 || r.MTBFHigh != 0 {
		t.Errorf("%+v", r)
	}
	near(t, "without a failure", r.MTBFLow, 267.05, 1e-4)
	two, _ := recurrence.RateOf(2, 800)
	near(t, "mean", two.MTBF, 400, 1e-12)
	near(t, "its lower bound at 95 %", two.MTBFLow, 800/7.22469, 1e-5)
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.2 and 8.2.3.4.
var nist = []float64{5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478}

func TestPowerLawOfNIST(t *testing.T) {
	law, ok := recurrence.FitPowerLaw(nist, 1500)
	if !ok {
		t.Fatal("no fit")
	}
	near(t, "β", law.Shape, .537229, 1e-5)
	near(t, "λ", law.Scale, .196658, 1e-5)
	near(t, "MTBF by β", 1/(law.Scale*law.Shape*math.Pow(1500, law.Shape-1)), 279.211, 1e-5)
	near(t, "modified β", law.Unbiased, .483506, 1e-5)
	near(t, "modified MTBF", law.MTBF, 310.234, 1e-5)
	trend, _ := recurrence.Laplace(nist, 1500)
	near(t, "U", trend.U, -1.32695, 1e-5)
}

// MIL-HDBK-189 (1981), appendix C: the example of a test that ends by the clock.
func TestPowerLawOfMilHdbk189(t *testing.T) {
	times := []float64{2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1, 132.0,
		142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1}
	law, _ := recurrence.FitPowerLaw(times, 300)
	near(t, "β", law.Shape, .716339, 1e-5)
	near(t, "λ", law.Scale, .453842, 1e-5)
	near(t, "intensity", law.Scale*law.Shape*math.Pow(300, law.Shape-1), .0644705, 1e-5)
	near(t, "MTBF by β", 1/(law.Scale*law.Shape*math.Pow(300, law.Shape-1)), 15.51096, 1e-5)
	near(t, "Cramér–von Mises", law.Misfit, .0910611, 1e-5)
	if !law.Fits {
		t.Errorf("%v isn't below %v", law.Misfit, law.Critical)
	}
	trend, _ := recurrence.Laplace(times, 300)
	near(t, "U", trend.U, -2.318, 1e-3)
}

// Proschan, Theoretical Explanation of Observed Decreasing Failure Rate,
// Technometrics 5 (1963): times between failures of the air conditioning of two
// aeroplanes (their numbers, 7907 and 7912, are from memory). The time ends
// with the last failure.
func TestTrendsOfProschan(t *testing.T) {
	for name, c := range map[string]struct {
		gaps []float64
		u, p float64
		beta float64
	}{
		"7907": {[]float64{487, 18, 100, 7, 98, 5, 85, 91, 43, 230, 3, 130}, 1.17291, .2408, 0},
		"7912": {[]float64{23, 261, 87, 7, 120, 14, 62, 47, 225, 71, 246, 21, 42, 20, 5, 12, 120, 11, 3, 14, 71, 11, 14, 11, 16, 90, 1,
			16, 52, 95}, 2.20647, .02735, 1.505915},
	} {
		var times []float64
		sum := 0.0
		for _, g := range c.gaps {
			sum += g
			times = append(times, sum)
		}
		trend, ok := recurrence.LaplaceToLast(times)
		if !ok {
			t.Fatal(name)
		}
		near(t, name+" U", trend.U, c.u, 1e-5)
		near(t, name+" p", trend.P, c.p, 5e-4)
		if c.beta != 0 {
			law, _ := recurrence.FitPowerLawToLast(times)
			near(t, name+" β", law.Shape, c.beta, 1e-6)
		}
	}
}

// By definition: of angles all alike the mean is 1 long
// and they never gather by chance; of angles evenly spread it is 0.
func TestRayleigh(t *testing.T) {
	same := []float64{6, 6, 6, 6, 6, 6, 6, 6}
	direction, mean, p := recurrence.Rayleigh(same)
	near(t, "direction", direction, 6, 1e-9)
	near(t, "mean", mean, 1, 1e-9)
	if p > 1e-4 {
		t.Error(p)
	}
	var even []float64
	for i := range 12 {
		even = append(even, float64(i)*math.Pi/6)
	}
	if _, mean, p := recurrence.Rayleigh(even); mean > 1e-9 || p < 0.99 {
		t.Error(mean, p)
	}
	if _, _, p := recurrence.Rayleigh(nil); p != 1 {
		t.Error(p)
	}
}

// By hand: throws of a coin, and the chances that are certain.
func TestExactTestsAtTheirEdges(t *testing.T) {
	for _, c := range []struct {
		k, n       int
		p          float64
		most, more float64
	}{
		{0, 5, 0.5, 1.0 / 32, 1}, {5, 5, 0.5, 1, 1.0 / 32}, {3, 5, 0.5, 26.0 / 32, 16.0 / 32}, {2, 5, 0, 1, 0}, {2, 5, 1, 0, 1},
		{0, 0, 0.3, 1, 1}, {-1, 5, 0.5, 0, 1}, {6, 5, 0.5, 1, 0},
	} {
		near(t, "at most", recurrence.BinomialAtMost(c.k, c.n, c.p), c.most, 1e-12)
		near(t, "at least", recurrence.BinomialAtLeast(c.k, c.n, c.p), c.more, 1e-12)
	}
}
