package delimited

import (
	"bytes"
	"math"
	"strconv"
	"strings"
)

// numbers reads numbers as the file writes them.
type numbers struct {
	decimal   byte
	thousands byte // 0: none
}

// Powers of ten that a float64 holds exactly.
var powers = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// parse reads a number; ok is false where b is anything else.
func (n numbers) parse(b []byte) (v float64, ok bool) {
	if v, end, ok := n.scan(b, 0); ok && end == len(b) {
		return v, true
	}
	return n.slow(b)
}

// scan reads a plain decimal number at offset i and tells where it ends; ok is
// false where there is none, or one that takes the slow way.
//
// With a mantissa below 2^53 and a power of ten up to 22 both are exact in a
// float64, so that one multiplication or division rounds once, as
// strconv.ParseFloat does (W. D. Clinger, "How to read floating point numbers
// accurately", PLDI 1990). Everything else goes to strconv.
func (n numbers) scan(b []byte, i int) (v float64, end int, ok bool) {
	negative := false
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		negative = b[i] == '-'
		i++
	}
	var mantissa uint64
	begin, point := i, -1
	for ; i < len(b); i++ {
		c := b[i]
		if c-'0' <= 9 {
			mantissa = mantissa*10 + uint64(c-'0')
		} else if c == n.decimal && point < 0 {
			point = i
		} else {
			break
		}
	}
	digits, exponent := i-begin, 0
	if point >= 0 {
		digits--
		exponent = point + 1 - i
	}
	if digits == 0 || digits > 18 || mantissa >= 1<<53 {
		return 0, i, false
	}
	if i+1 < len(b) && b[i]|0x20 == 'e' {
		e, after, ok := exponentAt(b, i+1)
		if !ok {
			return 0, i, false
		}
		exponent, i = exponent+e, after
	}
	v = float64(mantissa)
	switch {
	case exponent < -22 || exponent > 22:
		return 0, i, false
	case exponent < 0:
		v /= powers[-exponent]
	default:
		v *= powers[exponent]
	}
	if negative {
		v = -v
	}
	return v, i, true
}

// exponentAt reads what follows the e of "1.5e-12".
func exponentAt(b []byte, i int) (e, end int, ok bool) {
	negative := b[i] == '-'
	if b[i] == '-' || b[i] == '+' {
		i++
	}
	begin := i
	for ; i < len(b) && b[i]-'0' <= 9 && i-begin < 4; i++ {
		e = e*10 + int(b[i]-'0')
	}
	if negative {
		e = -e
	}
	return e, i, i > begin && i-begin < 4
}

// slow reads what is rare: many digits, marks between thousands, infinities.
func (n numbers) slow(b []byte) (float64, bool) {
	if len(b) == 0 || len(b) > 400 {
		return 0, false
	}
	s := string(b)
	if n.thousands != 0 {
		var ok bool
		if s, ok = n.withoutThousands(s); !ok {
			return 0, false
		}
	}
	if n.decimal != '.' {
		if strings.Contains(s, ".") {
			return 0, false
		}
		s = strings.Replace(s, string(n.decimal), ".", 1)
	}
	if strings.ContainsAny(s, "_xXpP") { // Go's own ways of writing numbers
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil && !math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, false
	}
	return v, true
}

// withoutThousands takes the marks away, if they stand where they should:
// every three digits before the decimal mark.
func (n numbers) withoutThousands(s string) (string, bool) {
	mark := string(n.thousands)
	if n.thousands == ' ' {
		s = strings.NewReplacer("\u00a0", " ", "\u202f", " ").Replace(s)
	}
	whole, fraction, _ := strings.Cut(s, string(n.decimal))
	if !strings.Contains(whole, mark) {
		return s, !strings.Contains(fraction, mark)
	}
	groups := strings.Split(strings.TrimLeft(whole, "+-"), mark)
	for i, g := range groups {
		if len(g) > 3 || len(g) == 0 || i > 0 && len(g) != 3 {
			return "", false
		}
	}
	return strings.ReplaceAll(whole, mark, "") + s[len(whole):], !strings.Contains(fraction, mark)
}

// Cells that stand for a sample that is missing. Common practice, no source.
var missing = map[string]bool{"": true, "-": true, "--": true, "nan": true, "null": true, "n/a": true, "na": true, "#n/a": true, "?": true, "none": true,
	"---": true, "invalid": true, "1.#qnan": true, "-nan": true, "-1.#ind": true}

// Cells that stand for a sample beyond what could be measured. Common practice, no source.
var beyond = map[string]bool{"over": true, "ovr": true, "ol": true, "overflow": true, "overload": true, "under": true, "underflow": true, "out of range": true,
	"overrange": true, "over range": true}

// Cells that stand for a bit.
var bits = map[string]float64{"true": 1, "false": 0, "on": 1, "off": 0, "high": 1, "low": 0, "yes": 1, "no": 0}

// cell reads what may stand in a column of samples; NaN is a missing one.
func (n numbers) cell(b []byte) (v float64, ok bool) {
	if v, ok = n.parse(b); ok {
		return v, true
	}
	if len(b) > 8 {
		return 0, false
	}
	lower := bytes.ToLower(b)
	if missing[string(lower)] {
		return math.NaN(), true
	}
	v, ok = bits[string(lower)]
	return v, ok
}
