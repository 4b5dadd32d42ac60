package daemon

import (
	"context"

	"faultkeep/daemon/config"
	"faultkeep/store"
)

// upkeep holds the store to the config's limits until ctx ends.
func (a *App) upkeep(ctx context.Context, l *config.Loaded) {
	c := l.Config.Store
	a.Store.RunUpkeep(ctx, store.Limits{
		Retention: store.Retention{KeepFor: c.KeepFor.Std(), MaxSize: int64(c.MaxSize)},
		Disk:      store.DiskLimits{Warn: int64(c.LowDisk.Warn), Drop: int64(c.LowDisk.Drop), Refuse: int64(c.LowDisk.Refuse)},
	})
}
