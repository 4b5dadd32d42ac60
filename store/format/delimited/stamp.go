package delimited

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// layoutOf turns "DD.MM.YYYY hh:mm:ss,fff" into the layout of package time.
func layoutOf(text string) (string, error) {
	tokens := []struct{ ours, theirs string }{
		{"YYYY", "2006"}, {"YY", "06"}, {"MM", "01"}, {"DD", "02"}, {"hh", "15"}, {"mm", "04"}, {"ss", "05"}}
	var out strings.Builder
	seen := map[string]bool{}
	for rest := text; rest != ""; {
		found := false
		for _, t := range tokens {
			if strings.HasPrefix(rest, t.ours) {
				out.WriteString(t.theirs)
				seen[t.theirs], rest, found = true, rest[len(t.ours):], true
				break
			}
		}
		if found {
			continue
		}
		if n := len(rest) - len(strings.TrimLeft(rest, "f")); n > 0 {
			before := out.String()
			if n > 9 || before == "" || !strings.HasSuffix(before[:len(before)-1], "05") || !strings.ContainsAny(before[len(before)-1:], ".,") {
				return "", fmt.Errorf("%q has its f in the wrong place: up to nine follow the mark after ss", text)
			}
			out.WriteString(strings.Repeat("0", n))
			rest = rest[n:]
			continue
		}
		if c := rest[0]; 'a' <= c|0x20 && c|0x20 <= 'z' && c != 'T' && c != 'Z' {
			return "", fmt.Errorf("%q has %q, which stands for nothing", text, c)
		}
		out.WriteByte(rest[0])
		rest = rest[1:]
	}
	if !seen["15"] || !seen["05"] {
		return "", fmt.Errorf("%q tells no hours and seconds", text)
	}
	return out.String(), nil
}

// Layouts that are recognised by themselves, of dates and of times of day.
// Where day and month could be taken for each other the day comes first: of
// the two that is the more common one outside the United States.
var (
	dateLayouts = []string{"2006-01-02", "2006/01/02", "02.01.2006", "02/01/2006", "02-01-2006", "20060102", "02.01.06", "01/02/2006", "01-02-2006", "2006.01.02",
		"02-Jan-2006", "02 Jan 2006", "02.Jan.2006", "02/Jan/2006"}
	clockLayouts = []string{"15:04:05", "15:04", "03:04:05 PM", "3:04:05 PM"}
	shortLayout  = "04:05" // only with a fraction, for it looks like hours and minutes
	joints       = []string{" ", "T", "_", "-"}
	zones        = []string{"", "Z07:00", " Z07:00", "Z0700"}
)

// stamps reads dates and times by one layout.
type stamps struct {
	layout string
	zone   *time.Location
	comma  bool // the second's fraction stands after a comma

	swapped bool // day and month could be taken for each other
}

// period is after how long times of this layout begin anew; 0: never.
func (s stamps) period() time.Duration {
	switch {
	case strings.Contains(s.layout, "06"):
		return 0
	case s.layout == shortLayout:
		return time.Hour
	}
	return 24 * time.Hour
}

// overMidnight is v, days later where times of day have begun anew: they fall,
// and a day later there is no gap that would show another record.
func (s stamps) overMidnight(v, base time.Time, before []float64) time.Time {
	period := s.period().Seconds()
	if period == 0 {
		return v
	}
	last := before[len(before)-1]
	seconds := v.Sub(base).Seconds()
	turns := math.Ceil((last - seconds) / period)
	later := seconds + period*turns
	usual := 60.0
	if n := len(before); n > 1 {
		usual = max(10*(last-before[n-2]), 1)
	}
	if turns > 0 && later-last <= min(usual, period/2) {
		return v.Add(time.Duration(turns) * s.period())
	}
	return v
}

func (s stamps) parse(text string) (time.Time, bool) {
	if s.comma {
		text = strings.Replace(text, ",", ".", 1)
	}
	t, err := time.ParseInLocation(s.layout, text, s.zone)
	return t, err == nil
}

// stampLike is a quick look whether text may be a date or a time of day.
func stampLike(text string) bool {
	if len(text) < 5 || len(text) > 40 || text[0] < '0' || text[0] > '9' {
		return false
	}
	text = monthNumbers.Replace(text)
	if strings.Trim(text, "0123456789:.,-/TZ+ _APM") != "" {
		return false
	}
	return strings.ContainsRune(text, ':') || dateLike(text)
}

var monthNumbers = strings.NewReplacer("Jan", "01", "Feb", "02", "Mar", "03", "Apr", "04", "May", "05", "Jun", "06",
	"Jul", "07", "Aug", "08", "Sep", "09", "Oct", "10", "Nov", "11", "Dec", "12")

func dateLike(text string) bool {
	for _, mark := range []string{"-", "/", "."} {
		if parts := strings.Split(text, mark); len(parts) == 3 && len(parts[0]) >= 1 && len(parts[1]) >= 1 && len(parts[1]) <= 2 && len(parts[2]) >= 2 {
			_, ok := numbers{decimal: '.'}.parse([]byte(parts[0] + parts[1] + strings.Fields(parts[2])[0]))
			return ok
		}
	}
	return false
}

// stampsFor finds the layout that fits all of the examples.
func stampsFor(examples []string, zone *time.Location) (s stamps, ok bool) {
	if len(examples) == 0 {
		return s, false
	}
	comma := strings.Contains(examples[0], ",")
	for _, layout := range layouts() {
		s = stamps{layout: layout, zone: zone, comma: comma}
		fits := true
		for _, e := range examples {
			if _, ok := s.parse(e); !ok {
				fits = false
				break
			}
		}
		if fits {
			s.swapped = swappable(layout, examples, s)
			return s, true
		}
	}
	return stamps{}, false
}

// swappable tells whether the month could stand first as well, with other
// times. Where points stand between them, the day comes first everywhere.
func swappable(layout string, examples []string, s stamps) bool {
	other := strings.NewReplacer("02/01/", "01/02/", "02-01-", "01-02-").Replace(layout)
	if other == layout {
		return false
	}
	swapped := stamps{layout: other, zone: s.zone, comma: s.comma}
	differs := false
	for _, e := range examples {
		b, ok := swapped.parse(e)
		if !ok {
			return false
		}
		a, _ := s.parse(e)
		differs = differs || !a.Equal(b)
	}
	return differs
}

func layouts() (out []string) {
	for _, d := range dateLayouts {
		for _, c := range clockLayouts {
			for _, j := range joints {
				for _, z := range zones {
					out = append(out, d+j+c+z)
				}
			}
		}
	}
	return append(append(append(out, clockLayouts...), shortLayout), dateLayouts...)
}
