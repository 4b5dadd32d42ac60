package archive

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"

	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// Teller is where alarms are acknowledged and quiet times planned.
type Teller interface {
	wire.Telling
	Close() error
}

// ToTell opens the store to change how people are told: through the daemon, or
// its file.
func ToTell(ctx context.Context, dataFolder string) (Teller, error) {
	return change[Teller](ctx, dataFolder)
}

// plainly is an error of the store as callers of the API know it; hint says
// where to look for what isn't there.
func plainly(err error, hint string) error {
	switch {
	case errors.Is(err, store.ErrRefused):
		return wire.Say(wire.ErrRequest, err.Error())
	case errors.Is(err, store.ErrNotFound):
		return wire.Say(wire.ErrNotFound, err.Error()+". "+hint)
	}
	return told("", err)
}

const lists = "`faultkeep alert list` shows what there is"

// Alarms are all that aren't normal.
func (k *Kept) Alarms(ctx context.Context) ([]capture.OpenAlarm, error) {
	list, err := k.store.Alarms(ctx)
	return some(list), told("", err)
}

// Acknowledge says that somebody knows of alarms.
func (k *Kept) Acknowledge(ctx context.Context, who string, keys ...string) error {
	return plainly(k.store.Acknowledge(ctx, who, keys...), lists)
}

// Quiets are the quiet times that aren't over.
func (k *Kept) Quiets(ctx context.Context) ([]capture.Quiet, error) {
	list, err := k.store.Quiets(ctx)
	return some(list), told("", err)
}

// AddQuiet plans a quiet time.
func (k *Kept) AddQuiet(ctx context.Context, q capture.Quiet) (capture.Quiet, error) {
	q, err := k.store.AddQuiet(ctx, q)
	return q, plainly(err, lists)
}

// EndQuiet ends a quiet time before its end.
func (k *Kept) EndQuiet(ctx context.Context, id, who string) error {
	return plainly(k.store.EndQuiet(ctx, id, who), lists)
}

// Boxes are all sinks, by name.
func (k *Kept) Boxes(ctx context.Context) ([]capture.SinkBox, error) {
	list, err := k.store.Boxes(ctx)
	return some(list), told("", err)
}

// SendAgain puts a refused message back into the outbox.
func (k *Kept) SendAgain(ctx context.Context, sink string, seq uint64) error {
	return plainly(k.store.SendAgain(ctx, sink, seq), lists)
}

// Forget takes a refused message off the list.
func (k *Kept) Forget(ctx context.Context, sink string, seq uint64) error {
	return plainly(k.store.Forget(ctx, sink, seq), lists)
}

func (c *client) Alarms(ctx context.Context) (out []capture.OpenAlarm, err error) {
	err = c.get(ctx, "", &out, nil, "alarms")
	return out, err
}

func (c *client) Acknowledge(ctx context.Context, who string, keys ...string) error {
	return c.put(ctx, http.MethodPost, wire.Acknowledging{Keys: keys, By: who}, nil, nil, "alarms")
}

func (c *client) Quiets(ctx context.Context) (out []capture.Quiet, err error) {
	err = c.get(ctx, "", &out, nil, "quiets")
	return out, err
}

func (c *client) AddQuiet(ctx context.Context, q capture.Quiet) (out capture.Quiet, err error) {
	err = c.put(ctx, http.MethodPost, q, &out, nil, "quiets")
	return out, err
}

func (c *client) EndQuiet(ctx context.Context, id, who string) error {
	v := url.Values{}
	if who != "" {
		v.Set("by", who)
	}
	return c.put(ctx, http.MethodDelete, nil, nil, v, "quiets", id)
}

func (c *client) Boxes(ctx context.Context) (out []capture.SinkBox, err error) {
	err = c.get(ctx, "", &out, nil, "outbox")
	return out, err
}

func (c *client) SendAgain(ctx context.Context, sink string, seq uint64) error {
	return c.put(ctx, http.MethodPost, wire.Refused{Sink: sink, Seq: seq}, nil, nil, "outbox")
}

func (c *client) Forget(ctx context.Context, sink string, seq uint64) error {
	return c.put(ctx, http.MethodDelete, wire.Refused{Sink: sink, Seq: seq}, nil, nil, "outbox")
}

// put sends a value, if it isn't nil, and reads the answer into to, if it isn't nil.
func (c *client) put(ctx context.Context, method string, v, to any, q url.Values, path ...string) error {
	var b []byte
	if v != nil {
		var err error
		if b, err = json.Marshal(v); err != nil {
			return err
		}
	}
	answer, err := c.send(ctx, method, bytes.NewReader(b), int64(len(b)), "", q, path...)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if to == nil {
		return nil
	}
	return c.decode(ctx, answer, to)
}
