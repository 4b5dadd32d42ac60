package report

import (
	"math"
	"strconv"
	"strings"
)

// span is the range that a lane shows for values between low and high: a
// little air around them, zero included where it is near, and never so narrow
// that the noise of a steady signal fills the lane.
func span(low, high float64) (float64, float64) {
	if low > 0 && low <= high/4 {
		low = 0
	}
	if high < 0 && high >= low/4 {
		high = 0
	}
	size := math.Max(math.Abs(low), math.Abs(high))
	least := size * 0.08
	if size == 0 {
		least = 2
	}
	if width := high/2 - low/2; width < least/2 {
		mid := low/2 + high/2
		low, high = mid-least/2, mid+least/2
	}
	air := (high/2 - low/2) * 0.12
	low, high = low-air, high+air
	return math.Max(low, -math.MaxFloat64), math.Min(high, math.MaxFloat64)
}

// ticks are round numbers in [low, high], about n of them, and the number of
// decimals that tells them apart.
func ticks(low, high float64, n int) (at []float64, decimals int) {
	width := high/2 - low/2
	if !(width > 0) || math.IsInf(width, 0) || n < 1 {
		return nil, 0
	}
	raw := width / float64(n) * 2
	if math.IsInf(raw, 0) {
		raw = math.MaxFloat64 / 2
	}
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step := power
	for _, m := range []float64{1, 2, 5, 10} {
		step = m * power
		if step >= raw*0.999 {
			break
		}
	}
	if step == 0 || math.IsInf(step, 0) {
		return nil, 0
	}
	for k := math.Ceil(low / step); k*step <= high && len(at) <= 4*n; k++ {
		at = append(at, k*step)
	}
	return at, max(0, -int(math.Floor(math.Log10(step*1.0001))))
}

// Value in at most digits significant digits, with a real minus sign and
// without an exponent where it can be read without one.
func Value(x float64, digits int) string {
	switch {
	case math.IsNaN(x):
		return "–"
	case math.IsInf(x, 1):
		return "+∞"
	case math.IsInf(x, -1):
		return "−∞"
	case x == 0:
		return "0"
	}
	size := math.Abs(x)
	var s string
	if size >= 1e-4 && size < 1e7 {
		places := digits - 1 - int(math.Floor(math.Log10(size)))
		s = strconv.FormatFloat(size, 'f', min(max(places, 0), 9), 64)
		if strings.Contains(s, ".") {
			s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
		}
	} else {
		s = strconv.FormatFloat(size, 'g', digits, 64)
	}
	if x < 0 {
		return "−" + s
	}
	return s
}

// fixed is a tick's label.
func fixed(x float64, decimals int) string {
	if size := math.Abs(x); size >= 1e7 || decimals > 6 {
		return Value(x, 3)
	}
	s := strconv.FormatFloat(math.Abs(x), 'f', decimals, 64)
	switch {
	case strings.Trim(s, "0.") == "":
		return "0"
	case x < 0:
		return "−" + s
	}
	return s
}

// signed is a time's label: sign before and after the trigger, plain 0 at it.
func signed(t float64, decimals int) string {
	s := strconv.FormatFloat(math.Abs(t), 'f', decimals, 64)
	switch {
	case strings.Trim(s, "0.") == "":
		return "0"
	case t < 0:
		return "−" + s
	}
	return "+" + s
}
