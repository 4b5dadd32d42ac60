package envelope

import (
	"math"

	"faultkeep/store/capture"
)

// Figures are those of a channel over a run of samples, computed from every
// one of them. What isn't a number is left out. Mean and RMS weigh each sample by the
// interval that it stands for: where the rate changes, time counts and not the
// number of samples.
type Figures struct {
	Count         int // of numbers
	Low, High     float64
	LowAt, HighAt int // the first samples with these values
	Mean, RMS     float64
}

// FiguresOf the samples [first, end) of a series. Without any number all but Count are NaN.
func FiguresOf(k Clock, s capture.Series, first, end int) Figures {
	nan := math.NaN()
	f := Figures{Low: nan, High: nan, LowAt: -1, HighAt: -1, Mean: nan, RMS: nan}
	first, end = max(first, 0), min(end, len(s))
	for i := first; i < end; i++ {
		x := s[i]
		if x != x {
			continue
		}
		if f.Count++; f.Count == 1 || x < f.Low {
			f.Low, f.LowAt = x, i
		}
		if f.Count == 1 || x > f.High {
			f.High, f.HighAt = x, i
		}
	}
	if f.Count == 0 {
		return f
	}
	// Scaled by a power of two, so that no square overflows or vanishes and
	// nothing is rounded by it.
	most := math.Max(math.Abs(f.Low), math.Abs(f.High))
	if most == 0 || math.IsInf(most, 0) {
		f.Mean, f.RMS = f.Low+f.High, most // 0 and 0; or an infinity, or none
		return f
	}
	_, exponent := math.Frexp(most)
	exponent = max(exponent, -1000)
	scale := math.Ldexp(1, -exponent)
	var sum, squares, weights total
	even := k.Even()
	for i := first; i < end; i++ {
		x := s[i]
		if x != x {
			continue
		}
		w := 1.0
		if !even {
			w = k.Interval(i)
		}
		x *= scale
		sum.add(w * x)
		squares.add(w * x * x)
		weights.add(w)
	}
	f.Mean = math.Ldexp(sum.value()/weights.value(), exponent)
	f.RMS = math.Ldexp(math.Sqrt(squares.value()/weights.value()), exponent)
	return f
}

// total adds up with the rounding errors carried along (A. Neumaier, ZAMM 54, 1974).
type total struct{ sum, rest float64 }

func (t *total) add(x float64) {
	sum := t.sum + x
	if math.Abs(t.sum) >= math.Abs(x) {
		t.rest += (t.sum - sum) + x
	} else {
		t.rest += (x - sum) + t.sum
	}
	t.sum = sum
}

func (t *total) value() float64 { return t.sum + t.rest }

// Extreme is the sample within [first, end) that stands out most: the highest
// or the lowest, whichever is farther from their mean. At the edge of the run
// neither counts, for a slope goes on there. -1: none stands out.
func Extreme(k Clock, s capture.Series, first, end int) int {
	first, end = max(first, 0), min(end, len(s))
	f := FiguresOf(k, s, first, end)
	inside := func(i int) bool { return i > first && i < end-1 }
	switch high, low := inside(f.HighAt), inside(f.LowAt); {
	case high && (!low || f.High-f.Mean >= f.Mean-f.Low):
		return f.HighAt
	case low:
		return f.LowAt
	}
	return -1
}
