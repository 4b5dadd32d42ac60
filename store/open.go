package store

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"
)

// quickCheck is how long Open looks through the file before it trusts it;
// Verify looks at everything.
const quickCheck = 3 * time.Second

// open opens the file at the store's path; a damaged one is set aside first.
// The caller holds mu, or nobody else knows the store yet.
func (s *Store) open() error {
	err := s.openFile()
	if err == nil || !errors.Is(err, ErrDamaged) || s.opt.ReadOnly || s.opt.Existing {
		return s.explain("open the store", err)
	}
	if err := s.setAside(err); err != nil {
		return s.explain("set the damaged store aside", err)
	}
	return s.explain("make a fresh store", s.openFile())
}

func (s *Store) openFile() (err error) {
	_, err = os.Stat(s.opt.Path)
	fresh := errors.Is(err, fs.ErrNotExist)
	if fresh && s.opened && !s.opt.ReadOnly && !s.opt.Existing {
		s.gone()
	}
	if err != nil && !(fresh && !s.opt.ReadOnly && !s.opt.Existing) {
		return err
	}
	defer func() {
		if err != nil {
			_ = s.release()
		}
	}()
	if !fresh {
		// The file is looked through before bbolt trusts it with its memory map.
		err := s.precheck()
		if errors.Is(err, ErrDamaged) {
			// A file that another process writes may look torn.
			if err := s.probeLock(); err != nil {
				return err
			}
			err = s.precheck()
		}
		if err != nil {
			return err
		}
	}
	err = guard(func() (err error) {
		s.db, err = bolt.Open(s.opt.Path, 0o600, s.options(&s.file))
		return err
	})
	switch {
	case errors.Is(err, berrors.ErrTimeout):
		return s.inUse()
	case errors.Is(err, berrors.ErrInvalid), errors.Is(err, berrors.ErrVersionMismatch), errors.Is(err, berrors.ErrChecksum):
		return damagef("%v", err)
	case err != nil:
		return err
	}
	s.poisoned, s.opened = false, true
	s.grow()
	if !s.opt.ReadOnly {
		s.own()
		s.tidy()
		for _, prepare := range []func() error{s.prepare, func() error { return s.migrate(steps, Schema) }, s.known, s.addBuckets} {
			if err := guard(prepare); err != nil {
				return err
			}
		}
		if fresh {
			if err := syncDir(filepath.Dir(s.opt.Path)); err != nil {
				return err
			}
		}
	}
	return guard(s.known)
}

// tidy removes copies that were being made when faultkeep died. Nobody else
// makes any, since the store is locked.
func (s *Store) tidy() {
	left, _ := filepath.Glob(escapeGlob(s.opt.Path) + backupSuffix + "*")
	for _, path := range append(left, s.copyPath()) {
		if os.Remove(path) == nil {
			s.log.Info("an unfinished copy of the store was removed", "path", path)
		}
	}
}

