package store

import (
	"cmp"
	"context"
	"io"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"
)

// backupSuffix begins what is behind the store's name in the names of copies
// that are being handed out.
const backupSuffix = ".backup-"

// Backup makes a copy of the store at path, as it is at one moment near the
// end, while the store stays usable; writes wait for a moment. What is at path
// already is left alone: then the error is os.ErrExist. progress may be nil;
// it is told of bytes.
func (s *Store) Backup(ctx context.Context, path string, progress func(done, total int64)) (pause time.Duration, err error) {
	if _, err := os.Lstat(path); err == nil {
		return 0, s.explain("back the store up", &os.PathError{Op: "make", Path: path, Err: os.ErrExist})
	}
	done, err := s.alone(ctx)
	if err != nil {
		return 0, err
	}
	defer done()
	pause, err = s.copyOut(ctx, path, progress)
	return pause, s.explain("back the store up", err)
}

// copyOut makes a closed, synced copy at path.
func (s *Store) copyOut(ctx context.Context, path string, progress func(done, total int64)) (pause time.Duration, err error) {
	var c *copier
	pause, err = s.copyAll(ctx, path, progress, func(made *copier) error { c = made; return nil })
	if err != nil {
		return pause, err
	}
	err = cmp.Or(c.seal(), guard(c.db.Close))
	if err == nil {
		err = syncDir(filepath.Dir(path))
	}
	if err != nil {
		_ = os.Remove(path)
	}
	return pause, err
}

// BackupTo sends a copy of the store to w. It is made beside the store first,
// so that a slow reader holds nothing up. begin is told its size before the
// first byte.
func (s *Store) BackupTo(ctx context.Context, w io.Writer, begin func(size int64)) (err error) {
	const op = "back the store up"
	if s.opt.ReadOnly { // nobody writes, so nobody waits for a long transaction
		return s.view(ctx, func(tx *bolt.Tx) error {
			begin(tx.Size())
			_, err := tx.WriteTo(w)
			return err
		})
	}
	f, err := os.CreateTemp(filepath.Dir(s.opt.Path), filepath.Base(s.opt.Path)+backupSuffix+"*") // made with mode 0600
	if err != nil {
		return s.explain(op, err)
	}
	path := f.Name()
	defer func() { _ = os.Remove(path) }()
	if err := cmp.Or(f.Close(), os.Remove(path)); err != nil {
		return s.explain(op, err)
	}
	if _, err := s.Backup(ctx, path, nil); err != nil {
		return err
	}
	if f, err = os.Open(path); err != nil {
		return s.explain(op, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return s.explain(op, err)
	}
	begin(info.Size())
	_, err = io.Copy(w, f)
	return err
}
