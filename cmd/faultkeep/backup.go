package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/export"
)

type backupCommand struct {
	dataFlag
	File  string `arg:"" name:"file" help:"File to write the backup to."`
	Force bool   `help:"Replace a file that is there already."`
	JSON  bool   `name:"json" help:"Write what was backed up as JSON."`
}

// backedUp is what backup --json writes.
type backedUp struct {
	File string `json:"file"`
	Size int64  `json:"size"`
	archive.Report
}

// Run copies the store, as it is at one moment, while faultkeep runs or not.
// The copy is verified before it gets its name.
func (c *backupCommand) Run(ctx context.Context, out output) error {
	if info, err := os.Stat(c.File); err == nil && info.IsDir() {
		return usageError{fmt.Errorf("%s is a folder. Name the file that the backup shall be", c.File)}
	}
	folder, err := c.where()
	if err != nil {
		return err
	}
	if _, err := os.Lstat(c.File); err == nil && !c.Force { // said before the work is done
		return c.exists(fmt.Errorf("%s: %w", c.File, export.ErrExists))
	}
	care, err := archive.ToBackUp(ctx, folder)
	if err != nil {
		return neverRan(folder, err)
	}
	defer care.Close()
	done := backedUp{File: c.File}
	var failed error
	err = export.Save(c.File, c.Force, func(w io.Writer) (err error) {
		defer func() { failed = err }()
		f, ok := w.(*os.File)
		if !ok {
			return errors.New("it isn't written to a file")
		}
		copied, clear := bytesOn(out.Err, "copied")
		defer clear()
		to := &counting{to: until{ctx, f}, tell: func(n int64) { copied(n, done.Size) }}
		if err := care.Backup(ctx, to, func(size int64) { done.Size = size }); err != nil {
			return err
		}
		if err := errors.Join(f.Chmod(0o600), f.Sync()); err != nil {
			return err
		}
		looked, cleared := progressOn(out.Err)
		defer cleared()
		done.Report, err = archive.Inspect(ctx, f.Name(), looked)
		if err == nil && len(done.Problems) > 0 {
			err = fmt.Errorf("the backup isn't sound, so it isn't kept: %s `faultkeep verify` tells whether the store itself is damaged", done.Problems[0].Text)
		}
		return err
	})
	switch {
	case errors.Is(err, export.ErrExists):
		return c.exists(err)
	case err != nil && ctx.Err() != nil:
		return fmt.Errorf("stopped before %s was written; nothing half is left", c.File)
	case failed != nil: // it says itself where
		return failed
	case err != nil:
		return err
	}
	if dir, err := os.Open(filepath.Dir(c.File)); err == nil { // its name on the disk too, where that can be asked for
		_ = dir.Sync()
		_ = dir.Close()
	}
	if c.JSON {
		return writeJSON(out.Out, done)
	}
	_, err = fmt.Fprintf(out.Out, "%s: %s and %s, %s, verified.\n", c.File, counted(done.Captures, "capture"), counted(done.Drafts, "draft"), size(done.Size))
	return err
}

func (c *backupCommand) exists(err error) error {
	return fmt.Errorf("%w; --force replaces it", err)
}

// counting tells how many bytes were written.
type counting struct {
	to   io.Writer
	n    int64
	tell func(n int64)
}

func (c *counting) Write(b []byte) (int, error) {
	n, err := c.to.Write(b)
	c.n += int64(n)
	c.tell(c.n)
	return n, err
}

// bytesOn tells on w how many bytes of how many are done, as progressOn does.
func bytesOn(w io.Writer, what string) (progress func(done, total int64), clear func()) {
	said, clear := saying(w)
	return func(done, total int64) {
		said(func() string { return fmt.Sprintf("%s of %s %s", size(done), size(total), what) })
	}, clear
}
