package delimited

import (
	"bytes"
	"math"
	"slices"
	"strings"
)

// block is one table of a file with what stands above it.
type block struct {
	preamble [][]string // cells of the lines above the names
	names    []string   // as written; empty where there are none
	units    []string   // of a row of their own; empty where there is none
	line     int        // of the first sample
	rows     int
	columns  [][]float64      // by column; NaN where a cell is missing or no number
	texts    map[int][]string // cells of columns that hold text or times, by column
	bad      map[int]badCells // by column
	over     map[int]int      // cells beyond what could be measured, by column
	remarks  []remark         // lines between the samples
	numbers  numbers
	noted    string // a warning about its names
	cut      bool   // the file ends within a row
	spaced   bool   // blanks part the cells, so that a line above may be words rather than cells
}

// badCells are cells of a column that are no numbers.
type badCells struct {
	count int
	line  int    // of the first one
	text  string // its text, cut short
}

// reader goes through a text, block by block.
type reader struct {
	layout
	text   []byte
	at     int
	line   int
	header *int
	buf    [][]byte
	above  [][]string // lines seen since the last table
	lines  []int      // and where they stand
	last   *block
	passed []byte // the comment right above
}

// mostAbove bounds what is kept of lines that are no table.
const mostAbove = 2000

// block reads the next table; nil at the end.
func (r *reader) block() (*block, error) {
	for r.at < len(r.text) {
		row, long := next(r.text, r.at, r.line)
		if long {
			return nil, &lineError{row.line, "is longer than a table's row can be", ""}
		}
		trimmed := bytes.TrimSpace(row.text)
		if r.remark(trimmed) {
			r.passed = trimmed
		}
		if len(trimmed) > 0 && (r.comment == nil || !bytes.HasPrefix(trimmed, r.comment)) {
			r.buf = cells(row.text, r.delimiter, r.buf)
			if r.matches(r.buf) {
				b := r.begin()
				err := r.fill(b)
				r.last = b
				return b, err
			}
			if !r.remark(trimmed) {
				r.passed = nil
			}
			if len(r.above) < mostAbove {
				r.above, r.lines = append(r.above, texts(r.buf)), append(r.lines, r.line)
			}
		}
		r.line += 1 + bytes.Count(row.text, []byte{'\n'})
		r.at = row.end
	}
	return nil, nil
}

// matches tells whether cells begin a table.
func (r *reader) matches(cells [][]byte) bool {
	if len(cells) == 1 && r.columns > 1 {
		return false
	}
	if _, data := r.data(cells); !data {
		return false
	}
	return len(cells) == r.columns || r.delimiter != ' ' && len(cells) > 1 && r.goesOn(len(cells))
}

// goesOn tells whether the next row has as many cells and is data, too: a line
// of numbers among others is no table.
func (r *reader) goesOn(n int) bool {
	this, _ := next(r.text, r.at, r.line)
	after, long := next(r.text, this.end, r.line+1)
	if long || this.end >= len(r.text) {
		return false
	}
	row := cells(after.text, r.delimiter, nil)
	_, data := r.data(row)
	return data && len(row) == n
}

// remark tells whether a row is a comment: as the dialect says, or, where it
// says nothing, one that begins with # or %.
func (l layout) remark(row []byte) bool {
	if l.comment == nil {
		return len(row) > 0 && (row[0] == '#' || row[0] == '%')
	}
	return bytes.HasPrefix(row, l.comment)
}

func texts(cells [][]byte) []string {
	out := make([]string, len(cells))
	for i, c := range cells {
		out[i] = string(c)
	}
	return out
}

// begin makes a block of the lines above; those right above with as many cells
// as the table are its names and units.
func (r *reader) begin() *block {
	b := &block{line: r.line, spaced: r.delimiter == ' ', texts: map[int][]string{}, bad: map[int]badCells{}, over: map[int]int{}, numbers: r.numbers}
	n := len(r.buf)
	above := r.above
	fits := func(i int) bool {
		return len(above) >= i && (len(above[len(above)-i]) == n || len(above[len(above)-i]) == n-1 && n > 2)
	}
	names := 0
	switch {
	case r.header != nil:
		names = min(*r.header, len(above))
	case fits(2) && fits(1) && unitRow(above[len(above)-1]) && !unitRow(above[len(above)-2]):
		names = 2
	case fits(1):
		names = 1
	}
	if names == 2 {
		b.units = above[len(above)-1]
	}
	if names > 0 {
		b.names = above[len(above)-names]
	} else if r.last != nil && len(above) == 0 && len(r.last.columns) == n {
		b.names, b.units = r.last.names, r.last.units // the same table goes on after a gap
	}
	b.preamble = above[:len(above)-names]
	if b.names == nil && r.passed != nil && r.header == nil {
		if b.names = r.namesIn(r.passed, n); b.names != nil {
			b.noted = "The names of the columns are taken from the comment above them."
		}
	}
	r.passed = nil
	b.columns = make([][]float64, n)
	r.above, r.lines = nil, nil
	return b
}

