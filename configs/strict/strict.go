// Package strict reads YAML files that people edit. It reports every problem
// of a file at once, each with line, column, field and what to do: unknown
// keys ("did you mean"), wrong types, bad durations and sizes.
package strict

import (
	"fmt"
	"strings"
	"time"
)

// Duration is a length of time in a file: 250ms, 1s, 1h30m.
type Duration time.Duration

// Size is a number of bytes in a file: 512KiB, 20MB, 4GiB.
type Size int64

// Problem is one thing wrong in a file.
type Problem struct {
	File   string `json:"file"`
	Line   int    `json:"line"`   // from 1; 0: the file as a whole
	Column int    `json:"column"` // from 1
	Field  string `json:"field"`  // such as drives[2].poll
	Text   string `json:"text"`   // what is wrong
	Hint   string `json:"hint,omitempty"`
}

func (p Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Column)
	}
	b.WriteString(": ")
	if p.Field != "" {
		b.WriteString(p.Field + ": ")
	}
	b.WriteString(p.Text)
	if p.Hint != "" {
		b.WriteString("; " + p.Hint)
	}
	return b.String()
}

// Problems are all that is wrong in one or more files.
type Problems []Problem

func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}
