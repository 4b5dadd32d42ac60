package delimited

import (
	"fmt"
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
	dateLayouts  = []string{"2006-01-02", "2006/01/02", "02.01.2006", "02/01/2006", "02-01-2006", "20060102", "02.01.06", "01/02/2006", "2006.01.02"}
	clockLayouts = []string{"15:04:05", "15:04", "03:04:05 PM", "3:04:05 PM"}
	between      = []string{" ", "T", "_", "-"} // date and time of day
	zones        = []string{"", "Z07:00", " Z07:00", "Z0700"}
)

// stamps reads dates and times by one layout.
type stamps struct {
	layout string
	zone   *time.Location
	comma  bool // the second's fraction stands after a comma
}

func (s stamps) parse(text string) (time.Time, bool) {
	if s.comma {
		text = strings.Replace(text, ",", ".", 1)
	}
	t, err := time.ParseInLocation(s.layout, text, s.zone)
	return t, err == nil
}

// eitherWay tells whether day and month of every example could as well be the
// other way round, as in 01/02/2026.
func (s stamps) eitherWay(examples []string) bool {
	turned, found := strings.CutPrefix(s.layout, "02/01/2006")
	if !found {
		return false
	}
	other := s
	other.layout = "01/02/2006" + turned
	same := true
	for _, e := range examples {
		if _, ok := other.parse(e); !ok {
			return false
		}
		same = same && len(e) > 5 && e[:2] == e[3:5] // 02/02/2026 is one day either way
	}
	return !same
}

// stampLike is a quick look whether text may be a date or a time of day.
func stampLike(text string) bool {
	if len(text) < 5 || len(text) > 40 || text[0] < '0' || text[0] > '9' {
		return false
	}
	if strings.Trim(text, "0123456789:.,-/TZ+ _APM") != "" {
		return false
	}
	return strings.ContainsRune(text, ':') || dateLike(text)
}

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
			return s, true
		}
	}
	return stamps{}, false
}

func layouts() (out []string) {
	for _, d := range dateLayouts {
		for _, c := range clockLayouts {
			for _, j := range between {
				for _, z := range zones {
					out = append(out, d+j+c+z)
				}
			}
		}
	}
	return append(append(out, clockLayouts...), dateLayouts...)
}
