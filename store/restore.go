package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	berrors "go.etcd.io/bbolt/errors"
)

// KindRestored is the ledger's line about a store that was restored from a backup.
const KindRestored = "restored"

// ErrThere is returned by Restore where there is a store already.
var ErrThere = errors.New("there is a store already")

// Restored is what Restore did.
type Restored struct {
	Captures int    `json:"captures"`
	Drafts   int    `json:"drafts"`
	Bytes    int64  `json:"bytes"`              // original bytes whose checksums were recomputed
	Replaced string `json:"replaced,omitempty"` // where the store is now that had the name before
}

// Steps of Restore, as its progress is told of them.
const (
	RestoreCheck = "backup looked at"
	RestoreCopy  = "copied"
	RestoreAgain = "copy looked at"
)

// Restore puts a backup in the place of the store at path. The backup is
// verified before, and what was made of it after, before it takes its place
// in one step; the backup itself stays as it is. A store that is there is
// left alone unless force is set, and then put aside. progress may be nil.
func Restore(ctx context.Context, backup, path string, force bool, progress func(step string, done, total int64)) (out Restored, err error) {
	if progress == nil {
		progress = func(string, int64, int64) {}
	}
	there, err := restorable(backup, path, force)
	if err != nil {
		return out, err
	}
	if there {
		// Held until the end, so that nobody begins to write to it meanwhile.
		lock, err := lockFile(path, time.Second)
		if errors.Is(err, berrors.ErrTimeout) {
			return out, (&Store{opt: Options{Path: path}}).inUse()
		}
		if err != nil {
			return out, explain("restore", path, err)
		}
		defer lock.Close()
		return restore(ctx, backup, path, lock, progress)
	}
	return restore(ctx, backup, path, nil, progress)
}

// restorable refuses what can't be restored, and tells whether a store is there.
func restorable(backup, path string, force bool) (there bool, err error) {
	from, err := os.Stat(backup)
	if err != nil {
		return false, &Error{Op: "restore", Path: backup, Err: err, Hint: "Name a file that `faultkeep backup` wrote"}
	}
	to, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case err != nil:
		return false, explain("restore", path, err)
	case os.SameFile(from, to):
		return false, &Error{Op: "restore", Path: path, Err: errors.New("the backup and the store are one and the same file")}
	case !force:
		return false, &Error{Op: "restore", Path: path, Err: ErrThere, Hint: "With --force it is put aside and the backup takes its place"}
	}
	return true, nil
}

func restore(ctx context.Context, backup, path string, lock *os.File, progress func(step string, done, total int64)) (out Restored, err error) {
	part := path + ".restoring"
	defer func() {
		if err != nil {
			_ = os.Remove(part)
		}
	}()
	_ = os.Remove(part) // what an interrupted restore had left
	want, err := checkedCopy(ctx, backup, part, progress)
	if err != nil {
		return out, err
	}
	got, err := madeReady(ctx, backup, part, progress)
	if err != nil {
		return out, err
	}
	if got.Captures != want.Captures || got.Drafts != want.Drafts || got.Bytes != want.Bytes {
		return out, &Error{Op: "restore", Path: path, Err: fmt.Errorf("the copy has %d captures and %d drafts, the backup %d and %d. Nothing was changed",
			got.Captures, got.Drafts, want.Captures, want.Drafts)}
	}
	out = Restored{Captures: got.Captures, Drafts: got.Drafts, Bytes: got.Bytes}
	if lock == nil {
		if err := settleIn(part, path); err != nil {
			return out, explain("restore", path, err)
		}
		return out, nil
	}
	if out.Replaced, err = putAside(path, lock); err != nil {
		return out, explain("put the store aside", path, err)
	}
	if err := replaceFile(part, path); err != nil {
		return out, explain("restore", path, err)
	}
	return out, nil
}

// settleIn gives the copy the store's name unless a daemon that started
// meanwhile has made a store there.
func settleIn(part, path string) error {
	switch err := os.Link(part, path); {
	case errors.Is(err, fs.ErrExist) || exists(path) && err != nil:
		return ErrThere
	case err != nil: // a file system without second names
		return replaceFile(part, path)
	}
	_ = os.Remove(part)
	return syncDir(filepath.Dir(path))
}

// checkedCopy verifies the backup and copies it.
func checkedCopy(ctx context.Context, backup, part string, progress func(step string, done, total int64)) (r Report, err error) {
	s, err := Open(ctx, Options{Path: backup, ReadOnly: true})
	if err != nil {
		return r, err
	}
	defer func() { err = cmp.Or(err, s.Close()) }()
	r, err = s.Verify(ctx, func(done, total int) { progress(RestoreCheck, int64(done), int64(total)) })
	if err == nil && !r.OK() {
		more := ""
		if n := len(r.Problems) - 1; n > 0 {
			more = fmt.Sprintf(" %d more like this.", n)
		}
		err = &Error{Op: "restore", Path: backup, Err: fmt.Errorf("the backup is %w, so nothing was restored: %s%s", ErrDamaged, r.Problems[0].Text, more)}
	}
	if err != nil {
		return r, err
	}
	_, err = s.copyOut(ctx, part, func(done, total int64) { progress(RestoreCopy, done, total) })
	if err != nil {
		return r, explain("copy the backup", part, err)
	}
	return r, nil
}

// madeReady brings the copy up to this faultkeep's schema, notes in it what it
// is, and verifies it.
func madeReady(ctx context.Context, backup, part string, progress func(step string, done, total int64)) (r Report, err error) {
	s, err := Open(ctx, Options{Path: part, Existing: true})
	if err != nil {
		return r, err
	}
	defer func() {
		err = cmp.Or(err, s.Close())
		old, _ := filepath.Glob(escapeGlob(part) + ".schema-*") // the backup is the copy of itself
		for _, path := range old {
			_ = os.Remove(path)
		}
	}()
	if err := s.Note(ctx, Entry{Time: s.now(), Kind: KindRestored, Text: fmt.Sprintf("This store was restored from the backup %s. Of what was kept, missed or watched after that backup it knows nothing.", filepath.Base(backup))}); err != nil {
		return r, err
	}
	r, err = s.Verify(ctx, func(done, total int) { progress(RestoreAgain, int64(done), int64(total)) })
	if err == nil && !r.OK() {
		err = &Error{Op: "restore", Path: part, Err: fmt.Errorf("the copy of the backup came out %w, so nothing was changed: %s", ErrDamaged, r.Problems[0].Text)}
	}
	return r, err
}

// putAside gives the store a second name beside its own, so that at every
// moment there is a store under its own; where the file system can't, it is
// renamed. lock is the handle that keeps others out.
func putAside(path string, lock *os.File) (aside string, err error) {
	stamp := time.Now().UTC().Format("20060102T150405Z")
	aside = fmt.Sprintf("%s.replaced-%s", path, stamp)
	for n := 2; exists(aside); n++ {
		aside = fmt.Sprintf("%s.replaced-%s-%d", path, stamp, n)
	}
	linked := os.Link(path, aside) == nil
	if alwaysReopens {
		_ = lock.Close() // an open file can't be renamed or replaced
	}
	if !linked {
		err = rename(path, aside)
	}
	if err == nil {
		err = syncDir(filepath.Dir(path))
	}
	return aside, err
}
