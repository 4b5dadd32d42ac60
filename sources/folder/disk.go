package folder

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"
)

// Disk is the file system that a folder lies in.
type Disk interface {
	// Look lists the regular files below root. Where only some of it can be
	// read, what can be is listed and the error tells of the rest; a Listing
	// without Root means that nothing could be.
	Look(root string, subfolders bool) (Listing, error)
	// Read reads a whole file that isn't longer than limit. The Entry is what
	// the file was before and after.
	Read(root, name string, limit int64) ([]byte, Entry, error)
	// Release takes a file away whose content has the given SHA-256: below the
	// folder to, or for good where to is empty. A file with another content
	// stays, and the error is errReplaced.
	Release(root, name string, sum [sha256.Size]byte, to string) error
}

// Listing is what a folder holds.
type Listing struct {
	Root    fs.FileInfo
	Mounted bool // another file system begins here
	Entries []Entry
}

// Entry is one file as it is listed.
type Entry struct {
	Name     string // path below the folder, with slashes; bytes as the system gives them
	Size     int64
	Modified time.Time
	tag      string // what else tells one state of a file from another
}

// stamp tells one state of a file from another, short but for what a remounted
// share may number anew.
func (e Entry) short() string { return fmt.Sprintf("%d %d", e.Size, e.Modified.UnixNano()) }
func (e Entry) stamp() string { return e.short() + " " + e.tag }

// What can be wrong with a file at the moment.
var (
	errChanged  = errors.New("it changed while it was read")
	errReplaced = errors.New("another file has taken its place")
	errTooLarge = errors.New("it is too large")
	errBusy     = errors.New("another program still has it open")
)

// osDisk is the computer's own file system.
type osDisk struct{}

func (osDisk) Look(root string, subfolders bool) (Listing, error) {
	info, err := os.Stat(root)
	if err != nil {
		return Listing{}, err
	}
	if !info.IsDir() {
		return Listing{}, &fs.PathError{Op: "look into", Path: root, Err: errors.New("it is no folder")}
	}
	l := Listing{Root: info, Mounted: mountPoint(root, info)}
	var broken []error
	var walk func(below string)
	walk = func(below string) {
		list, err := os.ReadDir(filepath.Join(root, filepath.FromSlash(below)))
		if err != nil && (below == "" || !errors.Is(err, fs.ErrNotExist)) {
			broken = append(broken, err)
			if below == "" && len(list) == 0 {
				l.Root = nil
			}
		}
		for _, d := range list {
			name := path.Join(below, d.Name())
			if d.IsDir() {
				if subfolders && !junk(d.Name()) {
					walk(name)
				}
				continue
			}
			if e, ok := entryOf(root, name, d); ok {
				l.Entries = append(l.Entries, e)
			}
		}
	}
	walk("")
	return l, errors.Join(broken...)
}

// entryOf looks at one file; ok is false for what isn't one, or is gone. Links
// to files count as files, links to folders don't count as folders: they can
// lead in circles.
func entryOf(root, name string, d fs.DirEntry) (e Entry, ok bool) {
	info, err := d.Info()
	if err == nil && d.Type()&fs.ModeSymlink != 0 {
		info, err = os.Stat(filepath.Join(root, filepath.FromSlash(name)))
	}
	if err != nil || !info.Mode().IsRegular() {
		return e, false
	}
	return entry(name, info), true
}

func entry(name string, info fs.FileInfo) Entry {
	return Entry{Name: name, Size: info.Size(), Modified: info.ModTime(), tag: tagOf(info)}
}

func (osDisk) Read(root, name string, limit int64) ([]byte, Entry, error) {
	full := filepath.Join(root, filepath.FromSlash(name))
	f, err := openAlone(full)
	if err != nil {
		return nil, Entry{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, Entry{}, err
	}
	before := entry(name, info)
	switch {
	case !info.Mode().IsRegular():
		return nil, before, errors.New("it is no plain file")
	case info.Size() > limit:
		return nil, before, errTooLarge
	}
	b := make([]byte, 0, info.Size()+1)
	for len(b) < cap(b) {
		n, err := f.Read(b[len(b):cap(b)])
		b = b[:len(b)+n]
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, before, err
		}
	}
	info, err = os.Stat(full) // by its name: another one may have taken it
	if err != nil {
		return nil, before, err
	}
	if int64(len(b)) != before.Size || entry(name, info) != before {
		return nil, before, errChanged
	}
	return b, before, nil
}

