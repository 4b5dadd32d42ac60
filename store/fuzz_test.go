package store

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Keys and small values as they might be read back from a damaged file.
func FuzzStoredKeysAndValues(f *testing.F) {
	f.Add(batchKey("20261125-031207-elevator-k3fq", 7))
	f.Add(chunkKey("data", 1<<20))
	f.Add(summary{Seq: 3, Trigger: time.Unix(1, 2), Code: 0x2311, Whole: true, Shown: "2311", Drive: "elevator"}.pack())
	f.Add(sealBytes([]byte("k"), []byte(`{"at":"2026-11-25T03:12:07Z","drives":["elevator"]}`)))
	f.Add([]byte("1234 2026-11-25T03:12:07Z faultkeep"))
	f.Add([]byte("1: FLOCK  ADVISORY  WRITE 1234 08:01:131 0 EOF\n2: -> FLOCK  ADVISORY  WRITE 99 08:01:131 0 EOF"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if id, batch, err := parseBatchKey(b); err == nil && !bytes.Equal(batchKey(id, batch), b) {
			t.Errorf("batch %q %d is another key", id, batch)
		}
		if part, at, err := parseChunkKey(b); err == nil && (at < 0 || !bytes.Equal(chunkKey(part, at), b)) {
			t.Errorf("chunk %q %d is another key", part, at)
		}
		if sm, err := parseSummary(b); err == nil && !bytes.Equal(sm.pack(), b) {
			t.Errorf("summary %+v is another value", sm)
		}
		var c capture.Capture
		_ = unseal([]byte("k"), b, &c)
		if err := unseal([]byte("k"), sealBytes([]byte("k"), b), &c); err == nil {
			_ = c.Wholeness()
			_ = sentence(c)
		}
		if err := unseal([]byte("another"), sealBytes([]byte("k"), b), &c); err == nil {
			t.Error("a value that strayed to another key is taken for its own")
		}
		if o := parseOwner(string(b)); o.PID < 0 {
			t.Errorf("owner %+v", o)
		}
		if pid, ok := parseLocks(bytes.NewReader(b), 131); ok && pid <= 0 {
			t.Errorf("process %d", pid)
		}
	})
}

// A page that is in use and listed as free would be written over.
func TestWalkFindsAUsedPageListedFree(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.db")
	db, err := bolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	for range 3 { // the first commits free the pages that a new file begins with
		if err := db.Update(func(tx *bolt.Tx) error { _, err := tx.CreateBucketIfNotExists([]byte("b")); return err }); err != nil {
			t.Fatal(err)
		}
	}
	db.Close()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	m, err := newestMeta(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	free := b[int64(m.freelist)*m.pageSize:]
	if native.Uint16(free[10:]) == 0 {
		t.Fatal("no page is free")
	}
	native.PutUint64(free[pageHeader:], m.root)
	w, err := walkFile(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	found := ""
	w.full(func(err error) { found += err.Error() })
	if !strings.Contains(found, "in use and listed as free") {
		t.Errorf("found %q", found)
	}
}

// Whole files, however damaged, are walked without a fault; and what bbolt's
// own check finds wrong, the walk finds wrong as well.
func FuzzPages(f *testing.F) {
	dir := f.TempDir()
	path := filepath.Join(dir, "seed.db")
	db, err := bolt.Open(path, 0o600, &bolt.Options{FreelistType: bolt.FreelistMapType, PageSize: 1024})
	if err != nil {
		f.Fatal(err)
	}
	for round := range 3 {
		err = db.Update(func(tx *bolt.Tx) error {
			b, err := tx.CreateBucketIfNotExists([]byte("chunks"))
			for n := byte(0); n < 40 && err == nil; n++ {
				err = b.Put([]byte{n, byte(round)}, bytes.Repeat([]byte{n}, 40))
			}
			if err == nil {
				b, err = b.CreateBucketIfNotExists([]byte("inline"))
			}
			if err == nil {
				err = b.Put([]byte("k"), []byte("v"))
			}
			return err
		})
		if err != nil {
			f.Fatal(err)
		}
	}
	db.Close()
	seed, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(0, byte(0), 0, byte(0))
	f.Add(2048, byte(1), 4096, byte(7))
	f.Fuzz(func(t *testing.T, at int, x byte, at2 int, y byte) {
		b := bytes.Clone(seed)
		for _, c := range []struct {
			at int
			x  byte
		}{{at, x}, {at2, y}} {
			if c.at >= 0 && c.at < len(b) {
				b[c.at] ^= c.x
			}
		}
		found := 0
		w, err := walkFile(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			return
		}
		w.full(func(error) { found++ })
		if found > 0 {
			return
		}
		path := filepath.Join(t.TempDir(), "x.db")
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		err = guard(func() error {
			db, err := bolt.Open(path, 0o600, &bolt.Options{ReadOnly: true, Timeout: time.Second})
			if err != nil {
				return err
			}
			defer db.Close()
			return db.View(func(tx *bolt.Tx) error {
				for err := range tx.Check() {
					t.Errorf("the walk missed: %v", err)
				}
				return nil
			})
		})
		if err != nil {
			t.Errorf("the walk found nothing and bbolt says %v", err)
		}
	})
}
