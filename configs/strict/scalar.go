package strict

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// scalar is the text of a plain value as written, without quotes.
func scalar(n ast.Node) (text string, quoted, ok bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		kind := n.Token.Type
		return n.Value, kind == token.DoubleQuoteType || kind == token.SingleQuoteType, true
	case *ast.LiteralNode:
		return n.Value.Value, true, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, false, true
	}
	return "", false, false
}

func (r *reader) scalar(n ast.Node, v reflect.Value, path, rangeTag string) {
	text, quoted, ok := scalar(n)
	if !ok {
		r.mismatch(n, path, wanted(v))
		return
	}
	problem, hint := "", ""
	switch kind := v.Kind(); {
	case kind == reflect.String:
		v.SetString(text)
	case quoted:
		problem, hint = describe(text, true)+", wanted "+wanted(v), "leave the quotes out"
	case kind == reflect.Bool:
		problem, hint = boolean(v, text)
	default:
		problem, hint = number(v, text, rangeTag)
	}
	if problem != "" {
		r.report(n, path, problem, hint)
	}
}

func boolean(v reflect.Value, text string) (problem, hint string) {
	switch strings.ToLower(text) {
	case "true":
		v.SetBool(true)
		return "", ""
	case "false":
		v.SetBool(false)
		return "", ""
	case "yes", "on", "y":
		hint = "write true"
	case "no", "off", "n":
		hint = "write false"
	}
	return describe(text, false) + ", wanted true or false", hint
}

// number reads text into a whole number or float.
func number(v reflect.Value, text, rangeTag string) (problem, hint string) {
	low, high, bounded := limits(rangeTag)
	out := func(shown, from, to string) (string, string) {
		return fmt.Sprintf("is %s, wanted %s to %s", shown, from, to), ""
	}
	switch {
	case v.CanInt(), v.CanUint():
		n, problem, hint := whole(text)
		if problem != "" {
			return problem, hint
		}
		from, to := bounds(v)
		if bounded {
			from, to = low, high
		}
		if !n.fits(v) || bounded && (n.float() < low || n.float() > high) {
			return out(text, shortest(from), shortest(to))
		}
		n.store(v)
	case v.CanFloat():
		f, problem, hint := decimal(text)
		if problem != "" {
			return problem, hint
		}
		if bounded && (f < low || f > high) {
			return out(text, shortest(low), shortest(high))
		}
		v.SetFloat(f)
	default:
		panic("strict: cannot read into " + v.Type().String())
	}
	return "", ""
}

// integer is a whole number of up to 64 bits and a sign.
type integer struct {
	negative  bool
	magnitude uint64
}

func (n integer) float() float64 {
	if n.negative {
		return -float64(n.magnitude)
	}
	return float64(n.magnitude)
}

func (n integer) fits(v reflect.Value) bool {
	if v.CanUint() {
		return !n.negative && !v.OverflowUint(n.magnitude)
	}
	if n.negative {
		return n.magnitude <= 1<<63 && !v.OverflowInt(-int64(n.magnitude-1)-1)
	}
	return n.magnitude <= math.MaxInt64 && !v.OverflowInt(int64(n.magnitude))
}

func (n integer) store(v reflect.Value) {
	switch {
	case v.CanUint():
		v.SetUint(n.magnitude)
	case n.negative:
		v.SetInt(-int64(n.magnitude-1) - 1)
	default:
		v.SetInt(int64(n.magnitude))
	}
}

func bounds(v reflect.Value) (from, to float64) {
	bits := v.Type().Bits()
	if v.CanUint() {
		return 0, math.Pow(2, float64(bits)) - 1
	}
	return -math.Pow(2, float64(bits-1)), math.Pow(2, float64(bits-1)) - 1
}

