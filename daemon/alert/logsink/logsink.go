// Package logsink tells alerts by the log: one line an alert.
package logsink

import (
	"context"
	"log/slog"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// Config of a log sink. It has no keys yet; it is written log: {}.
type Config struct{}

// Sink writes every alert as one record.
type Sink struct {
	log  *slog.Logger
	link string
}

// New makes a sink that writes to log; link is the address under which people
// reach faultkeep's page, or empty.
func New(log *slog.Logger, link string) *Sink { return &Sink{log: log, link: link} }

// Send writes one record: the alert's sentence, then what it is about.
func (s *Sink) Send(ctx context.Context, a capture.Alert) error {
	attrs := []slog.Attr{slog.String("alert", a.ID), slog.String("kind", string(a.Kind))}
	if !a.Time.IsZero() {
		attrs = append(attrs, slog.Time("at", a.Time))
	}
	for _, more := range []slog.Attr{
		slog.String("severity", string(a.Severity)),
		slog.String("site", a.Site),
		slog.String("drive", a.Drive),
		slog.String("title", a.Title),
		slog.String("fault", fault(a)),
		slog.String("capture", string(a.Capture)),
		slog.String("page", alert.Page(s.link, a)),
	} {
		if more.Value.String() != "" {
			attrs = append(attrs, more)
		}
	}
	s.log.LogAttrs(ctx, level(a.Severity), a.Text, attrs...)
	return nil
}

func fault(a capture.Alert) string {
	if a.Fault.Code == 0 && a.Fault.Name == "" && a.Kind != capture.KindCapture && a.Kind != capture.KindPartial && a.Kind != capture.KindMiss {
		return "" // not about a fault at all
	}
	return a.Fault.String()
}

func level(s capture.Severity) slog.Level {
	switch s {
	case capture.Info:
		return slog.LevelInfo
	case capture.Warning:
		return slog.LevelWarn
	}
	return slog.LevelError
}
