package comtrade

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"faultkeep/store/format"
)

// mark is the byte order mark of UTF-8.
var mark = []byte("\uFEFF")

// text hands out lines one by one, so that a file of a million empty lines
// costs no more memory than its bytes.
type text struct {
	rest  []byte
	end   byte // of a line: LF, or CR in a file that has no LF
	line  int  // number of the last line handed out, from 1
	plain bool // a line ended in LF alone
	cut   bool // the last line handed out has no end: more of it may come
}

func newText(b []byte) *text {
	t := &text{rest: b, end: '\n'}
	if bytes.IndexByte(b, '\n') < 0 {
		t.end = '\r'
	}
	return t
}

// next is the next line without its end; ok is false after the last one.
func (t *text) next() (line []byte, ok bool) {
	if len(t.rest) == 0 {
		return nil, false
	}
	t.line++
	end := bytes.IndexByte(t.rest, t.end)
	if end < 0 {
		line, t.rest, t.cut = t.rest, nil, true
		return line, true
	}
	line, t.rest = t.rest[:end], t.rest[end+1:]
	trimmed := bytes.TrimRight(line, "\r")
	t.plain = t.plain || t.end == '\n' && len(trimmed) == len(line)
	return trimmed, true
}

// legibly is the text as valid UTF-8. What isn't is taken for ISO 8859-1,
// whose bytes are the first 256 code points.
func legibly(b []byte) (s string, latin bool) {
	if utf8.Valid(b) {
		return string(b), false
	}
	out := make([]rune, len(b))
	for i, c := range b {
		out[i] = rune(c)
	}
	return string(out), true
}

// wrong is an error about the last line. One that isn't whole yet may become right.
func (t *text) wrong(file string, line int, hint, what string, args ...any) error {
	err := &format.Error{File: file, Line: line, What: fmt.Sprintf(what, args...), Hint: hint}
	if t.cut {
		err.Err = format.ErrIncomplete
	}
	return err
}

// shown is a file name as a message can show it.
func shown(name string) string { return strings.ToValidUTF8(name, "\uFFFD") }

// quoted is a field as a message can show it: quoted, and not too long.
func quoted(s string) string {
	const most = 40
	if len(s) <= most {
		return strconv.Quote(s)
	}
	return strconv.Quote(s[:most]) + "…"
}
