package daemon

import (
	"context"
	"path/filepath"
	"time"

	"faultkeep/daemon/metrics"
	"faultkeep/store"
)

// kept is how the store stands, for the metrics. What can't be read is left out.
func (a *App) kept() metrics.Kept {
	ctx, stop := context.WithTimeout(context.Background(), 5*time.Second)
	defer stop()
	k := metrics.Kept{Drafts: -1, Size: -1, Used: -1, Free: -1, Aside: -1}
	if s, err := a.Store.Stats(ctx); err == nil {
		k.Drafts, k.Size, k.Used = s.Drafts, s.Size, s.Used
		if free, err := store.FreeSpace(filepath.Dir(s.Path)); err == nil {
			k.Free = free
		}
	}
	if n, err := a.Store.AlertCounts(ctx); err == nil {
		k.Aside = n.Aside + n.Dropped
	}
	for _, sink := range a.rules.Load().Sinks {
		list, err := a.Store.Outbox(ctx, sink, 8)
		if err != nil {
			continue
		}
		for _, m := range list { // in their order, so that the first one that isn't held is the oldest
			if time.Now().Before(m.Hold) {
				continue
			}
			if k.Oldest.IsZero() || m.Alert.Time.Before(k.Oldest) {
				k.Oldest = m.Alert.Time
			}
			break
		}
	}
	return k
}
