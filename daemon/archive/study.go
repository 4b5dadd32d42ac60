package archive

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// Analyst is where captures are analysed and repairs noted.
type Analyst interface {
	wire.Captures
	wire.Analyst
	wire.Repairs
	Close() error
}

// Repaired is a repair, and what the trips say of it.
type Repaired = wire.Repaired

// Recurrence is how often trips of one group come.
type Recurrence = wire.Recurrence

// ToAnalyse opens the store so that findings and repairs can be stored:
// through the daemon, or its file.
func ToAnalyse(ctx context.Context, dataFolder string) (Analyst, error) {
	return change[Analyst](ctx, dataFolder)
}

// Study is what was found in a capture.
func (k *Kept) Study(ctx context.Context, id capture.ID, zone *time.Location) (capture.Study, error) {
	if _, err := k.store.Get(ctx, id); err != nil {
		return capture.Study{}, told(string(id), err)
	}
	st, err := k.desk.Study(ctx, id, zone)
	return st, told(string(id), err)
}

// Short tells what was found in captures in few words.
func (k *Kept) Short(ctx context.Context, ids ...capture.ID) (map[capture.ID]wire.Short, error) {
	all, err := k.desk.Short(ctx, ids...)
	return all, told("", err)
}

// Analyse computes the findings of a capture anew and stores them.
func (k *Kept) Analyse(ctx context.Context, id capture.ID, zone *time.Location) (capture.Study, error) {
	st, err := k.desk.Analyse(ctx, id, zone)
	return st, told(string(id), err)
}

// Recurrences say how often trips come.
func (k *Kept) Recurrences(ctx context.Context, q wire.Query) ([]wire.Recurrence, error) {
	list, err := k.desk.Recurrences(ctx, q)
	return some(list), told("", err)
}

// Repairs are those of a drive, or all with "".
func (k *Kept) Repairs(ctx context.Context, drive string) ([]capture.Repair, error) {
	list, err := k.desk.Repairs(ctx, drive)
	return some(list), told("", err)
}

// AddRepair notes a repair.
func (k *Kept) AddRepair(ctx context.Context, r capture.Repair) error {
	err := k.desk.AddRepair(ctx, r)
	if errors.Is(err, store.ErrRefused) {
		return wire.Say(wire.ErrRequest, err.Error())
	}
	return told("", err)
}

// DropRepair takes a repair off the list.
func (k *Kept) DropRepair(ctx context.Context, r capture.Repair) error {
	err := k.desk.DropRepair(ctx, r)
	if errors.Is(err, store.ErrNotFound) {
		return wire.Say(wire.ErrNotFound, err.Error()+". `faultkeep repair list` shows them all")
	}
	return told("", err)
}

func (c *client) Study(ctx context.Context, id capture.ID, zone *time.Location) (st capture.Study, err error) {
	err = c.get(ctx, string(id), &st, values(wire.Query{Zone: zone}), "findings", string(id))
	return st, err
}

func (c *client) Analyse(ctx context.Context, id capture.ID, zone *time.Location) (st capture.Study, err error) {
	answer, err := c.do(ctx, http.MethodPost, string(id), values(wire.Query{Zone: zone}), "findings", string(id))
	if err != nil {
		return st, err
	}
	defer answer.Body.Close()
	return st, c.decode(ctx, answer, &st)
}

func (c *client) Recurrences(ctx context.Context, q wire.Query) ([]wire.Recurrence, error) {
	return listed[wire.Recurrence](ctx, c, q, "recurrences")
}

func (c *client) Repairs(ctx context.Context, drive string) ([]capture.Repair, error) {
	return listed[capture.Repair](ctx, c, wire.Query{Drive: drive}, "repairs")
}

func (c *client) AddRepair(ctx context.Context, r capture.Repair) error {
	return c.repair(ctx, http.MethodPost, r)
}

func (c *client) DropRepair(ctx context.Context, r capture.Repair) error {
	return c.repair(ctx, http.MethodDelete, r)
}

func (c *client) repair(ctx context.Context, method string, r capture.Repair) error {
	b, err := json.Marshal(r)
	if err != nil {
		return err
	}
	answer, err := c.send(ctx, method, bytes.NewReader(b), int64(len(b)), "", nil, "repairs")
	if err != nil {
		return err
	}
	return answer.Body.Close()
}
