package vibration

import (
	"math"
	"strconv"
	"strings"
)

// num writes a number to the decimals that its resolution deserves, at most
// four digits.
func num(v, resolution float64) string {
	decimals := 12
	if resolution > 0 && !math.IsInf(resolution, 0) {
		decimals = int(math.Ceil(-math.Log10(resolution) - 1e-9))
		if resolution*math.Pow10(decimals) < 2 && decimals > -2 {
			decimals++
		}
	}
	if v != 0 {
		decimals = min(decimals, 3-int(math.Floor(math.Log10(math.Abs(v)))))
	} else if decimals == 12 {
		decimals = 0
	}
	if decimals < 0 {
		p := math.Pow10(-decimals)
		v, decimals = math.Round(v/p)*p, 0
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if resolution <= 0 && strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// with is a number with its unit.
func with(v, resolution float64, unit string) string {
	return strings.TrimSpace(num(v, resolution) + " " + unit)
}

// plusMinus is a number with resolution and unit: "24.50 ±0.12 Hz".
func plusMinus(v, pm float64, unit string) string {
	if pm <= 3e-4*math.Abs(v) {
		return with(v, 0, unit)
	}
	e := math.Pow10(int(math.Floor(math.Log10(pm))) - 1)
	short := strconv.FormatFloat(math.Round(pm/e)*e, 'f', max(0, -int(math.Round(math.Log10(e)))), 64)
	return strings.TrimSpace(num(v, pm) + " ±" + short + " " + unit)
}

// signed is a time from the trigger.
func signed(v, resolution float64) string {
	if v > 0 {
		return "+" + num(v, resolution)
	}
	return num(v, resolution)
}

// list joins phrases: "a, b and c".
func list(phrases []string) string {
	n := len(phrases)
	if n < 2 {
		return strings.Join(phrases, "")
	}
	return strings.Join(phrases[:n-1], ", ") + " and " + phrases[n-1]
}
