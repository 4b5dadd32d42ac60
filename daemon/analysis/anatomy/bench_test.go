package anatomy_test

import (
	"math"
	"testing"
	"time"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// long is a scenario's capture, repeated backwards and forwards before the
// trigger until it has n samples before it and some after.
func long(n int, cause drivesim.Cause) (capture.Capture, []capture.Series) {
	c, short, _ := drivesim.Scenario{Seed: 3, Cause: cause, Machine: drivesim.Elevator(), Interval: time.Millisecond, Samples: 4096}.Play()
	have := c.Trigger.Index
	series := make([]capture.Series, len(short))
	for k, s := range short {
		for i := range n {
			at := (n - 1 - i) // samples before the trigger
			if at >= have/4 { // from a quarter of the record on, to and fro over its quiet part
				quiet := have/2 - have/4
				if at = (at - have/4) % (2 * quiet); at >= quiet {
					at = 2*quiet - 1 - at
				}
				at += have / 4
			}
			series[k] = append(series[k], s[have-1-at])
		}
		series[k] = append(series[k], s[have:]...)
	}
	c.Trigger.Index, c.Timing.Samples = n, len(series[0])
	return c, series
}

func seconds(f func()) float64 {
	start := time.Now()
	f()
	return time.Since(start).Seconds()
}

// BenchmarkFind prints the time for 8 × 8,192 samples, most of them before the
// trigger, in ms and as a multiple of reading every sample once.
func BenchmarkFind(b *testing.B) {
	c, series := long(7000, drivesim.Jam)
	sink, ours, floor := 0.0, 0.0, 0.0
	for b.Loop() {
		ours += seconds(func() { anatomy.Find(c, series) })
		floor += seconds(func() {
			for _, s := range series {
				for _, v := range s {
					sink = math.Max(sink, v)
				}
			}
		})
	}
	b.ReportMetric(ours/floor, "×reading")
	b.ReportMetric(1000*ours/float64(b.N), "ms/capture")
}

// The cost grows linearly: eight times the samples take no more than twice
// eight times as long, by the best of some runs.
func TestCostIsLinear(t *testing.T) {
	if testing.Short() {
		t.Skip("measures time")
	}
	best := func(n int) float64 {
		c, series := long(n, drivesim.Jam)
		least := math.Inf(1)
		for range 5 {
			least = min(least, seconds(func() { anatomy.Find(c, series) }))
		}
		return least
	}
	small, large := best(8192), best(8*8192)
	t.Logf("%.1f and %.1f ms", 1000*small, 1000*large)
	if large > 2*8*small {
		t.Errorf("8,192 samples take %.4f s, eight times as many %.4f s", small, large)
	}
}
