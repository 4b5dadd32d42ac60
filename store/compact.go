package store

import (
	"cmp"
	"context"
	"errors"
	"os"
	"path/filepath"
	"time"
)

// Compacted is what a compaction came to.
type Compacted struct {
	Before int64         `json:"before"` // size of the file in bytes
	After  int64         `json:"after"`
	Took   time.Duration `json:"took_ns"`
	Pause  time.Duration `json:"pause_ns"` // how long writes had to wait at the end
}

// Compact gives back to the volume what the file doesn't use any more. A
// second file is made beside it while the store stays usable, and takes its
// place in one step; only that makes writes wait, for a moment. However it
// ends, one whole store has the store's name. progress may be nil; it is told
// of bytes.
func (s *Store) Compact(ctx context.Context, progress func(done, total int64)) (out Compacted, err error) {
	const op = "compact the store"
	if s.opt.ReadOnly {
		return out, s.explain(op, errors.New("it is only open for reading"))
	}
	done, err := s.alone(ctx)
	if err != nil {
		return out, err
	}
	defer done()
	begun := time.Now()
	space, err := s.space()
	if err != nil {
		return out, s.explain(op, err)
	}
	out.Before = space.size
	var old func()
	out.Pause, err = s.copyAll(ctx, s.copyPath(), progress, func(c *copier) error {
		if err := c.seal(); err != nil {
			return err
		}
		old, err = s.exchange(c)
		return err
	})
	if old != nil {
		old()
	}
	if err != nil {
		return out, s.explain(op, err)
	}
	if !s.opt.Existing {
		s.topUp()
	}
	if space, err = s.space(); err != nil {
		return out, s.explain(op, err)
	}
	out.After, out.Took = space.size, time.Since(begun)
	s.log.Info("the store was compacted", "before", size(out.Before), "after", size(out.After), "took", out.Took, "pause", out.Pause)
	return out, nil
}

// seal makes the copy durable, and writing to it from now on.
func (c *copier) seal() error {
	if err := guard(c.db.Sync); err != nil {
		return err
	}
	if err := c.file.Sync(); err != nil { // its size too
		return err
	}
	c.db.NoSync, c.db.NoGrowSync = false, false
	return nil
}

// exchange lets the copy take the store's place. The caller holds writing.
// What it returns lets go of the old file, which takes a while.
func (s *Store) exchange(c *copier) (old func(), err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.db == nil || s.closed {
		return nil, ErrClosed
	}
	if s.poisoned {
		return nil, errors.New("a write failed badly; start faultkeep again first")
	}
	if s.reopens() {
		return nil, s.exchangeClosed(c)
	}
	// The copy is held open, and locked, through the renaming: so nobody can
	// come between.
	if err := rename(c.path, s.opt.Path); err != nil {
		return nil, err
	}
	if err := syncDir(filepath.Dir(s.opt.Path)); err != nil {
		// Until the folder is synced a power cut may bring the old file back,
		// without what is written from now on. The next sync most likely does it.
		s.log.Error("the store's folder can't be synced after a compaction", "err", err)
	}
	was := s.db
	s.db, s.file = c.db, c.file
	s.grow()
	c.db = nil
	return func() {
		if err := guard(was.Close); err != nil {
			s.log.Warn("closing the file that was compacted failed", "err", err)
		}
	}, nil
}

// exchangeClosed is exchange for systems on which an open file keeps its name.
func (s *Store) exchangeClosed(c *copier) error {
	err := guard(c.db.Close)
	c.db = nil
	if err != nil {
		_ = os.Remove(c.path)
		return err
	}
	if err := s.release(); err != nil {
		s.log.Warn("closing the file to be compacted failed", "err", err)
	}
	failed := replaceFile(c.path, s.opt.Path)
	if failed != nil {
		_ = os.Remove(c.path)
	}
	return cmp.Or(failed, s.open())
}
