// Package logs is faultkeep's own log: an event a line as text or JSON, on a
// writer and in a file that is put aside when it is full, with what repeats
// itself counted instead of said.
package logs

import (
	"io"
	"log/slog"
	"time"
)

// Options of a log.
type Options struct {
	Level  slog.Leveler
	JSON   bool   // an object a line, else key=value
	Path   string // file that is written beside the writer; "": none
	Size   int64  // bytes at which the file is put aside
	Keep   int    // how many files put aside stay
	Events Events // the system's own log of what a service does; nil: none
}

// What repeats itself: after so many of the same message from the same source
// within one minute the rest of that minute is counted.
const (
	often  = 10
	within = time.Minute
)

// New is a log that writes to w. Its close says what is still counted and
// closes the file; a log can be used after that, but counts no more.
func New(w io.Writer, o Options) (log *slog.Logger, end func()) {
	shut := func() {}
	if o.Path != "" {
		f := &File{Path: o.Path, Size: o.Size, Keep: o.Keep, Trouble: w}
		w, shut = both{f, w}, func() { _ = f.Close() }
	}
	ho := &slog.HandlerOptions{Level: o.Level}
	var h slog.Handler = slog.NewTextHandler(w, ho)
	if o.JSON {
		h = slog.NewJSONHandler(w, ho)
	}
	quiet := Quiet(&events{Handler: h, to: o.Events}, often, within)
	return slog.New(quiet), func() { quiet.End(); shut() }
}

// both writes to a and then to b, of which neither can fail the other: a
// service has no standard error on some systems, and a disk can be full.
type both struct{ a, b io.Writer }

func (w both) Write(p []byte) (int, error) {
	_, _ = w.a.Write(p)
	_, _ = w.b.Write(p)
	return len(p), nil
}
