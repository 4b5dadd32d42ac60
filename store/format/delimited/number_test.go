package delimited

import (
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// The quick way gives what strconv.ParseFloat gives, bit for bit.
func TestNumbersAreStrconvs(t *testing.T) {
	point := numbers{decimal: '.'}
	check := func(t interface{ Fatalf(string, ...any) }, s string) {
		want, err := strconv.ParseFloat(s, 64)
		got, ok := point.parse([]byte(s))
		if err != nil && !math.IsInf(want, 0) || math.IsNaN(want) {
			return
		}
		if !ok || math.Float64bits(got) != math.Float64bits(want) {
			t.Fatalf("%q: %v %v, want %v", s, got, ok, want)
		}
	}
	for _, s := range []string{"0", "-0", "+1", ".5", "5.", "1e22", "1e23", "123456789012345678", "9007199254740993", "0.1e-21", "1e-400", "1e400",
		"0000000000000000000000000.1", "00000.000000000000000000000012345", "4.9e-324", "1.7976931348623157e308", "-1.5E+03"} {
		check(t, s)
	}
	rapid.Check(t, func(t *rapid.T) {
		check(t, rapid.StringMatching(`[+-]?[0-9]{1,20}(\.[0-9]{0,20})?([eE][+-]?[0-9]{1,3})?`).Draw(t, "s"))
	})
	for _, s := range []string{"", "-", "+", ".", "e5", "1e", "1e+", "0x10", "1_000", "1.2.3", "1,5", "12a", "--1"} {
		if v, ok := point.parse([]byte(s)); ok {
			t.Errorf("%q is read as %v", s, v)
		}
	}
}

func TestThousands(t *testing.T) {
	for _, c := range []struct {
		n    numbers
		text string
		want float64
		ok   bool
	}{
		{numbers{',', '.'}, "1.234.567,5", 1234567.5, true}, {numbers{',', '.'}, "-12.345", -12345, true}, {numbers{',', '.'}, "1.23", 0, false},
		{numbers{'.', ','}, "1,234.5", 1234.5, true}, {numbers{'.', ','}, "1,2345", 0, false}, {numbers{'.', ' '}, "1 234.5", 1234.5, true},
		{numbers{',', ' '}, "1\u00a0234,5", 1234.5, true}, {numbers{'.', '\''}, "1'000'000", 1e6, true}, {numbers{'.', ','}, "1.5,000", 0, false},
	} {
		if v, ok := c.n.parse([]byte(c.text)); v != c.want || ok != c.ok {
			t.Errorf("%q: %v %v", c.text, v, ok)
		}
	}
}
