package response_test

import (
	"math"
	"runtime"
	"testing"
	"time"

	"faultkeep/daemon/analysis/response"
	"faultkeep/store/capture"
)

// eight is a capture of eight channels: a loop with steps, a ramp and noise,
// and six more.
func eight(n int) (capture.Capture, []capture.Series) {
	length := float64(n) * .001
	c, series := loopOf(n, .001, .5, 40, func(t float64) float64 {
		return 1000 + stepAt(.2*length, 0, 100)(t) + stepAt(.4*length, 0, -50)(t) + rampBetween(.6*length, .8*length, 0, 300)(t)
	}, white(1, .5))
	for _, role := range []capture.Role{capture.RoleCurrent, capture.RoleTorque, capture.RoleDCLink, capture.RolePositionError, capture.RoleTemperature, capture.RoleDigital} {
		c.Channels = append(c.Channels, capture.Channel{Name: string(role), Role: role})
		series = append(series, series[1])
	}
	return c, series
}

// A record of eight times the samples costs about as much as eight records, in
// one piece or in thousands with a change of the setpoint in each. The bound is
// generous, since other programs run beside; a cost that grows with the square
// would be eight times as much.
func TestCostGrowsLinearly(t *testing.T) {
	for name, gap := range map[string]int{"whole": 0, "gaps": 40} {
		of := func(n int) func() {
			c, series := eight(n)
			for i := range n {
				if gap > 0 {
					series[0][i] = float64(i / 25)
				}
				if gap > 0 && i%gap < 5 {
					series[1][i] = math.NaN()
				}
			}
			return func() { response.Find(c, series) }
		}
		small, large := of(32*1024), of(8*32*1024)
		few, many := math.Inf(1), math.Inf(1)
		for range 4 {
			few = min(few, seconds(func() {
				for range 8 {
					small()
				}
			}))
			many = min(many, seconds(large))
		}
		t.Logf("%s: %.2f times as much", name, many/few)
		if many > 3*few {
			t.Errorf("%s: 262,144 samples take %.4f s, 8 × 32,768 %.4f s", name, many, few)
		}
	}
}

// BenchmarkFind prints the time for 8 × 8,192 samples as a multiple of reading
// every sample once, and how the cost of a sample grows from there to a hundred
// times as many: 1 is linear.
func BenchmarkFind(b *testing.B) {
	c, series := eight(8192)
	large, many := eight(100 * 8192)
	sink := 0.0
	var ours, floor, grown float64
	for b.Loop() {
		ours += seconds(func() { response.Find(c, series) })
		floor += seconds(func() {
			for _, s := range series {
				for _, v := range s {
					sink += v
				}
			}
		})
	}
	grown = seconds(func() { response.Find(large, many) })
	b.ReportMetric(1000*ours/float64(b.N), "ms/capture")
	b.ReportMetric(ours/floor, "×reading")
	b.ReportMetric(grown/100/(ours/float64(b.N)), "cost-a-sample-at-×100")
}

func seconds(f func()) float64 {
	start := time.Now()
	f()
	return time.Since(start).Seconds()
}

// Ten million samples a channel are measured like few, in less memory, all that
// is allocated on the way counted, than they take themselves.
func TestTenMillionSamples(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	const n = 10_000_000
	c, series := captureOf(.0001, make(capture.Series, n), make(capture.Series, n))
	dice := white(1, .01)
	noise := make([]float64, 100_000)
	for i := range noise {
		noise[i] = dice(i)
	}
	for i := range n {
		series[1][i] = noise[i%len(noise)]
		if i >= n/2 {
			series[0][i] = 100
			series[1][i] += 100 * (1 - math.Exp(-float64(i-n/2)*.0001/20))
		}
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	var findings []capture.Finding
	took := seconds(func() { findings = response.Find(c, series) })
	runtime.ReadMemStats(&after)
	allocated := after.TotalAlloc - before.TotalAlloc
	t.Logf("%.1f s, %d MB", took, allocated>>20)
	if allocated > 2*8*n {
		t.Errorf("%d MB allocated beside a capture of %d", allocated>>20, 2*8*n>>20)
	}
	if got := value(t, only(t, findings, capture.FindingStep), "rise time"); math.Abs(got.Value-20*2.19722) > got.PlusMinus+.01 { // rise of a first order: 2.19722 τ
		t.Errorf("rise %g", got.Value)
	}
}
