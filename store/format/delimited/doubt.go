package delimited

import (
	"bytes"
	"fmt"
)

// doubt is what the text leaves open about its numbers, as a warning: "1.234"
// may be a little more than one, or more than a thousand. It is empty where one
// of the first rows settles it, or the dialect does.
func (l layout) doubt(text []byte, d Dialect) string {
	if d.Decimal != "" || d.Thousands != "" || l.numbers.thousands != 0 {
		return ""
	}
	var buf [][]byte
	example := ""
	for _, r := range beginning(text) {
		if l.remark(r) {
			continue
		}
		buf = cells(r, l.delimiter, buf)
		if _, data := l.data(buf); !data || len(buf) != l.columns {
			continue
		}
		for _, c := range buf {
			if _, ok := l.numbers.parse(c); !ok {
				continue
			}
			switch {
			case grouped(c, l.numbers.decimal):
				if example == "" {
					example = string(c)
				}
			case bytes.IndexByte(c, l.numbers.decimal) >= 0: // where none can stand between thousands
				return ""
			}
		}
	}
	if example == "" {
		return ""
	}
	mark := map[byte]string{'.': "point", ',': "comma"}[l.numbers.decimal]
	return fmt.Sprintf("In numbers such as %q the %s may be the decimal mark or stand between thousands; it is taken for the decimal mark. "+
		"Say it with decimal: or thousands: in the dialect.", example, mark)
}

// grouped tells whether a number could have its mark between thousands: "1,234", "-12,345".
func grouped(c []byte, mark byte) bool {
	if len(c) > 0 && (c[0] == '-' || c[0] == '+') {
		c = c[1:]
	}
	n := len(c) - 4
	if n < 1 || n > 3 || c[n] != mark || c[0] == '0' {
		return false
	}
	for i, b := range c {
		if i != n && (b < '0' || b > '9') {
			return false
		}
	}
	return true
}
