package comtrade

import "fmt"

// notes are the warnings of one recording. Of many about the same thing the
// first is told, and how many there are.
type notes struct {
	kinds []string
	told  map[string]string
	count map[string]int
}

// add notes what was read although the standard doesn't allow it. kind tells
// the same liberties apart from others.
func (n *notes) add(kind, format string, args ...any) {
	if n.count == nil {
		n.told, n.count = map[string]string{}, map[string]int{}
	}
	n.count[kind]++
	if n.count[kind] == 1 {
		n.kinds = append(n.kinds, kind)
		n.told[kind] = fmt.Sprintf(format, args...)
	}
}

// some is a number of things in words.
func some(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// sentences are the warnings in the order in which they first came up.
func (n *notes) sentences() []string {
	var out []string
	for _, kind := range n.kinds {
		s := n.told[kind]
		if more := n.count[kind] - 1; more > 0 {
			s += fmt.Sprintf(" (and %d more like it)", more)
		}
		out = append(out, s+".")
	}
	return out
}
