// Package delimited reads recordings out of text files: numbers in columns,
// one row a sample, as spreadsheets and commissioning tools write them. What a
// Dialect doesn't say is found out from the file itself.
package delimited

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"faultkeep/configs/strict"
)

// Dialect says how text is laid out. What is left empty is found out.
type Dialect struct {
	Encoding  string          `yaml:"encoding" json:"encoding,omitzero"`   // utf-8, utf-16 or latin-1
	Delimiter string          `yaml:"delimiter" json:"delimiter,omitzero"` // between columns: comma, semicolon, tab, space, bar, or one character
	Decimal   string          `yaml:"decimal" json:"decimal,omitzero"`     // point or comma
	Thousands string          `yaml:"thousands" json:"thousands,omitzero"` // mark between groups of digits: none, point, comma, space or apostrophe
	Comment   string          `yaml:"comment" json:"comment,omitzero"`     // lines that begin with it are passed over
	Header    *int            `yaml:"header" json:"header,omitzero"`       // rows of names above the first sample: 0, 1, or 2 where the second one holds units
	Time      Time            `yaml:"time" json:"time,omitzero"`           // the column that tells each sample's time
	Interval  strict.Duration `yaml:"interval" json:"interval,omitzero"`   // between samples, where no column tells it
	Trigger   Trigger         `yaml:"trigger" json:"trigger,omitzero"`     // where the trigger is
	Digital   []string        `yaml:"digital" json:"digital,omitzero"`     // names of columns that hold bits: 0 and 1, or words of up to 32 bits
	Fault     Place           `yaml:"fault" json:"fault,omitzero"`         // where the fault code stands
}

// Time is the time column.
type Time struct {
	Column string `yaml:"column" json:"column,omitzero"` // its name, or its number from 1
	Unit   string `yaml:"unit" json:"unit,omitzero"`     // s, ms, us, ns, min or h
	Layout string `yaml:"layout" json:"layout,omitzero"` // of a date and time: YYYY, YY, MM, DD, hh, mm, ss, and f for each digit of a second's fraction
}

// Trigger is where the trigger is. At most one of these is given.
type Trigger struct {
	Row    int      `yaml:"row" json:"row,omitzero"`       // number of the sample, from 1
	Time   *float64 `yaml:"time" json:"time,omitzero"`     // its value in the time column
	Column string   `yaml:"column" json:"column,omitzero"` // the first sample at which this column changes from its first value
	Field  string   `yaml:"field" json:"field,omitzero"`   // name of the line above the table that tells the sample's number or its date and time
}

// Place is where something stands: in a column, or in a line above the table.
type Place struct {
	Column string `yaml:"column" json:"column,omitzero"`
	Field  string `yaml:"field" json:"field,omitzero"`
}

var (
	encodings  = []string{"utf-8", "utf-16", "latin-1"}
	delimiters = map[string]byte{"comma": ',', "semicolon": ';', "tab": '\t', "space": ' ', "bar": '|'}
	decimals   = map[string]byte{"point": '.', "comma": ','}
	marks      = map[string]byte{"none": 0, "point": '.', "comma": ',', "space": ' ', "apostrophe": '\''}
	timeUnits  = map[string]float64{"s": 1, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "min": 60, "h": 3600,
		"sec": 1, "second": 1, "seconds": 1, "Second": 1, "Seconds": 1}
)

// Problem is one thing that is wrong with a dialect.
type Problem struct {
	Key  string // "time.unit"
	Text string // what is wrong
	Hint string // what to do
}

// Check tells what is wrong with the dialect itself, whatever the file.
func (d Dialect) Check() (problems []Problem) {
	bad := func(key, hint, format string, a ...any) {
		problems = append(problems, Problem{key, fmt.Sprintf(format, a...), hint})
	}
	if d.Encoding != "" && !has(encodings, d.Encoding) {
		bad("encoding", "write utf-8, utf-16 or latin-1", "%q is no encoding that faultkeep reads", d.Encoding)
	}
	if _, ok := d.delimiter(); d.Delimiter != "" && !ok {
		bad("delimiter", "write comma, semicolon, tab, space, bar, or the character itself", "%q is no delimiter", d.Delimiter)
	}
	if _, ok := decimals[d.Decimal]; d.Decimal != "" && !ok {
		bad("decimal", "write point or comma", "%q is no decimal mark", d.Decimal)
	}
	if _, ok := marks[d.Thousands]; d.Thousands != "" && !ok {
		bad("thousands", "write none, point, comma, space or apostrophe", "%q is no mark between thousands", d.Thousands)
	}
	if _, ok := decimals[d.Decimal]; ok && d.Decimal == d.Thousands {
		bad("thousands", "give one of them another mark", "the mark between thousands is the decimal mark")
	}
	if c, ok := d.delimiter(); ok && d.Decimal != "" && c == decimals[d.Decimal] {
		bad("decimal", "give one of them another mark", "the decimal mark is the delimiter")
	}
	if d.Header != nil && (*d.Header < 0 || *d.Header > 2) {
		bad("header", "write 0, 1, or 2 where the second row holds units", "%d rows of names can't be read", *d.Header)
	}
	if _, ok := timeUnits[d.Time.Unit]; d.Time.Unit != "" && !ok {
		bad("time.unit", "write s, ms, us, ns, min or h", "%q is no unit of time", d.Time.Unit)
	}
	if d.Time.Layout != "" {
		if _, err := layoutOf(d.Time.Layout); err != nil {
			bad("time.layout", `write it like "DD.MM.YYYY hh:mm:ss,fff"`, "%v", err)
		}
	}
	if d.Interval < 0 {
		bad("interval", "write a time such as 1ms", "a sample interval can't be below zero")
	}
	if d.Trigger.Row < 0 {
		bad("trigger.row", "samples are counted from 1", "there is no sample %d", d.Trigger.Row)
	}
	given := 0
	for _, g := range []bool{d.Trigger.Row > 0, d.Trigger.Time != nil, d.Trigger.Column != "", d.Trigger.Field != ""} {
		if g {
			given++
		}
	}
	if given > 1 {
		bad("trigger", "keep one of row, time, column and field", "the trigger is told in %d ways", given)
	}
	if d.Fault.Column != "" && d.Fault.Field != "" {
		bad("fault", "keep one of column and field", "the fault code is told in two ways")
	}
	return problems
}

func (d Dialect) delimiter() (byte, bool) {
	if c, ok := delimiters[d.Delimiter]; ok {
		return c, true
	}
	if len(d.Delimiter) == 1 && d.Delimiter[0] < utf8.RuneSelf && !strings.ContainsAny(d.Delimiter, "\"\r\n0123456789+-") {
		return d.Delimiter[0], true
	}
	return 0, false
}

func has(list []string, s string) bool {
	for _, each := range list {
		if each == s {
			return true
		}
	}
	return false
}