// escapeGlob makes a path stand for itself in a pattern. On Windows nothing
// can be escaped; there a path with brackets in it finds nothing.
func escapeGlob(path string) string {
	if runtime.GOOS == "windows" {
		return path
	}
	return strings.NewReplacer(`\`, `\\`, "*", `\*`, "?", `\?`, "[", `\[`).Replace(path)
}

// options are bbolt's for this store's file; the handle that it opens goes to file.
func (s *Store) options(file **os.File) *bolt.Options {
	o := &bolt.Options{
		Timeout:      s.opt.Wait,
		ReadOnly:     s.opt.ReadOnly,
		FreelistType: bolt.FreelistMapType,
		OpenFile: func(name string, flag int, perm fs.FileMode) (*os.File, error) {
			f, err := os.OpenFile(name, flag, perm)
			*file = f
			return f, err
		},
	}
	if runtime.GOOS != "windows" && strconv.IntSize == 64 {
		o.InitialMmapSize = 1 << 30 // address space, not memory: no remapping that a reader could hold up
	}
	return o
}

// grow sets how the file grows.
func (s *Store) grow() {
	if runtime.GOOS != "windows" {
		s.db.AllocSize = 0 // only as needed; reserve goes ahead
	}
}

// reopens tells whether an open file can't be given a new name.
func (s *Store) reopens() bool { return alwaysReopens || s.closedRename }

const alwaysReopens = runtime.GOOS == "windows"

// precheck looks at the file without its memory map.
func (s *Store) precheck() error {
	f, err := os.Open(s.opt.Path)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("it is a %s, not a file", kindOfFile(info.Mode()))
	}
	if info.Size() == 0 {
		return damagef("it is empty")
	}
	w, err := walkFile(f, info.Size())
	if err != nil {
		return err
	}
	w.deadline = time.Now().Add(quickCheck)
	return w.quick()
}

func kindOfFile(m fs.FileMode) string {
	if m.IsDir() {
		return "folder"
	}
	return "special file"
}

// probeLock takes the lock on a file that bbolt itself can't be trusted to open.
func (s *Store) probeLock() error {
	f, err := lockFile(s.opt.Path, s.opt.Wait)
	if errors.Is(err, berrors.ErrTimeout) {
		return s.inUse()
	}
	if err == nil {
		err = f.Close()
	}
	return err
}

func (s *Store) inUse() error {
	o := s.holder()
	text := "the file is held by " + o.String()
	if !o.Since.IsZero() {
		text += " since " + o.Since.Format(time.RFC3339)
	}
	return &Error{
		Op: "open the store", Path: s.opt.Path,
		Err:  fmt.Errorf("%s: %w", text, ErrInUse),
		Hint: "Stop that process, or ask it instead of opening its file",
	}
}

// prepare makes the buckets of a new store, all or none.
func (s *Store) prepare() error {
	empty := false
	err := s.db.View(func(tx *bolt.Tx) error {
		k, _ := tx.Cursor().First()
		empty = k == nil
		return nil
	})
	if err != nil || !empty {
		return err
	}
	return s.db.Update(func(tx *bolt.Tx) error {
		for _, name := range buckets {
			if _, err := tx.CreateBucket(name); err != nil {
				return err
			}
		}
		return tx.Bucket(bMeta).Put(kSchema, []byte(strconv.Itoa(Schema)))
	})
}

// known refuses a file that isn't a store or that a later faultkeep wrote. An
// older one that may only be read is read as it is.
func (s *Store) known() error {
	return s.db.View(func(tx *bolt.Tx) error {
		n, err := schemaOf(tx)
		if err != nil {
			return err
		}
		if n > Schema {
			return newer(n) // before its other buckets look like damage
		}
		for _, name := range buckets {
			extra := slices.ContainsFunc(added, func(a []byte) bool { return string(a) == string(name) })
			if tx.Bucket(name) != nil {
				continue
			}
			if k, _ := tx.Cursor().Seek(name); bytes.Equal(k, name) {
				return damagef("bucket %q isn't a bucket any more", name)
			}
			if n >= since[string(name)] && !extra {
				return damagef("bucket %q is missing", name)
			}
		}
		return nil
	})
}

// release closes the file. The caller holds mu, or nobody else knows the store.
func (s *Store) release() error {
	db, file := s.db, s.file
	s.db, s.file = nil, nil
	if db == nil {
		// bbolt panicked while opening and kept the file.
		if file != nil {
			_ = file.Close()
		}
		return nil
	}
	if s.poisoned {
		// Closing would wait for ever for locks that a dead transaction holds.
		// The memory map, which holds on to the lock, is lost until the process ends.
		return errors.Join(unlock(file), file.Close())
	}
	return guard(db.Close)
}

// setAside renames the damaged file, so that a fresh one can take its place.
func (s *Store) setAside(why error) error {
	at := s.now()
	aside := fmt.Sprintf("%s.damaged-%s", s.opt.Path, at.Format("20060102T150405Z"))
	for n := 2; exists(aside); n++ {
		aside = fmt.Sprintf("%s.damaged-%s-%d", s.opt.Path, at.Format("20060102T150405Z"), n)
	}
	if err := rename(s.opt.Path, aside); err != nil {
		return err
	}
	if err := syncDir(filepath.Dir(s.opt.Path)); err != nil {
		return err
	}
	s.epoch++
	s.opened = false
	s.damaged = append(s.damaged, Damaged{Time: at, Path: aside, Why: why.Error()})
	s.log.Error("the store is damaged; it was set aside and a fresh one begun", "aside", aside, "why", why)
	return nil
}

// gone notes that somebody removed the file while it was open.
func (s *Store) gone() {
	s.epoch++
	s.damaged = append(s.damaged, Damaged{Time: s.now(), Why: "removed while faultkeep was running"})
	s.log.Error("the store's file was removed; a fresh one is begun", "path", s.opt.Path)
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
