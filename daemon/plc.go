package daemon

import (
	"context"

	"faultkeep/daemon/config"
	"faultkeep/daemon/holdoff"
)

// holdoff answers a PLC until ctx ends, where the config wants it.
func (a *App) holdoff(ctx context.Context, l *config.Loaded) {
	if l.Config.Holdoff == nil {
		return
	}
	rows := l.HoldoffRows()
	holdoff.New(*l.Config.Holdoff, func() []holdoff.Drive { return a.hub.forPLC(rows) }, a.log).Run(ctx)
}

// forPLC are the drives of the hold-off's table. One that isn't watched any
// more keeps its place, and says that it isn't.
func (h *hub) forPLC(rows []holdoff.Row) []holdoff.Drive {
	drives, _, seen := h.list()
	out := make([]holdoff.Drive, len(rows))
	place := make(map[string]int, len(rows))
	for i, r := range rows {
		out[i] = holdoff.Drive{Name: r.Drive, Title: r.Title}
		place[r.Drive] = i
	}
	for _, d := range drives {
		i, is := place[d.Name()]
		if !is {
			continue
		}
		now := d.Now()
		o := &out[i]
		o.Watched = seen[d.Name()].watched // one poll that fails in a pull isn't the end of it
		o.Pending, o.Pulling, o.Kept = now.Pending, now.Pulling, now.Kept
		o.Beats, o.Keeps = d.Pulse().Beats(), now.Keeps
	}
	return out
}
