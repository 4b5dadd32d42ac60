package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"faultkeep/daemon/archive"
)

type restoreCommand struct {
	dataFlag
	File  string `arg:"" name:"file" help:"Backup to restore."`
	Force bool   `help:"Put a store that is there already aside, and the backup in its place."`
	JSON  bool   `name:"json" help:"Write what was restored as JSON."`
}

// Run puts a backup into the data folder. The backup is verified before, the
// copy of it after; the daemon must not run.
func (c *restoreCommand) Run(ctx context.Context, out output) error {
	folder, err := c.where()
	if err != nil && c.Data == "" {
		return err
	}
	if c.Data != "" {
		folder = c.Data // it may be a new one
	}
	made := false
	switch err := os.Mkdir(folder, 0o750); {
	case err == nil:
		made = true
	case !errors.Is(err, fs.ErrExist):
		return fmt.Errorf("the data folder can't be made: %w. Make the folder that it is in first", err)
	}
	said, clear := saying(out.Err)
	done, err := archive.Restore(ctx, c.File, folder, c.Force, func(step string, done, total int64) {
		said(func() string {
			if total < 1<<20 { // captures and drafts, not bytes
				return fmt.Sprintf("%s: %d of %d", step, done, total)
			}
			return fmt.Sprintf("%s: %s of %s", step, size(done), size(total))
		})
	})
	clear()
	if err != nil {
		if made {
			_ = os.Remove(folder)
		}
		return err
	}
	if c.JSON {
		return writeJSON(out.Out, done)
	}
	fmt.Fprintf(out.Out, "Restored %s and %s into %s, verified before and after.\n", counted(done.Captures, "capture"), counted(done.Drafts, "draft"), folder)
	if done.Replaced != "" {
		fmt.Fprintf(out.Out, "The store that was there is now %s.\n", done.Replaced)
	}
	return nil
}
