package archive

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"

	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// Intake takes in captures that were read from files, and reads what was kept.
type Intake interface {
	Archive
	wire.Taker
}

// Arrival is what was kept of a set of files.
type Arrival = wire.Arrival

// ErrKept is the error for a capture that is kept already.
var ErrKept = wire.ErrKept

// ToTake opens the store to take captures in: through the daemon that runs on
// the data folder, or else its file, which is made where there is none.
func ToTake(ctx context.Context, dataFolder, site string) (Intake, error) {
	if c := running(ctx, dataFolder); c != nil {
		return c, nil
	}
	path := filepath.Join(dataFolder, StoreFile)
	_, err := os.Stat(path)
	s, err := store.Open(ctx, store.Options{Path: path, Site: site, Existing: !errors.Is(err, fs.ErrNotExist)})
	if err != nil {
		return nil, err
	}
	return &file{Pages(s)}, nil
}

// Arrived tells what was kept of files with this content.
func (k *Kept) Arrived(ctx context.Context, hash string) (wire.Arrival, error) {
	a, err := k.store.Arrived(ctx, hash)
	return wire.Arrival(a), told("", err)
}

// ReadNow takes files with this content off the list of unread ones.
func (k *Kept) ReadNow(ctx context.Context, hash string) error {
	return k.store.ReadNow(ctx, hash)
}

// Take keeps a capture that was read from files.
func (k *Kept) Take(ctx context.Context, c capture.Capture, chunks []capture.Chunk) (capture.Capture, error) {
	if err := wire.CheckTaken(c); err != nil {
		return c, err
	}
	d, err := k.store.Draft(ctx, c)
	if errors.Is(err, store.ErrKept) {
		return c, wire.Say(wire.ErrKept, string(c.ID)+" is kept already")
	}
	if err != nil {
		return c, err
	}
	c.ID = d.Opening().ID
	kept, err := d.Keep(ctx, c, chunks...)
	if err != nil && len(d.Have()) == 0 {
		_ = d.Drop(ctx) // only a place in memory was taken
	}
	return kept, err
}

func (c *client) Arrived(ctx context.Context, hash string) (out wire.Arrival, err error) {
	err = c.get(ctx, "", &out, nil, "arrivals", hash)
	return out, err
}

func (c *client) ReadNow(ctx context.Context, hash string) error {
	answer, err := c.do(ctx, http.MethodPost, "", nil, "arrivals", hash, "read")
	if err == nil {
		err = answer.Body.Close()
	}
	return err
}

func (c *client) Take(ctx context.Context, one capture.Capture, chunks []capture.Chunk) (out capture.Capture, err error) {
	head, size, err := wire.TakeBody(one, chunks)
	if err != nil {
		return out, err
	}
	all := []io.Reader{bytes.NewReader(head)}
	for _, chunk := range chunks {
		all = append(all, bytes.NewReader(chunk.Bytes))
	}
	answer, err := c.patient().send(ctx, http.MethodPost, io.MultiReader(all...), size, "", nil, "take")
	if err != nil {
		return out, err
	}
	defer answer.Body.Close()
	return out, c.decode(ctx, answer, &out)
}
