package delimited

import (
	"bytes"
	"strings"
)

// layout is how the rows of a file are read.
type layout struct {
	delimiter byte
	numbers   numbers
	comment   []byte // nil: none
	columns   int
}

// Bounds of what is looked at to find a layout.
const (
	sniffRows  = 1000
	sniffBytes = 1 << 20
	mostCells  = 4096 // columns of a table
)

// sniff finds the layout under which the longest run of rows is a table; ok is
// false where none has two rows in a run.
func sniff(text []byte, d Dialect) (best layout, ok bool) {
	rows := beginning(text)
	most := 0
	for _, l := range candidates(d, bytes.IndexByte(text[:min(len(text), sniffBytes)], '"') >= 0) {
		if run, columns, good, named := l.longest(rows); run >= 2 || run == 1 && len(rows) <= 3 {
			score := 2 * good
			if named {
				score *= 2
			}
			if l.numbers.thousands != 0 {
				score-- // only where nothing simpler does
			}
			if score > most {
				most, best, ok = score, l, true
				best.columns = columns
			}
		}
	}
	return best, ok
}

func beginning(text []byte) (rows [][]byte) {
	for at, line := 0, 1; at < len(text) && at < sniffBytes && len(rows) < sniffRows; {
		r, long := next(text, at, line)
		if long {
			break
		}
		at = r.end
		line++
		if r.cut && len(rows) > 3 {
			break // may go on
		}
		if len(bytes.TrimSpace(r.text)) > 0 {
			rows = append(rows, r.text)
		}
	}
	return rows
}

// candidates are the layouts to try, the likelier first.
// With quotes around its cells a file may have its delimiter in its numbers.
func candidates(d Dialect, quotes bool) (out []layout) {
	tried := []byte{'\t', ';', '|', ',', ' '}
	if c, ok := d.delimiter(); ok {
		tried = []byte{c}
	}
	points := []byte{'.', ','}
	if p, ok := decimals[d.Decimal]; ok {
		points = []byte{p}
	}
	for _, delimiter := range tried {
		for _, point := range points {
			if point == delimiter && !quotes {
				continue
			}
			thousands := []byte{0, ' ', '\'', ',', '.'}
			if m, ok := marks[d.Thousands]; ok {
				thousands = []byte{m}
			}
			for _, mark := range thousands {
				if mark == point || mark == delimiter && mark != 0 && (!quotes || mark == ' ') {
					continue
				}
				l := layout{delimiter: delimiter, numbers: numbers{decimal: point, thousands: mark}}
				if d.Comment != "" {
					l.comment = []byte(d.Comment)
				}
				out = append(out, l)
			}
		}
	}
	return out
}

// longest is the run of rows with one number of cells that are data which has
// most cells that can be read, and whether the row above it has as many cells.
func (l layout) longest(rows [][]byte) (run, columns, good int, named bool) {
	var buf [][]byte
	length, width, read, before, above := 0, 0, 0, 0, 0
	for _, r := range rows {
		if l.remark(bytes.TrimSpace(r)) {
			continue
		}
		buf = cells(r, l.delimiter, buf)
		n := len(buf)
		readable, ok := l.data(buf)
		if n > mostCells || !ok {
			length, before = 0, n
			continue
		}
		if length == 0 || n != width {
			length, width, read, above = 0, n, 0, before
		}
		length++
		read += readable
		before = n
		if read > good {
			run, columns, good, named = length, width, read, above == width
		}
	}
	return run, columns, good, named
}

// data tells whether cells are a row of samples: it begins with a number or a
// time, and at least half of it can be read; good is how many cells.
func (l layout) data(cells [][]byte) (good int, ok bool) {
	if len(cells) == 0 || !l.value(cells[0]) {
		return 0, false
	}
	any := false
	for _, c := range cells {
		if _, ok := l.numbers.cell(c); ok {
			good++
			any = any || len(c) > 0
		} else if stampLike(string(c)) {
			good++
			any = true
		}
	}
	return good, any && 2*good >= len(cells)
}

func (l layout) value(cell []byte) bool {
	if _, ok := l.numbers.parse(cell); ok {
		return true
	}
	return stampLike(string(cell))
}

// name is the delimiter as a Dialect writes it.
func (l layout) name() string {
	for name, c := range delimiters {
		if c == l.delimiter {
			return name
		}
	}
	return string(l.delimiter)
}

// Units that people write into headers. Common practice, no source.
var units = map[string]bool{}

func init() {
	for _, u := range strings.Fields(`s ms us µs μs ns min h V mV kV A mA kA W kW MW VA Hz kHz rpm 1/min min-1 1/s rad/s rad °/s deg ° % ‰ pu Nm kNm N kN
		°C C °F F K bar mbar kPa Pa m mm cm µm um m/s mm/s m/s² mm/s² g km/h l/min m³/h m3/h t/h kg t Ohm Ω H mH - bit bool hex dec inc
		sec Second Seconds Volt Volts Ampere Amps`) {
		units[u] = true
	}
}

// nameAndUnit takes "Speed [rpm]", "Speed (rpm)", "Speed / rpm" and "t_ms" apart.
func nameAndUnit(text string) (name, unit string) {
	text = strings.TrimSpace(text)
	for _, pair := range []string{"[]", "()"} {
		open, shut := strings.LastIndexByte(text, pair[0]), strings.LastIndexByte(text, pair[1])
		if open >= 0 && shut == len(text)-1 && (shut > open+1 || pair == "[]" && shut > open) {
			inside := strings.TrimSpace(text[open+1 : shut])
			if pair == "[]" || units[inside] {
				return strings.TrimRight(text[:open], " _"), inside
			}
		}
	}
	for _, mark := range []string{" / ", "/", "_", ", ", " in "} {
		if i := strings.LastIndex(text, mark); i > 0 && units[text[i+len(mark):]] && len(text[i+len(mark):]) > 0 {
			if u := text[i+len(mark):]; u != "-" && u != "t" && u != "h" {
				return strings.TrimSpace(text[:i]), u
			}
		}
	}
	return text, ""
}

// unitRow tells whether cells are units rather than names.
func unitRow(cells []string) bool {
	known, filled := 0, 0
	for _, c := range cells {
		c = strings.Trim(c, "[]() ")
		if c == "" {
			continue
		}
		filled++
		if units[c] {
			known++
		}
	}
	return filled > 0 && 2*known >= filled
}
