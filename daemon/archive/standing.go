package archive

import (
	"context"
	"encoding/json"
	"errors"
	"net/url"
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
	alarms, err := k.Alarms(ctx)
	if err != nil {
		return out, err
	}
	for _, a := range alarms {
		if a.Acked.IsZero() {
			out.Alarms++
		}
	}
	last, _, err := k.store.LastBrief(ctx, now)
	out.LastBrief = last.To
	return out, told("", err)
}

// Brief is a brief that was made by itself; "": the last one.
func (k *Kept) Brief(ctx context.Context, id string) (wire.Brief, error) {
	b, err := k.store.Brief(ctx, id)
	if errors.Is(err, store.ErrNotFound) {
		return wire.Brief{}, wire.Say(wire.ErrNotFound, err.Error())
	}
	if err != nil {
		return wire.Brief{}, told("", err)
	}
	out := wire.Brief{ID: b.ID, Due: b.Slot.UTC(), From: b.From.UTC(), To: b.To.UTC(), Headline: b.Headline, Text: b.Text, HTML: b.HTML, Brief: json.RawMessage("null")}
	if b.JSON != "" {
		out.Brief = json.RawMessage(b.JSON)
	}
	return out, nil
}

func (c *client) Brief(ctx context.Context, id string) (out wire.Brief, err error) {
	q := url.Values{}
	if id != "" {
		q.Set("id", id)
	}
	err = c.get(ctx, "", &out, q, "brief")
	return out, err
}

func (c *client) Standing(ctx context.Context, since time.Time) (out wire.Standing, err error) {
	err = c.get(ctx, "", &out, values(wire.Query{Since: since}), "standing")
	return out, err
}
