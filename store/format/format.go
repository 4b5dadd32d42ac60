// Package format is how recordings come out of files and captures go into
// them. The rooms below it know one file format each.
//
// A decoder never trusts what a file says about itself: counts and lengths are
// checked against what is there before anything is allocated for them.
package format

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"faultkeep/store/capture"
)

// File is one file with all its bytes.
type File struct {
	Name  string // base name, as the file system gives it; may be no valid UTF-8
	Bytes []byte
}

// Record is one recording as a file holds it.
type Record struct {
	Channels []capture.Channel
	Series   []capture.Series // one a channel, in its unit; NaN where a sample is missing. Digital words are whole numbers
	Timing   capture.Timing
	Trigger  int       // index of the trigger sample, from 0 to Timing.Samples
	Time     time.Time // of the trigger, UTC; zero: the file doesn't tell

	// Fields are what else the file says, by lower-case names: "station",
	// "device", "fault", or the names of a preamble's lines.
	Fields   []Field
	Warnings []string // what was read although the format doesn't allow it, and how; a sentence each
	Found    []Field  // how a decoder found what a file doesn't say outright, to be shown: "time", "trigger"
}

// Field is one thing that a file says beside its samples.
type Field struct{ Name, Value string }

// Field is the value of the first field with that name, or empty.
func (r Record) Field(name string) string {
	for _, f := range r.Fields {
		if strings.EqualFold(f.Name, name) {
			return f.Value
		}
	}
	return ""
}

// Options are what a file's reader must be told because the file doesn't.
type Options struct {
	Zone *time.Location // of time stamps that name no zone; nil: UTC
}

// Decoder reads recordings out of a set of files that belong together.
type Decoder interface {
	Name() string // "comtrade", as in a config
	// Sniff tells whether the files look like this format. It looks at names
	// and the beginnings of files only, and never fails.
	Sniff(files []File) bool
	// Decode reads everything the files hold. An error is an *Error; it wraps
	// ErrIncomplete where more bytes or another file may still come.
	Decode(ctx context.Context, files []File, o Options) ([]Record, error)
}

// Encoder writes a capture as files that belong together.
type Encoder interface {
	Name() string
	// Encode writes each file through create, which is given the extension with
	// its dot. What it returned is closed by whoever gave create.
	Encode(ctx context.Context, create func(extension string) (io.Writer, error), c capture.Capture, series []capture.Series) error
}

// ErrIncomplete marks files that end before they should, or whose partner is
// missing: they may still be being written.
var ErrIncomplete = errors.New("not all there yet")

// Error says what is wrong with a file, where, and what to do.
type Error struct {
	File string // base name
	Line int    // from 1; 0: not about a line
	What string // "has 7 fields, an analog channel has 13"
	Hint string // what to do; may be empty
	Err  error  // ErrIncomplete, or what else is behind it; may be nil
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, " line %d", e.Line)
	}
	b.WriteString(": " + e.What)
	if e.Hint != "" {
		b.WriteString("; " + e.Hint)
	}
	return b.String()
}

func (e *Error) Unwrap() error { return e.Err }
