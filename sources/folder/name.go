package folder

import (
	"fmt"
	"path"
	"strings"
	"unicode"
	"unicode/utf8"

	"faultkeep/store/capture"
)

// shown is a path as it can be stored and shown: what isn't UTF-8, or would
// end a line, is written \xNN.
func shown(p string) string {
	clean := func(r rune) bool { return r == utf8.RuneError || unicode.IsControl(r) }
	if utf8.ValidString(p) && !strings.ContainsFunc(p, clean) {
		return p
	}
	var b strings.Builder
	for len(p) > 0 {
		r, n := utf8.DecodeRuneInString(p)
		if r == utf8.RuneError && n <= 1 || unicode.IsControl(r) {
			for _, c := range []byte(p[:n]) {
				fmt.Fprintf(&b, `\x%02X`, c)
			}
		} else {
			b.WriteString(p[:n])
		}
		p = p[n:]
	}
	return b.String()
}

// partOf names the part of the originals that a file becomes. taken are the
// names given already.
func partOf(p string, taken map[string]bool) string {
	base := clip(shown(path.Base(p)), 120)
	for n := 1; ; n++ {
		name := capture.FilePart + base
		if n > 1 {
			name = fmt.Sprintf("%s%s (%d)", capture.FilePart, base, n)
		}
		if !taken[name] {
			taken[name] = true
			return name
		}
	}
}

// clip shortens a text to n bytes at most, at the border of a letter.
func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	n -= len("…")
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n] + "…"
}
