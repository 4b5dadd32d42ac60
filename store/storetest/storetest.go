// Package storetest opens stores for tests and checks them when the test ends,
// makes recordings to keep, and damages files.
package storetest

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
)

// Option changes how New opens a store.
type Option func(*store.Options)

// At sets the store's file; by default it lies in t.TempDir.
func At(path string) Option { return func(o *store.Options) { o.Path = path } }

// Now sets the store's clock.
func Now(now func() time.Time) Option { return func(o *store.Options) { o.Now = now } }

// To announces every alert to the sinks.
func To(sinks ...string) Option {
	return func(o *store.Options) {
		o.Announce = func(capture.Alert) []capture.Delivery { return capture.To(sinks...) }
	}
}

// New opens a store. When the test ends the store is closed, and the test
// fails unless everything in its file verifies, by faultkeep's own Verify and
// by bbolt's check.
func New(t testing.TB, opts ...Option) *store.Store {
	t.Helper()
	o := store.Options{Path: filepath.Join(t.TempDir(), "faultkeep.db"), Site: "Northquay"}
	for _, opt := range opts {
		opt(&o)
	}
	s, err := store.Open(context.Background(), o)
	if err != nil {
		t.Fatalf("open the store: %v", err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close the store: %v", err)
		}
		Check(t, o.Path)
	})
	return s
}

// Check verifies the closed store at path and fails the test if anything in it is damaged.
func Check(t testing.TB, path string) {
	t.Helper()
	report, err := Verify(path)
	if err != nil {
		t.Errorf("verify %s: %v", path, err)
	} else if !report.OK() {
		t.Errorf("%s doesn't verify:\n%s", path, report)
	}
}

// Verify is the report on the closed store at path.
func Verify(path string) (store.Report, error) {
	ctx := context.Background()
	s, err := store.Open(ctx, store.Options{Path: path, ReadOnly: true})
	if err != nil {
		return store.Report{}, err
	}
	defer s.Close()
	return s.Verify(ctx, nil)
}

// Raw opens the closed store at path as the plain bbolt file that it is, for
// tests that put wrong things into it or look from outside.
func Raw(t testing.TB, path string) *bolt.DB {
	t.Helper()
	db, err := bolt.Open(path, 0o600, &bolt.Options{Timeout: 2 * time.Second, FreelistType: bolt.FreelistMapType})
	if err != nil {
		t.Fatalf("open %s: %v", path, err)
	}
	return db
}

// Flip inverts one byte of a file.
func Flip(t testing.TB, path string, at int64) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var b [1]byte
	if _, err := f.ReadAt(b[:], at); err != nil {
		t.Fatal(err)
	}
	b[0] ^= 0xff
	if _, err := f.WriteAt(b[:], at); err != nil {
		t.Fatal(err)
	}
}

// Truncate cuts a file to size bytes.
func Truncate(t testing.TB, path string, size int64) {
	t.Helper()
	if err := os.Truncate(path, size); err != nil {
		t.Fatal(err)
	}
}
