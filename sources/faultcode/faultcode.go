// Package faultcode names a drive's fault codes by tables: the error codes of
// IEC 61800-7-201, and tables that users add for their drives. A code that no
// table knows is shown as its number, never guessed.
package faultcode

import (
	"fmt"
	"sort"

	"faultkeep/store/capture"
)

// Table is one fault table file.
type Table struct {
	Name string
	Note string

	style  style
	codes  map[uint32]entry
	ranges []span // ascending, none overlaps another
}

// Tables are looked up in order; the first that knows a code names it.
type Tables []*Table

// entry is what a table says about a code.
type entry struct {
	name     string
	class    capture.Class
	severity capture.Severity
}

// span is a run of codes with one meaning.
type span struct {
	first, last uint32
	entry
}

// Lookup names a code; found is false where the table doesn't know it. Of a
// single code and a range around it the single code counts.
func (t *Table) Lookup(code uint32) (fault capture.Fault, found bool) {
	e, found := t.codes[code]
	if !found {
		i := sort.Search(len(t.ranges), func(i int) bool { return t.ranges[i].last >= code })
		if i == len(t.ranges) || t.ranges[i].first > code {
			return capture.Fault{}, false
		}
		e = t.ranges[i].entry
	}
	if e.class == "" {
		e.class = t.style.class(code)
	}
	return capture.Fault{Code: code, Shown: t.style.show(code), Name: e.name, Class: e.class, Severity: e.severity, Table: t.Name}, true
}

// Lookup names a code. A code that no table knows keeps its number, shown the
// way the first table shows codes; code 0 is no known fault.
func (t Tables) Lookup(code uint32) capture.Fault {
	if code == 0 {
		return capture.Fault{}
	}
	for _, table := range t {
		if fault, found := table.Lookup(code); found {
			return fault
		}
	}
	shown := fmt.Sprint(code)
	if len(t) > 0 {
		shown = t[0].style.show(code)
	}
	return capture.Fault{Code: code, Shown: shown, Class: capture.ClassUnknown, Severity: capture.Alarm}
}

// style is how codes are written.
type style struct {
	hex    bool
	prefix string
	digits int // least digits of a decimal number
}

func (s style) show(code uint32) string {
	if s.hex {
		return fmt.Sprintf("%04X", code)
	}
	return fmt.Sprintf("%s%0*d", s.prefix, s.digits, code)
}

// class is that of a code whose entry doesn't say: codes written as four
// hexadecimal digits follow IEC 61800-7-201, whose first digit tells it.
func (s style) class(code uint32) capture.Class {
	if !s.hex {
		return capture.ClassSpecific
	}
	switch first := code >> 12; {
	case first >= 1 && first <= 9:
		return capture.Classes[first-1] // in the order of the digits
	case first == 0xF:
		return capture.ClassSpecific
	}
	return capture.ClassUnknown
}
