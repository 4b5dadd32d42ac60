// Package archive is how a command sees what faultkeep has kept: through the
// running daemon, which alone can hold the store's file, or, when none runs,
// straight from that file. Nobody who uses an Archive can tell which it was.
package archive

import (
	"context"
	"path/filepath"

	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// StoreFile is the store's file in the data folder.
const StoreFile = "faultkeep.db"

// Archive reads what was kept, newest first. Captures, misses and ledger
// entries are narrowed by a Query; errors are ErrNotFound, *Ambiguous or
// ErrDamaged where they are one of these.
type Archive interface {
	wire.Captures
	wire.Ledger
	wire.Verifier
	// Samples are a capture's channels, decoded; NaN where a sample is missing.
	Samples(ctx context.Context, id capture.ID) (capture.Capture, []capture.Series, error)
	Close() error
}

// What an Archive is asked and how it answers.
type (
	Query     = wire.Query
	Entry     = wire.Entry
	Report    = wire.Report
	Damage    = wire.Damage
	Ambiguous = wire.Ambiguous
)

// Errors that callers tell apart with errors.Is.
var (
	ErrNotFound = wire.ErrNotFound
	ErrDamaged  = wire.ErrDamaged
)

// Open opens what the data folder holds: through the daemon that runs on it,
// or else from the store's file, read-only.
func Open(ctx context.Context, dataFolder string) (Archive, error) {
	if e, err := ReadEndpointFile(dataFolder); err == nil {
		if c := dial(ctx, e); c != nil {
			return c, nil
		}
	}
	s, err := store.Open(ctx, store.Options{Path: filepath.Join(dataFolder, StoreFile), ReadOnly: true})
	if err != nil {
		return nil, err
	}
	return &file{Pages(s)}, nil
}

// samples decodes a capture from its original bytes, the same way from either side.
func samples(ctx context.Context, from wire.Captures, id capture.ID) (capture.Capture, []capture.Series, error) {
	c, err := from.Find(ctx, string(id))
	if err != nil {
		return c, nil, err
	}
	if c.ID != id {
		return c, nil, wire.NotFound(string(id))
	}
	series, err := wire.Samples(ctx, from, c)
	return c, series, err
}
