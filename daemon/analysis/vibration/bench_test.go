package vibration_test

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"

	"faultkeep/daemon/analysis/vibration"
	"faultkeep/store/capture"
)

// eight is a capture of eight channels, six of them like the current.
func eight(n int) (capture.Capture, []capture.Series) {
	c, series := machine(n, .001, sum(constant(1485), noise(1, .5), sine(2, 24.75)), sum(constant(12), noise(2, .1), sine(.5, 24.75), sine(.4, 100)))
	for _, name := range []string{"torque", "DC link", "position error", "temperature", "flow", "pressure"} {
		c.Channels = append(c.Channels, capture.Channel{Name: name})
		series = append(series, series[1])
	}
	return c, series
}

// BenchmarkFind prints the time for 8 × 8,192 samples as a multiple of one
// transform of each channel, and how the cost of a sample grows from there to a
// hundred times as many: 1 is linear.
func BenchmarkFind(b *testing.B) {
	c, series := eight(8192)
	large, many := eight(100 * 8192)
	fft, lines := fourier.NewFFT(8192), make([]complex128, 4097)
	var ours, floor float64
	for b.Loop() {
		ours += seconds(func() { vibration.Find(c, series) })
		floor += seconds(func() {
			for _, s := range series {
				fft.Coefficients(lines, s)
			}
		})
	}
	grown := seconds(func() { vibration.Find(large, many) })
	b.ReportMetric(ours/floor, "×transforms")
	b.ReportMetric(grown/100/(ours/float64(b.N)), "cost-a-sample-at-×100")
}

func seconds(f func()) float64 {
	start := time.Now()
	f()
	return time.Since(start).Seconds()
}

func TestTenMillionSamples(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	c, series := machine(10_000_000, .0001, sum(constant(1485), noise(1, .5)), sum(constant(10), noise(2, .1), func(t float64) float64 { return .2 * math.Sin(2*math.Pi*312.5*t) }))
	took := seconds(func() { at(t, vibration.Find(c, series), capture.FindingVibration, "frequency", 312.5, .2) })
	t.Logf("%.1f s", took)
}
