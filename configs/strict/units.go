package strict

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Std is the duration as the standard library has it.
func (d Duration) Std() time.Duration { return time.Duration(d) }

// String is the duration as a file has it: 1h30m, 250ms.
func (d Duration) String() string {
	s := time.Duration(d).String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// UnmarshalPlain reads 250ms, 1s, 1h30m, 7d. Nothing in a config file lasts
// less than no time, so a sign is refused.
func (d *Duration) UnmarshalPlain(text string) (problem, hint string) {
	parsed, err := ParseDuration(text)
	if err == nil {
		*d = parsed
		return "", ""
	}
	hint = "write it like 250ms, 1s or 1h30m"
	if squeezed := strings.ReplaceAll(text, " ", ""); squeezed != text {
		if _, err := ParseDuration(squeezed); err == nil {
			return "has a space in it", "write " + squeezed
		}
	}
	switch number, err := strconv.ParseFloat(text, 64); {
	case err == nil && number < 0 || strings.HasPrefix(text, "-"):
		return "is negative", hint
	case err == nil:
		return fmt.Sprintf("is %s, a number without a unit", clip(text)), fmt.Sprintf("write %sms or %ss", clip(text), clip(text))
	}
	return describe(text, true) + ", wanted a duration", hint
}

// ParseDuration reads what Duration holds in a file.
func ParseDuration(text string) (Duration, error) {
	rest, days := text, 0.0
	if number, after, ok := strings.Cut(text, "d"); ok {
		n, err := strconv.ParseUint(number, 10, 16)
		if err != nil {
			return 0, fmt.Errorf("%q is not a duration", text)
		}
		rest, days = after, float64(n)
		if rest == "" {
			rest = "0"
		}
	}
	parsed, err := time.ParseDuration(rest)
	if err != nil || strings.ContainsAny(rest, "+-") {
		return 0, fmt.Errorf("%q is not a duration", text)
	}
	if sum := days*24*float64(time.Hour) + float64(parsed); sum > math.MaxInt64/2 {
		return 0, fmt.Errorf("%q is too long", text)
	}
	return Duration(time.Duration(days)*24*time.Hour + parsed), nil
}

// The units of a Size, largest first within each kind.
var sizeUnits = []struct {
	name  string
	bytes int64
}{
	{"TiB", 1 << 40}, {"GiB", 1 << 30}, {"MiB", 1 << 20}, {"KiB", 1 << 10},
	{"TB", 1e12}, {"GB", 1e9}, {"MB", 1e6}, {"kB", 1e3}, {"B", 1},
}

// String is the size as a file has it, in the largest unit that leaves it whole.
func (s Size) String() string {
	best := fmt.Sprintf("%dB", int64(s))
	for _, unit := range sizeUnits {
		if whole := fmt.Sprintf("%d%s", int64(s)/unit.bytes, unit.name); s != 0 && int64(s)%unit.bytes == 0 && len(whole) < len(best) {
			best = whole
		}
	}
	return best
}

// UnmarshalPlain reads 512KiB, 20MB, 4GiB.
func (s *Size) UnmarshalPlain(text string) (problem, hint string) {
	parsed, err := ParseSize(text)
	if err == nil {
		*s = parsed
		return "", ""
	}
	hint = "write it like 512KiB, 20MB or 4GiB"
	if strings.HasPrefix(text, "-") {
		return "is negative", hint
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		return fmt.Sprintf("is %s, a number without a unit", clip(text)), fmt.Sprintf("write %sMiB or %sGiB", clip(text), clip(text))
	}
	digits := strings.TrimRight(text, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ ")
	for _, unit := range sizeUnits {
		meant := strings.ToLower(strings.TrimSpace(text[len(digits):]))
		if meant != "" && (strings.EqualFold(meant, unit.name) || strings.EqualFold(meant+"b", unit.name)) {
			if _, err := ParseSize(digits + unit.name); err == nil {
				return describe(text, true) + ", wanted a size", "write " + digits + unit.name
			}
		}
	}
	return describe(text, true) + ", wanted a size", hint
}

// ParseSize reads what Size holds in a file.
func ParseSize(text string) (Size, error) {
	if text == "0" {
		return 0, nil
	}
	for _, unit := range sizeUnits {
		digits, ok := strings.CutSuffix(text, unit.name)
		if !ok {
			continue
		}
		number, err := strconv.ParseFloat(digits, 64)
		if err != nil || strings.Trim(digits, "0123456789.") != "" {
			break
		}
		if number *= float64(unit.bytes); number < math.MaxInt64/2 {
			return Size(math.Round(number)), nil
		}
		break
	}
	return 0, fmt.Errorf("%q is not a size", text)
}
