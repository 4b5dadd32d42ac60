package envelope_test

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"faultkeep/daemon/envelope"
	"faultkeep/store/capture"
)

// Handbook values of a sine over whole periods: mean 0, RMS a/√2 (e.g. Bronstein,
// Taschenbuch der Mathematik, mean values of periodic functions; from memory);
// of 1…n the mean is (n+1)/2 and the mean of squares (n+1)(2n+1)/6.
func TestFiguresOfKnownCourses(t *testing.T) {
	n := 1000
	sine, ramp := make(capture.Series, n), make(capture.Series, n)
	for i := range n {
		sine[i], ramp[i] = 3*math.Sin(2*math.Pi*float64(i)/100), float64(i+1)
	}
	k := envelope.New(record(capture.Timing{Samples: n, Interval: 1}, 0, sine), []capture.Series{sine}).Clock
	if f := envelope.FiguresOf(k, sine, 0, n); math.Abs(f.Mean) > 1e-15 || math.Abs(f.RMS-3/math.Sqrt2) > 1e-12 || f.HighAt != 25 || f.LowAt != 75 {
		t.Errorf("sine: %+v", f)
	}
	if f := envelope.FiguresOf(k, ramp, 0, n); f.Mean != 500.5 || f.RMS != math.Sqrt(1001*2001/6.) || f.Low != 1 || f.High != 1000 || f.Count != n {
		t.Errorf("ramp: %+v", f)
	}
	// Where the rate changes, time counts: 1 for 2 s and 4 for 1 s are 2 on average.
	uneven := capture.Series{1, 4, 4}
	c := record(capture.Timing{Samples: 3, Interval: 0.5, Rates: []capture.Rate{{End: 1, Interval: 2}, {End: 3, Interval: 0.5}}}, 0, uneven)
	if f := envelope.FiguresOf(envelope.New(c, []capture.Series{uneven}).Clock, uneven, 0, 3); math.Abs(f.Mean-2) > 1e-15 || math.Abs(f.RMS-math.Sqrt(6)) > 1e-15 {
		t.Errorf("two rates: %+v", f)
	}
	for _, s := range []capture.Series{{}, {math.NaN(), math.NaN()}} {
		if f := envelope.FiguresOf(k, s, 0, len(s)); f.Count != 0 || !math.IsNaN(f.Mean) || !math.IsNaN(f.Low) || f.LowAt != -1 {
			t.Errorf("no numbers: %+v", f)
		}
	}
	if f := envelope.FiguresOf(k, capture.Series{1, math.Inf(1)}, 0, 2); !math.IsInf(f.Mean, 1) || !math.IsInf(f.RMS, 1) || f.Low != 1 {
		t.Errorf("an infinity: %+v", f)
	}
	if f := envelope.FiguresOf(k, capture.Series{0, 0}, 0, 2); f.Mean != 0 || f.RMS != 0 {
		t.Errorf("zeros: %+v", f)
	}
	for _, s := range []capture.Series{{1, 1e17, -1e17}, {1e17, 1, -1e17}} { // added up plainly: 0
		if f := envelope.FiguresOf(k, s, 0, 3); f.Mean != 1./3 {
			t.Errorf("mean of %v: %v", s, f.Mean)
		}
	}
	for _, tiny := range []float64{math.MaxFloat64, 5e-324, 1e-200} {
		if f := envelope.FiguresOf(k, capture.Series{tiny, tiny, tiny, tiny}, 0, 4); f.Mean != tiny || f.RMS != tiny {
			t.Errorf("four times %g: %+v", tiny, f)
		}
	}
}

// Against numbers of 400 bits: mean and RMS are right to the last digits.
func TestFiguresAgainstLongNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := capture.Series(rapid.SliceOfN(rapid.Float64Range(-1e9, 1e9), 1, 200).Draw(t, "samples"))
		s = append(s, math.NaN())
		offset := rapid.SampledFrom([]float64{0, 1e6, -1e12}).Draw(t, "offset")
		wide := func(x float64) *big.Float { return new(big.Float).SetPrec(400).SetFloat64(x) }
		sum, squares, n := wide(0), wide(0), 0
		for i := range s {
			if s[i] += offset; math.IsNaN(s[i]) {
				continue
			}
			n++
			sum.Add(sum, wide(s[i]))
			squares.Add(squares, new(big.Float).Mul(wide(s[i]), wide(s[i])))
		}
		mean, _ := sum.Quo(sum, wide(float64(n))).Float64()
		rms, _ := squares.Sqrt(squares.Quo(squares, wide(float64(n)))).Float64()
		k := envelope.New(record(capture.Timing{Samples: len(s), Interval: 1}, 0, s), []capture.Series{s}).Clock
		f := envelope.FiguresOf(k, s, 0, len(s))
		most := math.Max(math.Abs(f.Low), math.Abs(f.High))
		if f.Count != n || math.Abs(f.Mean-mean) > 4e-16*most || math.Abs(f.RMS-rms) > 1e-15*rms {
			t.Fatalf("%d numbers, mean %.17g, RMS %.17g; want %d, %.17g, %.17g", f.Count, f.Mean, f.RMS, n, mean, rms)
		}
	})
}

func TestExtreme(t *testing.T) {
	s := capture.Series{0, 0, 3, 0, -1, 0, 0, math.NaN(), -9}
	k := envelope.New(record(capture.Timing{Samples: 9, Interval: 1}, 0, s), []capture.Series{s}).Clock
	for _, c := range [][3]int{{0, 9, 2}, {0, 5, 2}, {3, 7, 4}, {1, 5, 2}, {2, 7, 4}, {7, 8, -1}, {6, 20, -1}, {4, 2, -1}, {-5, 99, 2}} {
		if got := envelope.Extreme(k, s, c[0], c[1]); got != c[2] {
			t.Errorf("in [%d, %d) it is %d, want %d", c[0], c[1], got, c[2])
		}
	}
}
