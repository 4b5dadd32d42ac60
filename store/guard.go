package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime/debug"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"faultkeep/store/capture"
)

// guard runs fn and turns a panic into an error. The file is memory-mapped:
// where it was cut short or holds nonsense, reading it faults or makes bbolt panic.
func guard(fn func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if r := recover(); r != nil {
			err = &panicked{what: r, stack: debug.Stack()}
		}
	}()
	return fn()
}

type panicked struct {
	what  any
	stack []byte
}

func (p *panicked) Error() string {
	return fmt.Sprintf("damaged: reading the file failed (%v)", p.what)
}
func (p *panicked) Unwrap() error { return ErrDamaged }

// view runs fn in a short read transaction. Nothing that fn reads from tx may
// be used after it.
func (s *Store) view(ctx context.Context, fn func(*bolt.Tx) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := s.ensure(); err != nil {
		return err
	}
	s.tellDamage()
	return s.look(ctx, fn)
}

// look is view for who holds writing: it tells nobody of a file that was set aside.
func (s *Store) look(ctx context.Context, fn func(*bolt.Tx) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		return ErrClosed
	}
	err := guard(func() error { return s.db.View(fn) })
	s.report(err)
	return err
}

func (s *Store) report(err error) {
	if p, ok := err.(*panicked); ok {
		s.log.Error("the store's file is damaged", "path", s.opt.Path, "what", p.what, "stack", string(p.stack))
	}
}

// update runs fn in a write transaction and commits it. nil means durable; an
// error means that nothing of it was written. fn may run only once.
//
// An error of the commit itself means neither: the file is opened again, and
// what is in it decides. It is also opened again when reading it failed on the
// way, which sets a damaged file aside.
func (s *Store) update(op string, fn func(*bolt.Tx) error) error {
	defer s.tellDamage()
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.ensure(); err != nil {
		return err
	}
	id, committing, err := s.try(fn)
	if err == nil {
		s.topUp()
		return nil
	}
	if Full(err) {
		s.pinch()
	}
	s.report(err)
	if _, died := err.(*panicked); committing || died {
		written, serr := s.settle(id)
		switch {
		case serr != nil:
			return s.explain(op, fmt.Errorf("%w; then the file couldn't be opened again: %w", err, serr))
		case written:
			s.log.Warn("a commit failed but its data is there; it was synced again", "op", op, "err", err)
			return nil
		}
	}
	return s.explain(op, err)
}

// try runs one write transaction. committing tells that fn was through.
func (s *Store) try(fn func(*bolt.Tx) error) (id int, committing bool, err error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		return 0, false, ErrClosed
	}
	var tx *bolt.Tx
	err = guard(func() (err error) { tx, err = s.db.Begin(true); return err })
	if err != nil {
		if _, ok := err.(*panicked); ok {
			s.poisoned = true
		}
		return 0, false, err
	}
	id = tx.ID()
	if err := guard(func() error { return fn(tx) }); err != nil {
		if rerr := guard(tx.Rollback); rerr != nil {
			s.poisoned, err = true, rerr
		}
		return id, false, err
	}
	err = guard(func() error { return s.commit(tx) })
	if _, ok := err.(*panicked); ok {
		// It died holding bbolt's locks, unless it can still be rolled back.
		if rerr := guard(tx.Rollback); rerr != nil && !errors.Is(rerr, berrors.ErrTxClosed) {
			s.poisoned = true
		}
	}
	return id, true, err
}

// settle opens the file again after a failed commit and tells whether
// transaction id is in it. If so, it has been made durable.
func (s *Store) settle(id int) (written bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	epoch := s.epoch
	if err := s.release(); err != nil {
		s.log.Warn("closing the store failed", "err", err)
	}
	if err := s.open(); err != nil {
		return false, err
	}
	if s.epoch != epoch {
		return false, nil
	}
	last := 0
	if err := guard(func() error {
		return s.db.View(func(tx *bolt.Tx) error { last = tx.ID(); return nil })
	}); err != nil {
		return false, err
	}
	if last < id {
		return false, nil
	}
	return true, s.syncAgain()
}

// syncAgain writes every page again as it reads and syncs. When a sync fails,
// the kernel may drop its pages and yet mark them clean, so that a second
// sync alone would promise what isn't on the disk.
func (s *Store) syncAgain() error {
	f, err := os.OpenFile(s.opt.Path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	buf := make([]byte, 1<<20)
	for at := int64(0); at < info.Size(); {
		n, err := f.ReadAt(buf[:min(int64(len(buf)), info.Size()-at)], at)
		if n == 0 {
			return err
		}
		if _, err := f.WriteAt(buf[:n], at); err != nil {
			return err
		}
		at += int64(n)
	}
	return f.Sync()
}

// ensure opens the file again where that failed after a failed commit.
func (s *Store) ensure() error {
	s.mu.RLock()
	ready, closed := s.db != nil, s.closed
	s.mu.RUnlock()
	if closed {
		return ErrClosed
	}
	if ready {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.db != nil || s.closed {
		return nil
	}
	return s.open()
}

// touch notes that a capture or draft is being changed, for a copy that is
// being made. It is called inside update.
func (s *Store) touch(id capture.ID) {
	if s.touched != nil {
		s.touched[id] = true
	}
}
