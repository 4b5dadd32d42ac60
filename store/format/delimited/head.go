package delimited

import (
	"bytes"
	"strings"
)

// namesIn reads "# t speed current" as the names of n columns; nil where the
// comment holds anything else.
func (r *reader) namesIn(comment []byte, n int) []string {
	text := strings.TrimLeft(string(comment), string(r.comment)+"#% \t")
	ways := [][]string{texts(cells([]byte(text), r.delimiter, nil)), strings.Fields(text),
		strings.Fields(strings.NewReplacer(" [", "[", " (", "(").Replace(text))}
	for _, names := range ways {
		if len(names) != n || n < 2 {
			continue
		}
		for _, name := range names {
			if _, number := r.numbers.parse([]byte(name)); number || strings.HasSuffix(name, ":") || strings.ContainsRune(name, '=') {
				return nil
			}
		}
		return names
	}
	return nil
}

// headAlone tells whether the text ends with the names of a table's columns,
// so that its samples may still come: in several cells, of which one is a time
// or has a unit; or with those and one row of samples.
func headAlone(text []byte, d Dialect) bool {
	rows := beginning(text)
	if len(rows) == 0 || len(rows) == sniffRows || len(rows[len(rows)-1]) > 1<<14 {
		return false
	}
	for _, l := range candidates(d, false) {
		if l.delimiter == ' ' && d.Delimiter == "" {
			continue
		}
		last := len(rows) - 1
		row := func() []string { return texts(cells(bytes.TrimSpace(rows[last]), l.delimiter, nil)) }
		n := len(row())
		if _, sample := l.data(cells(rows[last], l.delimiter, nil)); sample && last > 0 {
			last--
		}
		head := row()
		if n < 2 || len(head) != n || last < 0 {
			continue
		}
		if unitRow(head) && len(head) > 1 {
			return true
		}
		for _, cell := range head {
			name, unit := nameAndUnit(cell)
			if _, number := l.numbers.parse([]byte(cell)); number {
				return false
			}
			if timeNames[strings.ToLower(name)] || units[unit] {
				return true
			}
		}
	}
	return false
}

// triggering tells whether a text between the samples marks the trigger.
func triggering(text string) bool {
	text = strings.ToLower(text)
	return strings.Contains(text, "trigger") && !strings.Contains(text, "no trigger") && !strings.Contains(text, "pre-trigger") ||
		strings.Trim(text, "*-=<> ") == "trig"
}

// textChanges is the first sample at which a column of text isn't the first one's any more.
func (t *table) textChanges(c, from, to int) (int, bool) {
	if len(t.texts[c]) == 0 {
		return 0, false
	}
	for i := from; i < to; i++ {
		if at(t.texts[c], i) != at(t.texts[c], from) {
			return i - from, true
		}
	}
	return 0, false
}
