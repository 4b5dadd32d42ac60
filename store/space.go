package store

import (
	bolt "go.etcd.io/bbolt"
)

// space is how the file's bytes are used.
type space struct {
	size int64 // of the file
	high int64 // up to here pages were ever used
	used int64 // pages in use
}

// inside is what new recordings find in the file without its growing: free
// pages, and the room taken in advance.
func (s space) inside() int64 { return s.size - s.used }

// free are the pages that were used once and aren't now.
func (s space) free() int64 { return s.high - s.used }

func (s *Store) space() (out space, err error) {
	if err := s.ensure(); err != nil {
		return out, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		return out, ErrClosed
	}
	err = guard(func() error {
		return s.db.View(func(tx *bolt.Tx) error {
			info, err := s.file.Stat()
			if err != nil {
				return err
			}
			free, err := s.freePages(info.Size())
			page := int64(s.db.Info().PageSize)
			out = space{size: info.Size(), high: tx.Size(), used: tx.Size() - free*page}
			return err
		})
	})
	s.report(err)
	return out, err
}

// freePages are those that nothing uses. bbolt counts them only in a file that
// it may write.
func (s *Store) freePages(size int64) (int64, error) {
	if !s.opt.ReadOnly {
		st := s.db.Stats()
		return int64(st.FreePageN + st.PendingPageN), nil
	}
	w, err := walkFile(s.file, size)
	if err != nil {
		return 0, err
	}
	w.report = func(e error) {
		if err == nil {
			err = e
		}
	}
	w.freelist()
	return w.freeCount(), err
}
