package likeness_test

import (
	"fmt"
	"testing"
	"time"

	"faultkeep/daemon/analysis/likeness"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// thousands are ten thousand captures of one drive type and code, all that a
// simulated drive records in them.
func thousands() (out []likeness.Known) {
	var prints []likeness.Print
	for seed := range uint64(8) {
		c, series, _ := drivesim.Scenario{Seed: seed, Samples: 1024}.Play()
		prints = append(prints, likeness.Of(c, series))
	}
	for i := range 10_000 {
		out = append(out, likeness.Known{ID: capture.ID(fmt.Sprint(i)), Fault: capture.Fault{Code: 1}, Family: fmt.Sprintf("1-%c", 'A'+i%8),
			Time: start.Add(time.Duration(i) * time.Minute), Print: prints[i%len(prints)]})
	}
	return out
}

// BenchmarkPlace prints the time for placing a capture among 10,000, and that as
// a multiple of one plain scalar product of float32 with each.
func BenchmarkPlace(b *testing.B) {
	known := thousands()
	p := known[3]
	p.ID = "new"
	plain := make([][]float32, len(known))
	for i, k := range known {
		plain[i] = make([]float32, len(k.Print.Cells))
		for j, v := range k.Print.Cells {
			plain[i][j] = float32(int8(v))
		}
	}
	var ours, floor float64
	var sum float32
	for b.Loop() {
		ours += seconds(func() { likeness.Place(p, known) })
		floor += seconds(func() {
			for _, v := range plain {
				for i, x := range v {
					sum += x * plain[3][i]
				}
			}
		})
	}
	if sum == 0 {
		b.Fatal("no product")
	}
	b.ReportMetric(1000*ours/float64(b.N), "ms-among-10,000")
	b.ReportMetric(ours/floor, "×scalar-products")
}

// BenchmarkOf prints the time for the picture of 8 × 8,192 samples as a multiple
// of adding them up, and how the cost of a sample grows from there to a hundred
// times as many: 1 is linear.
func BenchmarkOf(b *testing.B) {
	eight := func(n int) (capture.Capture, []capture.Series) {
		c, s := made{n: n, dt: 8.192 / float64(n), sizes: []float64{80, 60, -50, 0}}.capture()
		return capture.Capture{Timing: c.Timing, Trigger: c.Trigger, Channels: append(c.Channels, c.Channels...)}, append(s, s...)
	}
	c, series := eight(8192)
	large, many := eight(819_200)
	var ours, floor, sum float64
	for b.Loop() {
		ours += seconds(func() { likeness.Of(c, series) })
		floor += seconds(func() {
			for _, s := range series {
				for _, v := range s {
					sum += v
				}
			}
		})
	}
	grown := seconds(func() { likeness.Of(large, many) })
	if sum == 0 {
		b.Fatal("no sum")
	}
	b.ReportMetric(1000*ours/float64(b.N), "ms-8×8,192")
	b.ReportMetric(ours/floor, "×sums")
	b.ReportMetric(grown/100/(ours/float64(b.N)), "cost-a-sample-at-×100")
}

// BenchmarkFamilies prints how long it takes to group 10,000 captures of one
// fault code anew.
func BenchmarkFamilies(b *testing.B) {
	known := thousands()
	var took float64
	for b.Loop() {
		took += seconds(func() { likeness.Families(known) })
	}
	b.ReportMetric(took/float64(b.N), "s-for-10,000")
}

// BenchmarkKindred prints how long it takes to look for what belongs together among
// 10,000 captures in a hundred families of ten fault codes.
func BenchmarkKindred(b *testing.B) {
	known := thousands()
	for i := range known {
		known[i].Print.Cause, known[i].Fault.Code = "load or jam", uint32(1+i%10)
		known[i].Family = string(rune('A'+i/10%10)) + "-A"
	}
	var took float64
	for b.Loop() {
		took += seconds(func() { likeness.Kindred(known) })
	}
	b.ReportMetric(1000*took/float64(b.N), "ms-among-10,000")
}

func seconds(f func()) float64 {
	begin := time.Now()
	f()
	return time.Since(begin).Seconds()
}
