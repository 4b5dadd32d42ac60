package store_test

import (
	"bytes"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/storetest"
)

// A value that strayed to another key, and a chunk that is no more.
func TestVerifyFindsWhatStrayed(t *testing.T) {
	for name, x := range map[string]struct {
		change func(*bolt.Tx) error
		says   string
	}{
		"strayed": {func(tx *bolt.Tx) error {
			b := tx.Bucket([]byte("ledger"))
			k, v := b.Cursor().First()
			return b.Put(append(bytes.Clone(k), 'x'), bytes.Clone(v))
		}, "An entry of the ledger is damaged"},
		"missing": {func(tx *bolt.Tx) error {
			chunks := tx.Bucket([]byte("chunks"))
			k, _ := chunks.Cursor().First()
			b := chunks.Bucket(k)
			k, _ = b.Cursor().Last()
			return b.Delete(k)
		}, "are there, 0–3999 were kept"},
		"nobody's": {func(tx *bolt.Tx) error {
			return tx.Bucket([]byte("index")).Delete([]byte(first(tx)))
		}, "are there without a capture or draft"},
		"other index": {func(tx *bolt.Tx) error {
			return tx.Bucket([]byte("index")).Put([]byte(first(tx)), []byte("0123456789012345678901234567890"))
		}, "is intact, but its index entry isn't"},
	} {
		path, _ := filled(t)
		db := storetest.Raw(t, path)
		if err := db.Update(x.change); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		report, err := storetest.Verify(path)
		if err != nil || len(report.Problems) != 1 || !strings.Contains(report.Problems[0].Text, x.says) {
			t.Errorf("%s: %s (%v)", name, report, err)
		}
	}
}

func first(tx *bolt.Tx) string {
	k, _ := tx.Bucket([]byte("index")).Cursor().First()
	return string(k)
}

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
