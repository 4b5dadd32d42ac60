package logs

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"sync"
)

// Aside makes room for a new file at path: it becomes path.1, what was that
// becomes path.2, and so on. Of those, keep stay; the oldest is overwritten.
func Aside(path string, keep int) error {
	name := func(i int) string { return path + "." + strconv.Itoa(i) }
	for i := keep - 1; i > 0; i-- {
		if err := os.Rename(name(i), name(i+1)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return os.Rename(path, name(1))
}

// File is a log's file. What it can't take, it leaves out: a log that can't
// be written is no reason to stop.
type File struct {
	Path    string
	Size    int64     // bytes at which it is put aside
	Keep    int       // how many put aside stay
	Trouble io.Writer // told once when it begins to fail, and once when it is well again

	mu     sync.Mutex
	f      *os.File
	size   int64
	ailing bool
}

// Write appends one line. It never fails.
func (l *File) Write(line []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	err := l.write(line)
	if err != nil {
		l.shut() // the next line tries from the start
	}
	switch ailing := err != nil; {
	case ailing && !l.ailing:
		fmt.Fprintf(l.Trouble, "faultkeep: the log's file can't be written: %v. Watching goes on\n", err)
	case !ailing && l.ailing:
		fmt.Fprintf(l.Trouble, "faultkeep: the log's file %s is written again\n", l.Path)
	}
	l.ailing = err != nil
	return len(line), nil
}

func (l *File) write(line []byte) error {
	if l.f != nil && !l.still() {
		l.shut()
	}
	if err := l.open(); err != nil {
		return err
	}
	if l.size > 0 && l.size+int64(len(line)) > l.Size {
		l.shut() // Windows moves no open file
		if err := Aside(l.Path, l.Keep); err != nil {
			return err
		}
		if err := l.open(); err != nil {
			return err
		}
	}
	n, err := l.f.Write(line)
	l.size += int64(n)
	return err
}

// still tells whether the file is the one at its path: somebody may have moved it away.
func (l *File) still() bool {
	at, err := os.Stat(l.Path)
	if err != nil {
		return false
	}
	mine, err := l.f.Stat()
	return err == nil && os.SameFile(at, mine)
}

func (l *File) open() error {
	if l.f != nil {
		return nil
	}
	if info, err := os.Stat(l.Path); err == nil && !info.Mode().IsRegular() { // opening a pipe would wait for a reader
		return fmt.Errorf("%s is not a file", l.Path)
	}
	f, err := os.OpenFile(l.Path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o640) //nolint:gosec // whoever collects it reads it by its group
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err != nil {
		return errors.Join(err, f.Close())
	}
	l.f, l.size = f, info.Size()
	return nil
}

func (l *File) shut() {
	if l.f != nil {
		_ = l.f.Close()
		l.f = nil
	}
}

// Close closes the file; the next line opens it again.
func (l *File) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.shut()
	return nil
}
