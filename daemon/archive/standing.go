package archive

import (
	"context"
	"path/filepath"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store"
)

// Standing is how the store stands; of the drives it knows nothing.
func (k *Kept) Standing(ctx context.Context, since time.Time) (wire.Standing, error) {
	now := time.Now()
	out := wire.Standing{Now: now.UTC(), Undelivered: []wire.Undelivered{}}
	stats, err := k.store.Stats(ctx)
	if err != nil {
		return out, told("", err)
	}
	stage := k.store.Stage()
	out.Store = wire.StoreStands{Captures: stats.Captures, Used: stats.Used, Free: -1, Low: stage >= store.Warning, Full: stage >= store.Refusing}
	if free, err := store.FreeSpace(filepath.Dir(k.store.Path())); err == nil {
		out.Store.Free = free
	}
	list, err := k.store.Undelivered(ctx, since)
	if err != nil {
		return out, told("", err)
	}
	for _, u := range list {
		out.Undelivered = append(out.Undelivered, wire.Undelivered(u))
	}
	last, _, err := k.store.LastBrief(ctx, now)
	out.LastBrief = last.To
	return out, told("", err)
}

func (c *client) Standing(ctx context.Context, since time.Time) (out wire.Standing, err error) {
	err = c.get(ctx, "", &out, values(wire.Query{Since: since}), "standing")
	return out, err
}
