package store

import (
	"log/slog"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// LoseDraft removes a draft from the file behind its handle's back.
func LoseDraft(d *Draft) error {
	return d.s.update("lose a draft", func(tx *bolt.Tx) error {
		if err := removeChunks(tx, d.opening.ID); err != nil {
			return err
		}
		return tx.Bucket(bDrafts).Delete([]byte(d.opening.ID))
	})
}

// PoisonLocked makes the store take its file for held by a dead transaction.
// It is to be called inside a commit.
func PoisonLocked(s *Store) { s.poisoned = true }

// SetCommit puts commit between a write and the file.
func SetCommit(s *Store, commit func(*bolt.Tx) error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	SetCommitLocked(s, commit)
}

// SetCommitLocked is SetCommit inside a commit.
func SetCommitLocked(s *Store, commit func(*bolt.Tx) error) {
	if commit == nil {
		commit = (*bolt.Tx).Commit
	}
	s.commit = commit
}

// Migrate opens the file at path, whose layout no version ever had, and brings
// it from schema to schema by steps.
func Migrate(path string, to int, do map[int]func(*bolt.Tx) error) error {
	db, err := bolt.Open(path, 0o600, nil)
	if err != nil {
		return err
	}
	defer db.Close()
	s := &Store{opt: Options{Path: path}, log: slog.New(slog.DiscardHandler), db: db}
	var steps []step
	for from, fn := range do {
		steps = append(steps, step{from, fn})
	}
	return s.migrate(steps, to)
}

// RenameClosed makes Compact rename files only when they are closed, as on Windows.
func RenameClosed(s *Store) { s.closedRename = true }

// DropCapture drops a capture as retention does.
func DropCapture(s *Store, id capture.ID) error {
	return s.update("drop", func(tx *bolt.Tx) error {
		_, err := s.dropCapture(tx, id)
		return err
	})
}

// NoSync turns off everything that makes writes durable.
func NoSync(s *Store) {
	for !s.reserving.CompareAndSwap(false, true) { // its syncs would do it too
		time.Sleep(time.Millisecond)
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	s.db.NoSync, s.db.NoGrowSync = true, true
}

// SetMostWaiting bounds the outbox of a sink.
func SetMostWaiting(s *Store, n int) { s.mostWaiting = n }
