package delimited

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// Decoder reads text files by a dialect, of which nothing need be given.
type Decoder struct{ Dialect Dialect }

// Name is the format's name in a config.
func (Decoder) Name() string { return "delimited" }

// Sniff tells whether there is one file, and it begins like text with a table,
// or holds the names of its columns and no more.
func (d Decoder) Sniff(files []format.File) bool {
	if len(files) != 1 {
		return false
	}
	b := files[0].Bytes
	b = b[:min(len(b), 64<<10)&^1]
	text, encoding, err := decodeText(b, d.Dialect.Encoding)
	if err != nil || encoding == "latin-1" && bytes.IndexByte(b, 0) >= 0 || bytes.IndexByte(text, 0) >= 0 {
		return false
	}
	l, ok := sniff(text, d.Dialect)
	if !ok {
		return len(b) >= len(files[0].Bytes)&^1 && headAlone(text, d.Dialect) // the samples are still to come
	}
	return l.columns > 1 || d.Dialect.Interval > 0
}

// Found is the dialect with what was found out of a file's layout filled in.
func (d Decoder) Found(f format.File) (Dialect, bool) {
	text, encoding, err := decodeText(f.Bytes, d.Dialect.Encoding)
	if err != nil {
		return d.Dialect, false
	}
	l, ok := sniff(text, d.Dialect)
	if !ok {
		return d.Dialect, false
	}
	found := d.Dialect
	found.Encoding, found.Delimiter = encoding, l.name()
	for name, c := range decimals {
		if c == l.numbers.decimal {
			found.Decimal = name
		}
	}
	for name, c := range marks {
		if c == l.numbers.thousands {
			found.Thousands = name
		}
	}
	r := &reader{layout: l, text: text, line: 1, header: d.Dialect.Header}
	if b, err := r.block(); err == nil && b != nil && found.Time.Column == "" {
		t := &table{block: b, dialect: d.Dialect}
		t.label()
		if t.clock() == nil && t.time >= 0 {
			found.Time.Column = t.labels[t.time].name
		}
	}
	return found, true
}

// mostBlocks is how many tables a file may hold.
const mostBlocks = 1000

// lineError is an *Error without its file.
type lineError struct {
	line int
	what string
	hint string
}

func (e *lineError) Error() string { return e.what }

// Decode reads every table of the file as a record of its own. Errors are
// *format.Error; format.ErrIncomplete is behind one where the file ends within a row.
func (d Decoder) Decode(ctx context.Context, files []format.File, o format.Options) ([]format.Record, error) {
	if len(files) != 1 {
		return nil, &format.Error{File: "these files", What: fmt.Sprintf("are %d; a text file is read alone", len(files))}
	}
	records, err := d.decode(ctx, files[0].Bytes, o)
	if err == nil {
		return records, nil
	}
	out := &format.Error{File: files[0].Name, What: err.Error()}
	var at *lineError
	var ready *format.Error
	switch {
	case errors.As(err, &ready):
		out.Line, out.What, out.Hint, out.Err = ready.Line, ready.What, ready.Hint, ready.Err
	case errors.As(err, &at):
		out.Line, out.Hint = at.line, at.hint
	case ctx.Err() != nil:
		out.Err = ctx.Err()
	}
	return nil, out
}

