package folder_test

import (
	"context"
	"crypto/sha256"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/folder"
	"faultkeep/sources/sourcetest"
	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/formattest"
)

// keeper is a Keeper with a Memory, which outlives runs of a watch.
type keeper struct {
	*sourcetest.Keeper
	mu    sync.Mutex
	files map[string]map[string]string
}

func newKeeper() *keeper {
	return &keeper{Keeper: &sourcetest.Keeper{}, files: map[string]map[string]string{}}
}

func (k *keeper) Arrived(_ context.Context, hash string) (folder.Arrival, error) {
	a := folder.Arrival{IDs: map[int]capture.ID{}}
	for _, c := range slices.Concat(k.Unread(), k.Kept()) {
		if h, n, of, ok := capture.ParseContentIdentity(c.Provenance.Identity); ok && h == hash {
			a.IDs[n], a.Of, a.Unread = c.ID, of, c.Origin == capture.Unread
		}
	}
	return a, nil
}

func (k *keeper) Files(_ context.Context, name string) (map[string]string, bool, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	f, begun := k.files[name]
	return maps.Clone(f), begun, nil
}

func (k *keeper) Remember(_ context.Context, name string, stamps map[string]string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.files[name] == nil {
		k.files[name] = map[string]string{}
	}
	for p, s := range stamps {
		if s == "" {
			delete(k.files[name], p)
		} else {
			k.files[name][p] = s
		}
	}
	return nil
}

// rig is a folder under watch, in virtual time.
type rig struct {
	*testing.T
	path string
	k    *keeper
	o    folder.Options
	f    *folder.Folder
	stop func()
}

// inTime runs a test in virtual time with a folder that isn't watched yet.
func inTime(t *testing.T, test func(*rig)) {
	t.Helper()
	path := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(night.AddDate(0, 0, 7)))
		r := newRig(t, path)
		defer r.end()
		test(r)
		r.end()
		for _, fault := range r.k.Faults() {
			t.Errorf("breach of the contract: %s", fault)
		}
		if n := r.k.Opened(); n > 0 {
			t.Errorf("%d drafts stay open", n)
		}
	})
}

func newRig(t *testing.T, path string) *rig {
	return &rig{T: t, path: path, k: newKeeper(), o: folder.Options{
		Config:   folder.Config{Name: "exports", Title: "Exports", Path: path, Drive: "elevator", From: folder.FromAll},
		Decoders: []format.Decoder{formattest.Toy{}},
	}}
}

// watch begins a run.
func (r *rig) watch() {
	r.Helper()
	f, err := folder.New(r.o)
	if err != nil {
		r.Fatal(err)
	}
	r.f = f
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = f.Watch(ctx, r.k) }()
	r.stop = func() { cancel(); <-done; r.stop = nil }
}

func (r *rig) end() {
	if r.stop != nil {
		r.stop()
	}
}

func (r *rig) restart() { r.Helper(); r.end(); r.watch() }

func (r *rig) at(name string) string { return filepath.Join(r.path, name) }

func (r *rig) write(name string, b []byte) {
	r.Helper()
	if err := os.MkdirAll(filepath.Dir(r.at(name)), 0o750); err != nil {
		r.Fatal(err)
	}
	if err := os.WriteFile(r.at(name), b, 0o600); err != nil {
		r.Fatal(err)
	}
}

func (r *rig) there(name string) bool { _, err := os.Stat(r.at(name)); return err == nil }

func (r *rig) must(err error) {
	r.Helper()
	if err != nil {
		r.Fatal(err)
	}
}

// wantKept waits for as long as files need to settle, and counts what is kept.
func (r *rig) wantKept(n int) []sourcetest.Kept {
	r.Helper()
	time.Sleep(folder.DefaultScan + 3*folder.DefaultSettle)
	return r.haveKept(n)
}

func (r *rig) haveKept(n int) []sourcetest.Kept {
	r.Helper()
	kept := r.k.Kept()
	if len(kept) != n {
		var ids []string
		for _, c := range kept {
			ids = append(ids, string(c.ID)+" of "+c.Provenance.Address)
		}
		r.Fatalf("%d captures, want %d:\n%s\nunread: %d\nseen: %v", len(kept), n, strings.Join(ids, "\n"), len(r.k.Unread()), r.k.Seen())
	}
	return kept
}

var night = time.Date(2026, 11, 25, 3, 12, 7, 0, time.UTC)

// rec is recording number n: each has other samples.
func rec(n int) formattest.Recording {
	r := formattest.Recording{Trigger: 20, Time: night.Add(time.Duration(n) * time.Minute)}
	for i := range 50 {
		r.Samples = append(r.Samples, float64(n)+float64(i)/10)
	}
	return r
}

func file(n int) []byte { return formattest.Write(rec(n)) }

// samples decodes a kept capture.
func samples(t *testing.T, c sourcetest.Kept) []float64 {
	t.Helper()
	s, err := c.Encoding.Decode(c.Data, c.Integrity.Have)
	if err != nil {
		t.Fatal(err)
	}
	return s[0]
}

func sameSamples(t *testing.T, c sourcetest.Kept, n int) {
	t.Helper()
	for i, v := range samples(t, c) {
		if math.Abs(v-rec(n).Samples[i]) > 0 {
			t.Fatalf("%s: sample %d is %v, the file says %v", c.ID, i, v, rec(n).Samples[i])
		}
	}
}

// disk makes parts of the file system fail.
type disk struct {
	folder.Disk
	look func(root string) error
	read func(name string) error
	take func(name string) error
}

func (d disk) Look(root string, sub bool) (folder.Listing, error) {
	if d.look != nil {
		if err := d.look(root); err != nil {
			return folder.Listing{}, err
		}
	}
	return d.Disk.Look(root, sub)
}

func (d disk) Read(root, name string, limit int64) ([]byte, folder.Entry, error) {
	if d.read != nil {
		if err := d.read(name); err != nil {
			return nil, folder.Entry{}, err
		}
	}
	return d.Disk.Read(root, name, limit)
}

func (d disk) Release(root, name string, sum [32]byte, to string) error {
	if d.take != nil {
		if err := d.take(name); err != nil {
			return err
		}
	}
	return d.Disk.Release(root, name, sum, to)
}

var _ interface {
	sources.Keeper
	folder.Memory
} = (*keeper)(nil)

func sum(b []byte) [32]byte { return sha256.Sum256(b) }
