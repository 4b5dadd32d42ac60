package store

import (
	"context"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Stats are a few numbers about the store.
type Stats struct {
	Path     string     `json:"path"`
	Size     int64      `json:"size"` // of the file, in bytes, without the room taken in advance
	Used     int64      `json:"used"` // of it in use
	Captures int        `json:"captures"`
	Drafts   int        `json:"drafts"`
	Ledger   int        `json:"ledger"` // entries
	Misses   int        `json:"misses"`
	Oldest   capture.ID `json:"oldest,omitempty"`
	Newest   capture.ID `json:"newest,omitempty"`
}

// Stats counts what is in the store.
func (s *Store) Stats(ctx context.Context) (Stats, error) {
	out := Stats{Path: s.opt.Path}
	space, err := s.space()
	if err != nil {
		return out, err
	}
	out.Used = space.used
	err = s.view(ctx, func(tx *bolt.Tx) error {
		out.Size = tx.Size()
		out.Captures = tx.Bucket(bIndex).Stats().KeyN
		out.Drafts = tx.Bucket(bDrafts).Stats().KeyN
		out.Ledger = tx.Bucket(bLedger).Stats().KeyN
		out.Misses = tx.Bucket(bMisses).Stats().KeyN
		c := tx.Bucket(bIndex).Cursor()
		first, _ := c.First()
		last, _ := c.Last()
		out.Oldest, out.Newest = capture.ID(first), capture.ID(last)
		return nil
	})
	return out, err
}