func (d Decoder) decode(ctx context.Context, b []byte, o format.Options) ([]format.Record, error) {
	if problems := d.Dialect.Check(); len(problems) > 0 {
		return nil, &format.Error{What: "can't be read by its dialect: " + problems[0].Text, Hint: problems[0].Hint}
	}
	if len(bytes.TrimSpace(b)) == 0 {
		return nil, &format.Error{What: "is empty", Err: format.ErrIncomplete}
	}
	text, encoding, err := decodeText(b, d.Dialect.Encoding)
	if err != nil {
		return nil, &format.Error{What: "isn't written in " + encoding + ": " + err.Error(), Hint: "give another encoding: in the dialect"}
	}
	if bytes.IndexByte(text, 0) >= 0 {
		return nil, errors.New("is no text file: it has zero bytes")
	}
	l, ok := sniff(text, d.Dialect)
	if !ok {
		if headAlone(text, d.Dialect) {
			return nil, &format.Error{What: "has the names of its columns and no samples yet", Err: format.ErrIncomplete}
		}
		return nil, &format.Error{What: "holds no table of numbers", Hint: "try it with `faultkeep check --try`, and say how it is laid out with dialect:"}
	}
	r := &reader{layout: l, text: text, line: 1, header: d.Dialect.Header}
	doubt := l.doubt(text, d.Dialect)
	var out []format.Record
	var alone []string // warnings of rows that are no tables
	blocks := 0
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		block, err := r.block()
		if err != nil {
			return nil, err
		}
		if block == nil {
			break
		}
		if block.cut {
			return nil, &format.Error{Line: block.line + block.rows, What: "ends within a row", Err: format.ErrIncomplete}
		}
		if blocks++; blocks > mostBlocks {
			return nil, &lineError{block.line, fmt.Sprintf("has more than %d tables", mostBlocks), ""}
		}
		if block.rows < 2 && len(out) == 0 && r.at >= len(text) {
			return nil, &format.Error{Line: block.line, What: "has only one sample yet", Err: format.ErrIncomplete}
		}
		if block.rows < 2 && (len(out) > 0 || r.at < len(text)) {
			alone = append(alone, fmt.Sprintf("One row of numbers stands alone on line %d; it is left out.", block.line))
			continue
		}
		records, err := d.records(block, o)
		if err != nil {
			return nil, err
		}
		if doubt != "" {
			alone = append(alone, doubt)
			doubt = ""
		}
		records[0].Warnings = append(records[0].Warnings, alone...)
		alone = nil
		out = append(out, records...)
	}
	if len(out) == 0 {
		return nil, errors.New("holds no table of numbers")
	}
	out[len(out)-1].Warnings = append(out[len(out)-1].Warnings, alone...)
	return out, nil
}

