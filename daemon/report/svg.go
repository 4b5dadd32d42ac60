package report

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// svg writes a picture. Texts and attributes are escaped on their way in.
type svg struct {
	bytes.Buffer
}

// esc is text that can't break out of where it stands, nor turn around what
// stands beside it.
func esc(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(straight(s))) // a Builder doesn't fail
	return b.String()
}

// straight is text that doesn't turn around what stands beside it; other
// control characters are no matter in XML, and styles have line ends.
func straight(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.Is(unicode.Bidi_Control, r) {
			return '·'
		}
		return r
	}, s)
}

// f writes markup; strings among the arguments are escaped.
func (s *svg) f(format string, args ...any) {
	for i, a := range args {
		if text, ok := a.(string); ok {
			args[i] = esc(text)
		}
	}
	fmt.Fprintf(s, format, args...)
}

// at is a fraction of the width as a percentage.
type at float64

func (a at) String() string {
	return strconv.FormatFloat(math.Round(float64(a)*1e5)/1e3, 'f', -1, 64) + "%"
}

// cut shortens a text to n characters.
func cut(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n-1]) + "…"
}
