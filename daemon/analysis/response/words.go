package response

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// num writes a number to the decimals that its resolution deserves.
func num(v, resolution float64) string {
	decimals := 0
	switch {
	case resolution > 0 && !math.IsInf(resolution, 0):
		decimals = int(math.Ceil(-math.Log10(resolution) - 1e-9))
		if lead := resolution * math.Pow10(decimals); lead < 2 && decimals > -2 {
			decimals++ // "±1.3", not "±1"
		}
	case v != 0:
		decimals = 3 - int(math.Floor(math.Log10(math.Abs(v))))
	}
	if v != 0 {
		decimals = min(decimals, 3-int(math.Floor(math.Log10(math.Abs(v))))) // four digits are enough
	}
	decimals = min(decimals, 12)
	if decimals < 0 {
		p := math.Pow10(-decimals)
		v, decimals = math.Round(v/p)*p, 0
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// with is a number with its unit.
func with(v, resolution float64, unit string) string {
	if unit == "" {
		return num(v, resolution)
	}
	return num(v, resolution) + " " + unit
}

// text is a number with its resolution and unit: "14.3 ±0.5 ms".
func (q quantity) text(unit string) string {
	if q.pm <= 3e-4*math.Abs(q.v) { // beyond the digits that are shown
		return with(q.v, 0, unit)
	}
	s := num(q.v, q.pm) + " ±" + short(q.pm)
	if unit == "" {
		return s
	}
	return s + " " + unit
}

// short is a number with two digits, never with an exponent.
func short(v float64) string {
	if v <= 0 || math.IsInf(v, 0) {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	e := math.Pow10(int(math.Floor(math.Log10(v))) - 1)
	return strconv.FormatFloat(math.Round(v/e)*e, 'f', max(0, -int(math.Round(math.Log10(e)))), 64)
}

// seconds writes a duration with its resolution, in the unit that reads best.
func (q quantity) seconds() string {
	if math.Abs(q.v) < 1 {
		return quantity{q.v * 1000, q.pm * 1000, true}.text("ms")
	}
	return q.text("s")
}

// span is a duration.
func span(v, dt float64) string {
	if v < 1 {
		return with(v*1000, dt*1000, "ms")
	}
	return with(v, dt, "s")
}

// instant is a time from the trigger.
func instant(v, dt float64) string {
	s := num(v, dt)
	if v > 0 {
		s = "+" + s
	}
	return s + " s"
}

// list joins phrases: "a, b and c".
func list(phrases []string) string {
	switch n := len(phrases); n {
	case 0:
		return ""
	case 1:
		return phrases[0]
	default:
		return fmt.Sprintf("%s and %s", strings.Join(phrases[:n-1], ", "), phrases[n-1])
	}
}

// count is a number of things.
func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