// whole reads 12, -5, 0x2F, 0o17 and 0b101. A leading zero means octal to
// some programs and nothing to others, so it is refused.
func whole(text string) (n integer, problem, hint string) {
	digits := strings.TrimLeft(text, "+-")
	n.negative = strings.HasPrefix(text, "-")
	if len(text)-len(digits) > 1 {
		return n, describe(text, false) + ", wanted a whole number", ""
	}
	if len(digits) > 1 && digits[0] == '0' && digits[1] >= '0' && digits[1] <= '9' {
		return n, fmt.Sprintf("is %s, which begins with a zero", text), "write it without the zero, or as 0x… if it is hexadecimal"
	}
	magnitude, err := strconv.ParseUint(digits, 0, 64)
	if err == nil {
		n.magnitude = magnitude
		n.negative = n.negative && magnitude > 0
		return n, "", ""
	}
	if errors.Is(err, strconv.ErrRange) {
		return n, fmt.Sprintf("is %s, which is more than 64 bits", clip(text)), ""
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		return n, fmt.Sprintf("is %s, wanted a whole number", clip(text)), ""
	}
	if _, err := strconv.ParseUint(digits, 16, 64); err == nil {
		return n, describe(text, false) + ", wanted a whole number", "write 0x" + digits + " if it is hexadecimal"
	}
	if strings.HasSuffix(digits, "h") || strings.HasSuffix(digits, "H") {
		if hex := digits[:len(digits)-1]; hex != "" {
			if _, err := strconv.ParseUint(hex, 16, 64); err == nil {
				return n, describe(text, false) + ", wanted a whole number", "write hexadecimal numbers as 0x" + hex
			}
		}
	}
	return n, describe(text, false) + ", wanted a whole number", ""
}

func decimal(text string) (f float64, problem, hint string) {
	digits := strings.TrimLeft(text, "+-")
	if len(digits) > 1 && digits[0] == '0' && strings.ContainsAny(digits[1:2], "xXbBoO") {
		n, problem, hint := whole(text)
		return n.float(), problem, hint
	}
	f, err := strconv.ParseFloat(text, 64)
	if err == nil && !math.IsNaN(f) && !math.IsInf(f, 0) {
		return f, "", ""
	}
	if swapped := strings.Replace(text, ",", ".", 1); swapped != text {
		if _, err := strconv.ParseFloat(swapped, 64); err == nil {
			return 0, describe(text, false) + ", wanted a number", "write " + swapped
		}
	}
	return 0, describe(text, false) + ", wanted a number", ""
}

// limits reads a range tag such as "1..125".
func limits(tag string) (low, high float64, ok bool) {
	if tag == "" {
		return 0, 0, false
	}
	from, to, cut := strings.Cut(tag, "..")
	low, errLow := strconv.ParseFloat(from, 64)
	high, errHigh := strconv.ParseFloat(to, 64)
	if !cut || errLow != nil || errHigh != nil {
		panic("strict: bad range tag " + tag)
	}
	return low, high, true
}

func wanted(v reflect.Value) string {
	switch {
	case v.Kind() == reflect.String:
		return "text"
	case v.Kind() == reflect.Bool:
		return "true or false"
	case v.CanFloat():
		return "a number"
	}
	return "a whole number"
}

// describe says what a plain value is.
func describe(text string, quoted bool) string {
	switch {
	case text == "":
		return "is empty"
	case quoted:
		return fmt.Sprintf("is text (%q)", clip(text))
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		return "is " + clip(text)
	}
	if _, err := strconv.ParseInt(text, 0, 64); err == nil {
		return "is " + clip(text)
	}
	return fmt.Sprintf("is text (%s)", clip(text))
}

func clip(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	if runes := []rune(text); len(runes) > 40 {
		return string(runes[:39]) + "…"
	}
	return text
}

func shortest(f float64) string {
	if math.Abs(f) < 1e16 {
		return strconv.FormatFloat(f, 'f', -1, 64)
	}
	return strconv.FormatFloat(f, 'g', 3, 64)
}

// Whole reads a whole number as Decode does; problem is empty where it is one.
func Whole(text string) (n int64, problem, hint string) {
	v := reflect.ValueOf(&n).Elem()
	problem, hint = number(v, text, "")
	return n, problem, hint
}

// Number reads a number as Decode does; problem is empty where it is one.
func Number(text string) (f float64, problem, hint string) { return decimal(text) }