// fill reads the rows of a table.
func (r *reader) fill(b *block) error {
	n := len(b.columns)
	// No row is shorter than a digit and a delimiter a cell, whatever the first one says.
	first := bytes.IndexByte(r.text[r.at:], '\n') + 1
	expect := (len(r.text)-r.at)/max(first*9/10, 2*n) + 1
	for i := range b.columns {
		b.columns[i] = make([]float64, 0, min(expect, fewRows))
	}
	values := make([]float64, n)
	for r.at < len(r.text) {
		if end, ok := r.quick(values); ok {
			r.at = end
			r.line++
			b.add(values, expect)
			continue
		}
		row, long := next(r.text, r.at, r.line)
		if long {
			return &lineError{row.line, "is longer than a table's row can be", ""}
		}
		trimmed := bytes.TrimSpace(row.text)
		switch {
		case len(trimmed) == 0, r.remark(trimmed):
			if len(trimmed) == 0 && b.rows > 0 {
				r.at, r.line = row.end, r.line+1
				return nil // a gap: what follows is another table, or the same again
			}
		default:
			r.buf = cells(row.text, r.delimiter, r.buf)
			if _, data := r.data(r.buf); !data {
				if row.cut || !r.continues(row, values) || len(b.remarks) == mostRemarks {
					return nil
				}
				b.remarks = append(b.remarks, remark{b.rows, r.line, clip(string(trimmed))})
				break
			}
			if len(r.buf) != n {
				if row.cut {
					b.cut = true
					return nil
				}
				if len(r.buf) < n || !onlyEmpty(r.buf[n:]) {
					return &lineError{r.line, plural(len(r.buf), "cell") + " where the rows above have " + plural(n, "cell"),
						"look at this line; a text with the delimiter in it must stand in quotes"}
				}
			}
			r.slow(b, values)
			b.add(values, expect)
		}
		r.line += 1 + bytes.Count(row.text, []byte{'\n'})
		r.at = row.end
	}
	return nil
}

// remark is a line of text between two samples.
type remark struct {
	row  int // before which it stands
	line int
	text string
}

// mostRemarks bounds them: a file with more of them has another layout.
const mostRemarks = 20

// continues tells whether the table goes on after a line of text: that is one
// cell, and the next row is as wide as the last one, and later.
func (r *reader) continues(line row, last []float64) bool {
	if len(r.buf) != 1 && (r.delimiter == ' ' || !onlyEmpty(r.buf[1:])) {
		return false
	}
	after, long := next(r.text, line.end, r.line+1)
	if long || after.cut && len(after.text) == 0 {
		return false
	}
	row := cells(after.text, r.delimiter, nil)
	if _, data := r.data(row); !data || len(row) != len(last) {
		return false
	}
	v, ok := r.numbers.parse(row[0])
	return ok && v > last[0]
}

func onlyEmpty(cells [][]byte) bool {
	for _, c := range cells {
		if len(c) > 0 {
			return false
		}
	}
	return true
}

// fewRows is for how many rows room is made before a table has shown that it is
// a long one: a file may hold very many short ones.
const fewRows = 1024

// add takes a row into a table that is expected to have so many.
func (b *block) add(values []float64, expect int) {
	if b.rows == fewRows && expect > fewRows {
		for i := range b.columns {
			b.columns[i] = slices.Grow(b.columns[i], expect-fewRows)
		}
	}
	for i, v := range values {
		b.columns[i] = append(b.columns[i], v)
	}
	b.rows++
}

// quick reads a row of plain numbers that ends with its line; ok is false for
// every other one.
func (r *reader) quick(values []float64) (end int, ok bool) {
	if r.numbers.decimal == r.delimiter {
		return 0, false // in quotes only
	}
	text, i, last := r.text, r.at, len(values)-1
	for c := range values {
		for i < len(text) && text[i] == ' ' {
			i++
		}
		v, after, ok := r.numbers.scan(text, i)
		if !ok || after >= len(text) {
			return 0, false
		}
		values[c] = v
		i = after
		if r.delimiter == ' ' {
			for i < len(text) && text[i] == ' ' {
				i++
			}
		} else if c < last {
			if text[i] != r.delimiter {
				return 0, false
			}
			i++
		}
	}
	if i < len(text) && text[i] == '\r' {
		i++
	}
	if i >= len(text) || text[i] != '\n' {
		return 0, false
	}
	return i + 1, true
}

// slow reads the cells of r.buf.
func (r *reader) slow(b *block, values []float64) {
	for c := range values {
		cell := r.buf[c]
		v, ok := r.numbers.cell(cell)
		if !ok {
			v = math.NaN()
			if beyond[strings.ToLower(string(cell))] {
				b.over[c]++
				values[c] = v
				continue
			}
			b.text(c, b.rows, string(cell))
			bad := b.bad[c]
			if bad.count++; bad.count == 1 {
				bad.line, bad.text = r.line, clip(string(cell))
			}
			b.bad[c] = bad
		}
		values[c] = v
	}
}

// text keeps a cell that is no number.
func (b *block) text(column, row int, cell string) {
	list := b.texts[column]
	for len(list) < row {
		list = append(list, "")
	}
	b.texts[column] = append(list, cell)
}

func clip(s string) string {
	if r := []rune(s); len(r) > 30 {
		return string(r[:29]) + "…"
	}
	return s
}

// fields are what the lines above the table say, names as written: "name: value", "name = value"
// or a name and a value in cells of their own.
func (b *block) fields() (out [][2]string) {
	for _, cells := range b.preamble {
		if whole := strings.Join(cells, " "); b.spaced && strings.ContainsAny(whole, ":=") {
			cells = []string{whole}
		}
		name, value := strings.TrimSpace(cells[0]), strings.TrimSpace(strings.Join(cells[1:], " "))
		if len(cells) == 1 || value == "" {
			i := strings.IndexAny(name, ":=")
			if i <= 0 {
				continue
			}
			name, value = name[:i], name[i+1:]
		}
		name = strings.Trim(name, "#;:=/*\"' \t")
		if value = strings.Trim(value, " \t\""); name != "" && value != "" && len(name) <= 80 {
			out = append(out, [2]string{name, value})
		}
	}
	return out
}
