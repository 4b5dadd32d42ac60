package logs

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
)

// Events is the system's own log of what a service does, such as the event
// log of Windows.
type Events interface {
	Info(v ...any) error
	Warning(v ...any) error
	Error(v ...any) error
}

// Event marks a message that the system's own log shall have too, as one does
// of a start and a stop. Errors go there unmarked.
func Event() slog.Attr { return slog.Bool(eventKey, true) }

const eventKey = "event_log"

// events passes on what the system's own log shall have, and takes the mark off.
type events struct {
	slog.Handler
	to     Events
	before string // attributes that the log was given before
}

func (h *events) Enabled(ctx context.Context, l slog.Level) bool {
	return h.to != nil && l >= slog.LevelInfo || h.Handler.Enabled(ctx, l) // a start is told there whatever the level
}

func (h *events) Handle(ctx context.Context, r slog.Record) error {
	marked := false
	out := slog.NewRecord(r.Time, r.Level, r.Message, r.PC)
	text := r.Message + h.before
	r.Attrs(func(a slog.Attr) bool {
		if a.Key == eventKey {
			marked = true
			return true
		}
		out.AddAttrs(a)
		text += attribute(a)
		return true
	})
	if h.to != nil && (marked || r.Level >= slog.LevelError) {
		switch { // that the system's log is full must not end the watching
		case r.Level >= slog.LevelError:
			_ = h.to.Error(text)
		case r.Level >= slog.LevelWarn:
			_ = h.to.Warning(text)
		default:
			_ = h.to.Info(text)
		}
	}
	if !h.Handler.Enabled(ctx, r.Level) {
		return nil
	}
	return h.Handler.Handle(ctx, out)
}

func (h *events) WithAttrs(as []slog.Attr) slog.Handler {
	out := *h
	out.Handler = h.Handler.WithAttrs(as)
	for _, a := range as {
		out.before += attribute(a)
	}
	return &out
}

func (h *events) WithGroup(name string) slog.Handler {
	out := *h
	out.Handler = h.Handler.WithGroup(name)
	return &out
}

// attribute is a line of its own, since the event viewer shows lines; a text
// from outside keeps to one.
func attribute(a slog.Attr) string {
	return fmt.Sprintf("\r\n%s: %s", a.Key, strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, a.Value.Resolve().String()))
}
