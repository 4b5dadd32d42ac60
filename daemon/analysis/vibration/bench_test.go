package vibration_test

import (
	"math"
	"runtime"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"

	"faultkeep/daemon/analysis/vibration"
	"faultkeep/store/capture"
)

// eight is a capture of eight channels, six of them like the current.
func eight(n int, speed float64) (capture.Capture, []capture.Series) {
	length := float64(n) * .001
	c, series := machine(n, .001, sum(func(t float64) float64 { return 1485 + speed*t/length }, noise(1, .5), sine(2, 24.75)),
		sum(constant(12), noise(2, .1), sine(.5, 24.75), sine(.4, 100)))
	for _, name := range []string{"torque", "DC link", "position error", "temperature", "flow", "pressure"} {
		c.Channels = append(c.Channels, capture.Channel{Name: name})
		series = append(series, series[1])
	}
	return c, series
}

// BenchmarkFind prints the time for 8 × 8,192 samples as a multiple of one
// transform of each channel, at a speed that stays and at one that rises, for
// which everything is looked at over the angle as well; and how the cost of a
// sample grows from there to a hundred times as many: 1 is linear.
func BenchmarkFind(b *testing.B) {
	for name, rise := range map[string]float64{"steady": 0, "rising": 600} {
		b.Run(name, func(b *testing.B) {
			c, series := eight(8192, rise)
			large, many := eight(100*8192, rise)
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
			b.ReportMetric(1000*ours/float64(b.N), "ms/capture")
			b.ReportMetric(ours/floor, "×transforms")
			b.ReportMetric(grown/100/(ours/float64(b.N)), "cost-a-sample-at-×100")
		})
	}
}

func seconds(f func()) float64 {
	start := time.Now()
	f()
	return time.Since(start).Seconds()
}

// A capture of eight times the samples costs about as much as eight captures. The
// bound is generous, since other programs run beside; a cost that grows with the
// square would be eight times as much.
func TestCostGrowsLinearly(t *testing.T) {
	of := func(n int) func() {
		c, series := eight(n, 600)
		return func() { vibration.Find(c, series) }
	}
	small, large := of(8192), of(8*8192)
	few, many := math.Inf(1), math.Inf(1)
	for range 4 {
		few = min(few, seconds(func() {
			for range 8 {
				small()
			}
		}))
		many = min(many, seconds(large))
	}
	t.Logf("%.2f times as much", many/few)
	if many > 3*few {
		t.Errorf("8 × 65,536 samples take %.4f s, 8 times 8 × 8,192 %.4f s", many, few)
	}
}

// Ten million samples a channel are looked at in little memory, even where the
// speed changes: all that is allocated on the way is less than one channel holds.
func TestTenMillionSamples(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	const n, dt = 10_000_000, .0001
	c, series := machine(100_000, dt, sum(constant(1485), noise(1, .5)), sum(constant(10), noise(2, .1), sine(.2, 312.5)))
	c.Timing.Samples = n
	for i, s := range series {
		long := make(capture.Series, 0, n)
		for len(long) < n { // 312.5 Hz has whole periods in 100,000 samples
			long = append(long, s...)
		}
		series[i] = long
	}
	for i := range series[0] {
		series[0][i] += 400 * float64(i) / n
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	took := seconds(func() { at(t, vibration.Find(c, series), capture.FindingVibration, "frequency", 312.5, .2) })
	runtime.ReadMemStats(&after)
	allocated := after.TotalAlloc - before.TotalAlloc
	t.Logf("%.1f s, %d MB", took, allocated>>20)
	if allocated > 8*n {
		t.Errorf("%d MB allocated beside a capture of %d", allocated>>20, 2*8*n>>20)
	}
}
