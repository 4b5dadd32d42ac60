package store

import bolt "go.etcd.io/bbolt"

// PoisonLocked makes the store take its file for held by a dead transaction.
// It is to be called inside a commit.
func PoisonLocked(s *Store) { s.poisoned = true }

// SetCommit puts commit between a write and the file.
func SetCommit(s *Store, commit func(*bolt.Tx) error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	if commit == nil {
		commit = (*bolt.Tx).Commit
	}
	s.commit = commit
}
