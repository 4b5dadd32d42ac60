package store

import (
	"runtime"
	"time"

	bolt "go.etcd.io/bbolt"
)

const (
	reserveLow  = 3 << 20
	reserveHigh = 4 << 20
	reserveStep = 256 << 10 // what is written while another write may have to wait
)

// reserve takes room for the next recordings in advance, by writing zeros
// behind the used part of the file: so a volume that others fill doesn't cost
// the next recording, and a commit needn't wait for the file system to find
// and journal new blocks. Failing is no harm: bbolt then grows the file itself.
func (s *Store) reserve() {
	for s.reserveSome() {
		time.Sleep(time.Millisecond) // let waiting writes go first
	}
}

// room is the file's size, and how much of it lies behind the used part. The
// caller holds writing or mu.
func (s *Store) room() (size, ahead int64, ok bool) {
	if s.db == nil || s.poisoned {
		return 0, 0, false
	}
	info, err := s.file.Stat()
	if err != nil {
		return 0, 0, false
	}
	err = guard(func() error {
		return s.db.View(func(tx *bolt.Tx) error { ahead = info.Size() - tx.Size(); return nil })
	})
	return info.Size(), ahead, err == nil
}

// reserveSome writes one step and tells whether more is wanted.
func (s *Store) reserveSome() (more bool) {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.RLock()
	defer s.mu.RUnlock()
	size, ahead, ok := s.room()
	want := reserveHigh - ahead
	if !ok || want <= 0 {
		return false
	}
	n, err := s.file.WriteAt(make([]byte, min(want, reserveStep)), size)
	if err == nil {
		err = s.file.Sync()
	}
	if err != nil {
		s.log.Debug("room for the next recordings couldn't be reserved", "err", err)
		return false
	}
	return want > int64(n)
}

// topUp begins reserving in the background where it is due. Windows grows the
// file with its memory map.
func (s *Store) topUp() {
	if s.opt.ReadOnly || runtime.GOOS == "windows" {
		return
	}
	s.mu.RLock()
	_, ahead, ok := s.room()
	s.mu.RUnlock()
	if !ok || ahead >= reserveLow || !s.reserving.CompareAndSwap(false, true) {
		return
	}
	s.background.Go(func() {
		defer s.reserving.Store(false)
		s.reserve()
	})
}
