package plan

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Span is a time in up to four digits: "250 µs", "8.192 s".
func Span(d time.Duration) string {
	switch {
	case d < 0:
		return "−" + Span(-d)
	case d == 0:
		return "0 s"
	case d < time.Millisecond:
		return digits(float64(d)/1e3) + " µs"
	case d < time.Second:
		return digits(float64(d)/1e6) + " ms"
	}
	return digits(d.Seconds()) + " s"
}

// Hertz is a frequency in up to four digits: "0.1221 Hz", "1.25 kHz".
func Hertz(f float64) string {
	if f >= 1000 {
		return digits(f/1000) + " kHz"
	}
	return digits(f) + " Hz"
}

// Count is a whole number with its thousands apart: "65,536".
func Count(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// digits is a number that isn't negative in up to four digits, whole parts never cut.
func digits(x float64) string {
	places := 3
	if x > 0 {
		places = 3 - int(math.Floor(math.Log10(x)))
	}
	s := strconv.FormatFloat(x, 'f', min(max(places, 0), 9), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func channels(n int) string {
	if n == 1 {
		return "1 channel"
	}
	return fmt.Sprintf("%d channels", n)
}

// rounded says what was rounded to what the recorder offers.
func (a Ask) rounded(p Plan) []string {
	out := []string{}
	fill := float64(a.Before+a.After) / float64(a.Memory.Samples(a.Channels))
	if float64(p.Interval) > fill*(1+1e-4) {
		offered := "that fits of what the recorder offers"
		if len(a.Intervals) == 0 && a.Base == 0 {
			offered = "that fits in two digits; which ones the recorder offers isn't known here"
		}
		out = append(out, fmt.Sprintf("Sample interval: %s would just fill the memory; %s is the next %s.",
			Span(time.Duration(fill)), Span(p.Interval), offered))
	}
	before, after := a.wanted(p.Interval)
	exact := float64(p.Samples-int(after)) / float64(p.Samples) * 100
	if a.Adjustable {
		exact = float64(before) / float64(before+after) * 100
	}
	if diff := exact - p.Share; diff > 0.005 || diff < -0.005 {
		out = append(out, fmt.Sprintf("Pre-trigger share: %s %% became %s %%, in steps of %s %%.", digits(exact), digits(p.Share),
			digits(float64(a.shareStep())/(whole/100))))
	}
	return out
}

// Aliasing is the caution about what the recorder may not filter away.
func (p Plan) Aliasing() string {
	high := 1.8 * p.Nyquist
	return fmt.Sprintf("Nothing says that the recorder filters its signals before it samples them. What they hold above %s is then seen at a wrong, lower frequency: %s would look like %s.",
		Hertz(p.Nyquist), Hertz(high), Hertz(Alias(high, p.Interval)))
}

// Caution stands wherever somebody is led to a drive's settings.
const Caution = "Before you change a recorder's settings at a drive: read the maker's manual, leave it to people who are qualified for the drive and the machine, " +
	"and do it with the machine stopped or otherwise safe. faultkeep has changed nothing."
