// Package faultcode names a drive's fault codes by tables: the error codes of
// IEC 61800-7-201, and tables that users add for their drives. A code that no
// table knows is shown as its number, never guessed.
package faultcode

import (
	"faultkeep/configs/strict"
	"faultkeep/store/capture"
)

// Table is one fault table file.
type Table struct {
	Name string
	Note string
}

// Tables are looked up in order; the first that knows a code names it.
type Tables []*Table

// Parse reads and checks a fault table file.
func Parse(file string, src []byte) (*Table, strict.Problems) { return &Table{}, nil }

// Lookup names a code; found is false where the table doesn't know it.
func (t *Table) Lookup(code uint32) (fault capture.Fault, found bool) { return capture.Fault{}, false }

// Lookup names a code. A code that no table knows keeps its number, shown the
// way the first table shows codes; code 0 is no known fault.
func (t Tables) Lookup(code uint32) capture.Fault { return capture.Fault{} }
