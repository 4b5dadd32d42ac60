package anatomy

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

func itoa(n int) string { return strconv.Itoa(n) }

// number has three digits, more before the point where it is large, and the
// typographic minus.
func number(v float64) string {
	if v == 0 || math.IsNaN(v) {
		return "0"
	}
	digits := 2 - int(math.Floor(math.Log10(math.Abs(v))))
	s := strconv.FormatFloat(v, 'f', max(0, min(digits, 9)), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return strings.Replace(s, "-", "−", 1)
}

// amount is a number with its unit.
func amount(v float64, unit string) string {
	if unit == "" {
		return number(v)
	}
	return number(v) + " " + unit
}

// span is a length of time in the unit that fits.
func span(s float64) string {
	switch s = math.Abs(s); {
	case s >= 0.9995:
		return number(s) + " s"
	case s >= 0.9995e-3 || s == 0: // what isn't exact stays in its unit
		return number(s*1e3) + " ms"
	}
	return number(s*1e6) + " µs"
}

// when is a time from the trigger, in words.
func (s *study) when(at float64) string {
	switch {
	case at < 0:
		return fmt.Sprintf("%s before the %s", span(at), s.event())
	case at > 0:
		return fmt.Sprintf("%s after the %s", span(at), s.event())
	}
	return "at the " + s.event()
}

// event is what the trigger was, as far as is known.
func (s *study) event() string {
	if s.c.Fault.Code != 0 || s.c.Fault.Name != "" {
		return "trip"
	}
	return "trigger"
}

// capital makes the first letter of a sentence large.
func capital(s string) string {
	for i, r := range s {
		return strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}

// list is "a", "a and b", "a, b and c".
func list(of []string) string {
	if len(of) < 2 {
		return strings.Join(of, "")
	}
	return strings.Join(of[:len(of)-1], ", ") + " and " + of[len(of)-1]
}
