package store

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"faultkeep/store/capture"
)

// Errors that callers tell apart with errors.Is.
var (
	// ErrKept is returned by Store.Draft for a recording that is a capture already.
	ErrKept = errors.New("this recording is kept already")
	// ErrNotFound is returned where no capture has the ID asked for.
	ErrNotFound = errors.New("no such capture")
	// ErrDamaged marks stored bytes that don't match their checksum, or a file that isn't a store.
	ErrDamaged = errors.New("damaged")
	// ErrMixed marks bytes that contradict what is stored of the same recording.
	ErrMixed = errors.New("the bytes differ from those already stored at the same place")
	// ErrInUse marks a file that another process holds.
	ErrInUse = errors.New("in use")
	// ErrNewer marks a file that a later faultkeep wrote.
	ErrNewer = errors.New("written by a newer faultkeep")
	// ErrClosed is returned after Close.
	ErrClosed = errors.New("the store is closed")
	// ErrGone marks a draft that was dropped, kept, or lost with a damaged file.
	ErrGone = errors.New("the draft is gone")
)

// Error is a failure of the store that an operator may have to act on.
// It reads as one sentence: where, what was tried, what happened, what to do.
type Error struct {
	Op   string // "open the store", "keep 20261125-…"
	Path string // the store's file
	Err  error
	Hint string // what to do; may be empty
}

func (e *Error) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: ", e.Path)
	if e.Op != "" {
		fmt.Fprintf(&b, "%s: ", e.Op)
	}
	b.WriteString(e.Err.Error())
	if e.Hint != "" {
		b.WriteString(". " + e.Hint)
	}
	return b.String()
}

func (e *Error) Unwrap() error { return e.Err }

// Ambiguous is returned by Find for a prefix that names several captures.
type Ambiguous struct {
	Prefix string
	IDs    []capture.ID // the first few, ascending
	More   bool         // there are others
}

func (e *Ambiguous) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%q is the beginning of several captures:", e.Prefix)
	for i, id := range e.IDs {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteByte(' ')
		b.WriteString(string(id))
	}
	if e.More {
		b.WriteString(" and more")
	}
	b.WriteString(". Type a few characters more")
	return b.String()
}

func notFound(prefix string) error {
	return fmt.Errorf("no capture begins with %q. `faultkeep list` shows them all: %w", prefix, ErrNotFound)
}

func damagef(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrDamaged, fmt.Sprintf(format, args...))
}

// Full tells whether err means that the volume (or a quota, or a limit on the
// file's size) has no room.
func Full(err error) bool {
	if err == nil {
		return false
	}
	if errors.Is(err, ErrNoRoom) {
		return true
	}
	for _, e := range fullErrors {
		// bbolt passes some errors on as text only.
		if errors.Is(err, e) || strings.Contains(err.Error(), e.Error()) {
			return true
		}
	}
	return false
}

// explain turns an error of the operating system into one that says what to do.
func (s *Store) explain(op string, err error) error { return explain(op, s.opt.Path, err) }

func explain(op, path string, err error) error {
	if err == nil {
		return nil
	}
	var known *Error
	if errors.As(err, &known) {
		return err
	}
	e := &Error{Op: op, Path: path, Err: err}
	switch {
	case Full(err):
		e.Hint = "Free some space on its volume; nothing that was kept is lost, and what isn't kept yet is tried again"
	case errors.Is(err, fs.ErrPermission):
		e.Hint = "Let the account that runs faultkeep read and write the file and its folder"
	case readOnlyVolume(err):
		e.Hint = "Its volume is read-only; mount it for writing, or put the store elsewhere"
	case errors.Is(err, fs.ErrNotExist):
		e.Hint = "Make its folder, or correct the store's path in the config"
	case errors.Is(err, ErrDamaged):
		e.Hint = "`faultkeep verify` lists what is damaged"
	}
	return e
}