// records makes a record of a block, or several where its time begins anew.
func (d Decoder) records(b *block, o format.Options) ([]format.Record, error) {
	t := &table{block: b, dialect: d.Dialect, options: o}
	t.label()
	t.remarked()
	if err := t.clock(); err != nil {
		return nil, err
	}
	cuts, err := t.restarts()
	if err != nil {
		return nil, err
	}
	var out []format.Record
	for i := range len(cuts) - 1 {
		r, err := t.record(cuts[i], cuts[i+1])
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// table is a block on its way to records.
type table struct {
	*block
	dialect Dialect
	options format.Options

	warnings []string
	labels   []label
	time     int       // index of the time column; −1: there is none
	times    []float64 // seconds, of every row
	step     float64   // what the last digit of a written time stands for, in seconds
	stamped  *stamped  // where times are dates
}

// label is a column's name and unit.
type label struct{ name, unit string }

func (t *table) warn(format string, a ...any) {
	t.warnings = append(t.warnings, fmt.Sprintf(format, a...))
}

func (t *table) label() {
	for c := range t.columns {
		l := label{}
		if c < len(t.names) {
			l.name, l.unit = nameAndUnit(t.names[c])
		}
		if c < len(t.units) && strings.Trim(t.units[c], "[]() ") != "" {
			l.unit = strings.Trim(t.units[c], "[]() ")
		}
		if l.name == "" {
			l.name = "column " + strconv.Itoa(c+1)
		}
		t.labels = append(t.labels, l)
	}
}

// remarked says what was passed over between the samples.
func (t *table) remarked() {
	if t.noted != "" {
		t.warnings = append(t.warnings, t.noted)
	}
	for i, m := range t.remarks {
		if i == 3 {
			t.warn("%d more lines between the samples are remarks.", len(t.remarks)-i)
			break
		}
		t.warn("Line %d, %q, stands between the samples; it is taken for a remark.", m.line, m.text)
	}
}

// column is the index of a column by its name, or its number from 1.
func (t *table) column(name string) (int, error) {
	for c, l := range t.labels {
		if strings.EqualFold(l.name, strings.TrimSpace(name)) || c < len(t.names) && strings.EqualFold(strings.TrimSpace(t.names[c]), strings.TrimSpace(name)) {
			return c, nil
		}
	}
	if n, err := strconv.Atoi(name); err == nil && n >= 1 && n <= len(t.labels) {
		return n - 1, nil
	}
	var names []string
	for _, l := range t.labels[:min(len(t.labels), 20)] {
		names = append(names, l.name)
	}
	return 0, &lineError{max(1, t.line-1), fmt.Sprintf("has no column %q", name), "its columns are " + strings.Join(names, ", ")}
}

// record is the record of rows [from, to).
func (t *table) record(from, to int) (format.Record, error) {
	r := format.Record{Warnings: append([]string(nil), t.warnings...)}
	if err := t.timing(&r, from, to); err != nil {
		return r, err
	}
	for _, f := range t.fields() {
		r.Fields = append(r.Fields, format.Field{Name: strings.ToLower(f[0]), Value: f[1]})
	}
	if err := t.trigger(&r, from, to); err != nil {
		return r, err
	}
	if err := t.fault(&r, from, to); err != nil {
		return r, err
	}
	for c := range t.columns {
		t.channel(&r, c, from, to)
	}
	if len(r.Channels) == 0 {
		return r, &lineError{t.line, "has no column of samples", ""}
	}
	return r, nil
}

// channel adds a column to a record, unless it is none of samples.
func (t *table) channel(r *format.Record, c, from, to int) {
	l := t.labels[c]
	if c == t.time || t.stamped != nil && c == t.stamped.second || t.counts(c) {
		return
	}
	bad := t.bad[c]
	if n := t.over[c]; n > 0 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("Column %q: %s out of range, as the file says. They are taken for missing samples.", l.name, plural(n, "cell")+map[bool]string{true: " is", false: " are"}[n == 1]))
	}
	switch {
	case bad.count > t.rows/10:
		r.Warnings = append(r.Warnings, fmt.Sprintf("Column %q is left out: it holds text such as %q (line %d).", l.name, bad.text, bad.line))
		return
	case bad.count > 0:
		r.Warnings = append(r.Warnings, fmt.Sprintf("Column %q: %s no number, the first one on line %d: %q. They are taken for missing samples.",
			l.name, plural(bad.count, "cell")+map[bool]string{true: " is", false: " are"}[bad.count == 1], bad.line, bad.text))
	}
	series := t.columns[c][from:to]
	if allMissing(series) && (c >= len(t.names) || strings.TrimSpace(t.names[c]) == "") {
		return // what a delimiter at the end of each row leaves
	}
	ch := capture.Channel{Name: l.name, Unit: l.unit, Role: capture.RoleOther}
	if t.digital(l, series) {
		ch.Role, ch.Unit, ch.Bits = capture.RoleDigital, "", bitNames(l.name, series)
	}
	r.Channels, r.Series = append(r.Channels, ch), append(r.Series, capture.Series(series))
}

func allMissing(series []float64) bool {
	for _, v := range series {
		if !math.IsNaN(v) {
			return false
		}
	}
	return true
}

// digital tells whether a column holds bits: as the dialect says, or by itself
// where it has no unit and nothing but 0 and 1.
func (t *table) digital(l label, series []float64) bool {
	for _, name := range t.dialect.Digital {
		if strings.EqualFold(name, l.name) {
			return true
		}
	}
	if l.unit != "" && l.unit != "bit" && l.unit != "bool" && l.unit != "-" {
		return false
	}
	for _, v := range series {
		if v != 0 && v != 1 && !math.IsNaN(v) {
			return false
		}
	}
	return !allMissing(series)
}

// bitNames are the names of a word's bits, as many as are ever set.
func bitNames(name string, series []float64) []string {
	most := 0.0
	for _, v := range series {
		if v == math.Trunc(v) && v < 1<<32 {
			most = max(most, v)
		}
	}
	if most <= 1 {
		return []string{name}
	}
	var out []string
	for bit := 0; math.Ldexp(1, bit) <= most; bit++ {
		out = append(out, fmt.Sprintf("%s bit %d", name, bit))
	}
	return out
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
