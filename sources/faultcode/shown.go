package faultcode

import (
	"strconv"
	"strings"

	"faultkeep/store/capture"
)

// Shown names a fault whose code is given as text, the way a drive or an
// exported file shows it: read by the way in which each table shows codes, in
// their order, then as a number (decimal, or 0x2311). A text that is no code
// stays what it is: a code that no table knows.
func (t Tables) Shown(text string) capture.Fault {
	text = strings.TrimSpace(text)
	if text == "" {
		return capture.Fault{}
	}
	for _, table := range t {
		if code, ok := table.style.parse(text); ok {
			if fault, found := table.Lookup(code); found {
				return fault
			}
		}
	}
	if len(t) > 0 {
		if code, ok := t[0].style.parse(text); ok {
			return t.Lookup(code)
		}
	}
	if code, ok := number(text); ok {
		return t.Lookup(code)
	}
	return capture.Fault{Shown: text, Class: capture.ClassUnknown, Severity: capture.Alarm}
}

// parse is the reverse of show.
func (s style) parse(text string) (uint32, bool) {
	base := 10
	if s.hex {
		base = 16
	}
	if hex, ok := strings.CutPrefix(strings.ToLower(text), "0x"); ok {
		text, base = hex, 16
	} else if len(text) >= len(s.prefix) && strings.EqualFold(text[:len(s.prefix)], s.prefix) {
		text = strings.TrimLeft(text[len(s.prefix):], " ")
	} else {
		return 0, false
	}
	code, err := strconv.ParseUint(text, base, 32)
	return uint32(code), err == nil && code != 0
}

func number(text string) (uint32, bool) { return style{}.parse(text) }
