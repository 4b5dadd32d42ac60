package recurrence

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// The table of critical values against a simulation of what it tabulates: the
// 95 % quantile of the statistic where the power law holds. Of 20,000 draws the
// quantile of the statistic has a standard error of about 1 %.
func TestCriticalValuesAgainstSimulation(t *testing.T) {
	for _, c := range criticals {
		if c.events > 30 {
			continue // too slow here; the entries differ by less than the error
		}
		rng := rand.New(rand.NewPCG(7, uint64(c.events)))
		stats := make([]float64, 20000)
		times := make([]float64, c.events)
		for k := range stats {
			for i := range times {
				times[i] = rng.Float64()
			}
			slices.Sort(times)
			sum := 0.0
			for _, x := range times {
				sum -= math.Log(x)
			}
			stats[k] = misfit(times, 1, float64(c.events-1)/sum, true)
		}
		slices.Sort(stats)
		if got := stats[len(stats)*95/100]; math.Abs(got-c.value) > 0.03*c.value {
			t.Errorf("%d events: simulated %.4f, tabulated %.3f", c.events, got, c.value)
		}
	}
}

func TestCriticalTakesTheLowerEntry(t *testing.T) {
	for events, want := range map[int]float64{2: .175, 11: .212, 14: .214, 29: .217, 5000: .220} {
		if got := critical(events); got != want {
			t.Errorf("%d events: %v, want %v", events, got, want)
		}
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.2: 80 % bounds of the
// case of 8.4.2.
func TestMTBFBoundsOfNIST(t *testing.T) {
	low, high := mtbfBounds(310.234, 10, 0.8)
	if math.Abs(low-157.714) > 1e-3*157 || math.Abs(high-548.557) > 1e-3*548 {
		t.Errorf("%v to %v", low, high)
	}
}
