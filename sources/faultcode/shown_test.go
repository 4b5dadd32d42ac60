package faultcode_test

import (
	"testing"

	"faultkeep/sources/faultcode"
	"faultkeep/store/capture"
)

// Codes and names of IEC 61800-7-201 as in the shipped table, which names its
// source; the other table is ours.
func TestShown(t *testing.T) {
	standard := standard(t)
	own, problems := faultcode.Parse("own.yaml", []byte("name: own\nshown: prefix\nprefix: F\ndigits: 2\ncodes:\n  7: {name: Choke too hot, class: temperature, severity: warning}\n"))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	for _, c := range []struct {
		tables faultcode.Tables
		text   string
		code   uint32
		shown  string
		named  bool
	}{
		{faultcode.Tables{standard}, "2311", 0x2311, "2311", true},
		{faultcode.Tables{standard}, " 0x2311 ", 0x2311, "2311", true},
		{faultcode.Tables{own, standard}, "f07", 7, "F07", true},
		{faultcode.Tables{own, standard}, "F 7", 7, "F07", true},
		{faultcode.Tables{own, standard}, "2311", 0x2311, "2311", true},
		{faultcode.Tables{own, standard}, "F99", 99, "F99", false},
		{nil, "17", 17, "17", false},
		{faultcode.Tables{own}, "over current", 0, "over current", false},
		{faultcode.Tables{standard}, "", 0, "", false},
	} {
		got := c.tables.Shown(c.text)
		if got.Code != c.code || got.Shown != c.shown || (got.Name != "") != c.named {
			t.Errorf("%q is %+v, want code %d shown as %q", c.text, got, c.code, c.shown)
		}
	}
	if got := (faultcode.Tables{own}).Shown("over current").String(); got != "Unknown fault (over current)" {
		t.Errorf("in words %q", got)
	}
	if got := (capture.Fault{Shown: "x"}).String(); got != "Unknown fault (x)" {
		t.Errorf("in words %q", got)
	}
}