// ReadFile reads one file that somebody names, whatever folder it is in.
func ReadFile(name string) (File, error) {
	b, e, err := osDisk{}.Read(filepath.Dir(name), filepath.Base(name), mostBytes)
	if errors.Is(err, errTooLarge) {
		err = fmt.Errorf("%s is larger than the %d MiB that faultkeep reads", shown(name), mostBytes>>20)
	}
	return File{Path: e.Name, Modified: e.Modified, Bytes: b}, err
}

// releasing begins the name of a file that is on its way out. Hidden, so that
// nobody takes it for a recording, and given its name back after a crash.
const releasing = ".faultkeep-"

func (osDisk) Release(root, name string, sum [sha256.Size]byte, to string) error {
	full := filepath.Join(root, filepath.FromSlash(name))
	aside := filepath.Join(filepath.Dir(full), releasing+filepath.Base(full))
	if exists(aside) {
		return fmt.Errorf("%s is in the way", aside)
	}
	// Under a name that nobody else uses it can't be exchanged any more, so
	// what is looked at now is what goes.
	if err := rename(full, aside); err != nil {
		return err
	}
	err := func() error {
		got, err := sumOf(aside)
		if err != nil {
			return err
		}
		if got != sum {
			return errReplaced
		}
		if to == "" {
			return os.Remove(aside)
		}
		return moveTo(aside, filepath.Join(to, filepath.FromSlash(name)), sum)
	}()
	if err != nil {
		return errors.Join(err, restoreName(aside))
	}
	return nil
}

// restoreName gives a file that was on its way out its name back, or one
// beside it where that is taken.
func restoreName(aside string) error {
	name := strings.TrimPrefix(filepath.Base(aside), releasing)
	back := free(filepath.Join(filepath.Dir(aside), name))
	if err := rename(aside, back); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s can't be given its name back: %w", aside, err)
	}
	return nil
}

// restoreNames undoes what a crash left half released.
func restoreNames(root string) {
	_ = filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && strings.HasPrefix(d.Name(), releasing) {
			_ = restoreName(p)
		}
		return nil
	})
}

// moveTo moves a file to a free name, over the border of a volume too.
func moveTo(from, to string, sum [sha256.Size]byte) error {
	if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
		return err
	}
	if got, err := sumOf(to); err == nil && got == sum {
		return os.Remove(from) // moved before
	}
	to = free(to)
	if os.Rename(from, to) == nil {
		return nil
	}
	if err := copyFile(from, to); err != nil {
		return err
	}
	return os.Remove(from)
}

func copyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() {
		if cerr := out.Close(); err == nil {
			err = cerr
		}
		if err != nil {
			_ = os.Remove(to)
		}
	}()
	if _, err := io.Copy(out, in); err != nil {
		return err
	}
	if err := out.Sync(); err != nil {
		return err
	}
	if info, err := in.Stat(); err == nil {
		_ = os.Chtimes(to, info.ModTime(), info.ModTime())
	}
	return nil
}

// free is the path, or where that is taken one beside it.
func free(p string) string {
	ext := filepath.Ext(p)
	for n := 1; ; n++ {
		try := p
		if n > 1 {
			try = fmt.Sprintf("%s (%d)%s", strings.TrimSuffix(p, ext), n, ext)
		}
		if !exists(try) {
			return try
		}
	}
}

func exists(p string) bool {
	_, err := os.Lstat(p)
	return err == nil
}

func sumOf(p string) (sum [sha256.Size]byte, err error) {
	f, err := os.Open(p)
	if err != nil {
		return sum, err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return sum, err
	}
	return [sha256.Size]byte(h.Sum(nil)), nil
}

// rename tries again for a moment: on Windows a file that a scanner looks at
// can't be renamed.
func rename(from, to string) (err error) {
	for wait := time.Millisecond; ; wait *= 2 {
		if err = os.Rename(from, to); err == nil || errors.Is(err, fs.ErrNotExist) || wait > retryFor {
			return err
		}
		time.Sleep(wait)
	}
}
