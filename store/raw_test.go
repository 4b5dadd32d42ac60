package store_test

import (
	"testing"

	bolt "go.etcd.io/bbolt"
)

// chunkKeys counts the stored chunks in the plain file.
func chunkKeys(t *testing.T, db *bolt.DB) (n int) {
	t.Helper()
	err := db.View(func(tx *bolt.Tx) error {
		chunks := tx.Bucket([]byte("chunks"))
		return chunks.ForEachBucket(func(k []byte) error {
			return chunks.Bucket(k).ForEach(func(k, _ []byte) error {
				if len(k) > 1 {
					n++
				}
				return nil
			})
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}
