// Package archive is how a command sees what faultkeep has kept: through the
// running daemon, which alone can hold the store's file, or, when none runs,
// straight from that file. Nobody who uses an Archive can tell which it was.
package archive

import (
	"context"
	"fmt"
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
	wire.Analyst
	wire.Marker
	wire.Stander
	wire.Briefs
	wire.Telling
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
	Brief     = wire.Brief
)

// Errors that callers tell apart with errors.Is.
var (
	ErrNotFound = wire.ErrNotFound
	ErrDamaged  = wire.ErrDamaged
)

// Open opens what the data folder holds: through the daemon that runs on it,
// or else from the store's file, read-only.
func Open(ctx context.Context, dataFolder string) (Archive, error) {
	if c := running(ctx, dataFolder); c != nil {
		return c, nil
	}
	s, err := store.Open(ctx, store.Options{Path: filepath.Join(dataFolder, StoreFile), ReadOnly: true})
	if err != nil {
		return nil, err
	}
	return &file{Pages(s)}, nil
}

// Care is how the store's file is taken care of.
type Care interface {
	wire.Maintainer
	Close() error
}

// Compacted is what a compaction came to.
type Compacted = wire.Compacted

// ToBackUp opens what the data folder holds to be copied: through the daemon
// that runs on it, or else from the store's file, read-only.
func ToBackUp(ctx context.Context, dataFolder string) (Care, error) {
	a, err := Open(ctx, dataFolder)
	if err != nil {
		return nil, err
	}
	return a.(Care), nil
}

// ToCompact opens the store to be compacted: through the daemon, or its file.
func ToCompact(ctx context.Context, dataFolder string) (Care, error) {
	return change[Care](ctx, dataFolder)
}

// change opens what the data folder holds so that it can be changed.
func change[T any](ctx context.Context, dataFolder string) (none T, err error) {
	if c := running(ctx, dataFolder); c != nil {
		return any(c).(T), nil
	}
	s, err := store.Open(ctx, store.Options{Path: filepath.Join(dataFolder, StoreFile), Existing: true})
	if err != nil {
		return none, err
	}
	return any(&file{Pages(s)}).(T), nil
}

// Marks is where captures are found and marked.
type Marks interface {
	wire.Captures
	wire.Marker
	Close() error
}

// Marking is a change of marks.
type Marking = wire.Marking

// ToMark opens the store so that captures can be marked: through the daemon, or its file.
func ToMark(ctx context.Context, dataFolder string) (Marks, error) {
	return change[Marks](ctx, dataFolder)
}

// running is a client of the daemon that runs on the data folder, or nil.
func running(ctx context.Context, dataFolder string) *client {
	if e, err := ReadEndpointFile(dataFolder); err == nil {
		return dial(ctx, e)
	}
	return nil
}

// Inspect verifies a store's file or a backup that nobody writes to.
func Inspect(ctx context.Context, path string, progress func(done, total int)) (Report, error) {
	s, err := store.Open(ctx, store.Options{Path: path, ReadOnly: true})
	if err != nil {
		return Report{}, err
	}
	defer s.Close()
	return Pages(s).Verify(ctx, progress)
}

// Restored is what a restore did.
type Restored = store.Restored

// Restore puts a backup in the place of the data folder's store; see
// store.Restore. It refuses while a daemon runs on the folder.
func Restore(ctx context.Context, backup, dataFolder string, force bool, progress func(step string, done, total int64)) (Restored, error) {
	if c := running(ctx, dataFolder); c != nil {
		at := c.base
		_ = c.Close()
		return Restored{}, fmt.Errorf("faultkeep is running on %s (its page is at %s). Stop it first, or restore into another folder with --data", dataFolder, at)
	}
	return store.Restore(ctx, backup, filepath.Join(dataFolder, StoreFile), force, progress)
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
