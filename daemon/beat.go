package daemon

import (
	"context"
	"strings"

	"faultkeep/daemon/config"
	"faultkeep/daemon/heartbeat"
)

// heartbeat beats until ctx ends, where the config wants it.
func (a *App) heartbeat(ctx context.Context, l *config.Loaded) {
	if l.Config.Heartbeat != nil {
		heartbeat.Run(ctx, *l.Config.Heartbeat, a.ails, l.Beat(a.log), a.log)
	}
}

// heartbeatOf is what the heartbeat is made of: its broker too, if it has one.
func heartbeatOf(l *config.Loaded) any {
	h := l.Config.Heartbeat
	if h == nil || h.MQTT == "" {
		return h
	}
	return []any{h, l.Config.Alerts.Sinks, l.Config.Alerts.Link}
}

// ails says what keeps faultkeep from catching the next recording of every
// drive, or nothing.
func (a *App) ails() string {
	words := a.unready()
	for _, d := range a.hub.Drives() {
		if !d.Watched {
			words = append(words, d.Label()+" isn't watched")
		}
	}
	return strings.Join(words, ", ")
}
