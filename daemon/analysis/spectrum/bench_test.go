package spectrum_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"

	"faultkeep/daemon/analysis/spectrum"
)

// BenchmarkWelch prints a spectrum's time as a multiple of the bare transforms
// that it takes, and how the cost of a sample grows from 8,192 samples to a
// hundred times as many: 1 is linear.
func BenchmarkWelch(b *testing.B) {
	x := make([]float64, 100*8192)
	for i := range x {
		x[i] = rand.NormFloat64()
	}
	size := spectrum.SizeFor(8192)
	fft, lines := fourier.NewFFT(size), make([]complex128, size/2+1)
	var ours, floor float64
	for b.Loop() {
		ours += seconds(func() { spectrum.Welch(x[:8192], 1, spectrum.Options{}) })
		floor += seconds(func() {
			for at := 0; at+size <= 8192; at += size / 2 {
				fft.Coefficients(lines, x[at:at+size])
			}
		})
	}
	many := seconds(func() { spectrum.Welch(x, 1, spectrum.Options{Size: size}) })
	b.ReportMetric(ours/floor, "×transforms")
	b.ReportMetric(many/100/(ours/float64(b.N)), "cost-a-sample-at-×100")
}

func seconds(f func()) float64 {
	start := time.Now()
	f()
	return time.Since(start).Seconds()
}
