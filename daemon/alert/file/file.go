// Package file tells alerts by a file: each is a CloudEvents 1.0 event in JSON
// on a line of its own, appended and synced. A full file is put aside as
// FILE.1, the one before as FILE.2, and so on up to a bound.
package file

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/logs"
	"faultkeep/store/capture"
)

// Sink appends alerts to one file.
type Sink struct {
	cfg  Config
	link string
	turn chan struct{} // held while a write is under way, even after its Send gave up
}

// New makes a sink from a checked config; link is the address under which
// people reach faultkeep's page, or empty.
func New(cfg Config, link string) *Sink {
	return &Sink{cfg: cfg, link: link, turn: make(chan struct{}, 1)}
}

// Send appends the alert and returns nil once it is on the disk. See alert.Sink.
func (s *Sink) Send(ctx context.Context, a capture.Alert) error {
	line, err := alert.Event(a, s.link)
	if err != nil {
		return alert.Refused{Err: fmt.Errorf("the alert can't be written as JSON: %w", err)}
	}
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return s.hangs(ctx)
	}
	// A share that is down can hold a write for minutes, which no context ends.
	done := make(chan error, 1)
	go func() {
		defer func() { <-s.turn }()
		done <- s.write(append(line, '\n'))
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return s.hangs(ctx)
	}
}

func (s *Sink) hangs(ctx context.Context) error {
	return fmt.Errorf("%s takes no write; look whether its disk or share answers: %w", s.cfg.Path, context.Cause(ctx))
}

// write appends one line to the file, which is opened anew each time, so that
// it may be moved away or its folder be gone for a while.
func (s *Sink) write(line []byte) error {
	info, err := os.Stat(s.cfg.Path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return plain(s.cfg.Path, err)
	case !info.Mode().IsRegular(): // opening a pipe would wait for a reader
		return fmt.Errorf("%s is not a file; move it away", s.cfg.Path)
	case info.Size() > 0 && info.Size()+int64(len(line)) > s.cfg.size():
		if err := logs.Aside(s.cfg.Path, s.cfg.keep()); err != nil {
			return plain(s.cfg.Path, err)
		}
	}
	f, err := os.OpenFile(s.cfg.Path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o640) //nolint:gosec // whoever collects it reads it by its group
	if err != nil {
		return plain(s.cfg.Path, err)
	}
	if err := errors.Join(appendLine(f, line), f.Close()); err != nil {
		return plain(s.cfg.Path, err)
	}
	// So that a new name survives a power cut too. Windows can't sync a folder and needn't.
	if dir, err := os.Open(filepath.Dir(s.cfg.Path)); err == nil {
		_ = dir.Sync()
		_ = dir.Close()
	}
	return nil
}

// appendLine writes a line at the end of f and syncs it. Of a write that
// fails nothing stays, as far as the disk allows.
func appendLine(f *os.File, line []byte) error {
	info, err := f.Stat()
	if err != nil {
		return err
	}
	end := info.Size()
	if last := make([]byte, 1); end > 0 {
		if _, err := f.ReadAt(last, end-1); err != nil {
			return err
		}
		if last[0] != '\n' { // torn by a power cut; its alert comes again
			line = append([]byte{'\n'}, line...)
		}
	}
	_, err = f.Write(line)
	if err == nil {
		err = f.Sync()
	}
	if err != nil {
		return errors.Join(err, f.Truncate(end))
	}
	return nil
}

// plain says what failed in words that help.
func plain(path string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("the folder of %s isn't there; make it, or mount it: %w", path, err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s can't be written to; allow it to the account that faultkeep runs as: %w", path, err)
	}
	return fmt.Errorf("%s: %w", path, err)
}
