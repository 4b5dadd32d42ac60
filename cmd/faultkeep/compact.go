package main

import (
	"context"
	"fmt"

	"faultkeep/daemon/archive"
)

type compactCommand struct {
	dataFlag
	JSON bool `name:"json" help:"Write what came of it as JSON."`
}

// Run gives back to the disk what the store doesn't use, while faultkeep runs or not.
func (c *compactCommand) Run(ctx context.Context, out output) error {
	folder, err := c.where()
	if err != nil {
		return err
	}
	care, err := archive.ToCompact(ctx, folder)
	if err != nil {
		return neverRan(folder, err)
	}
	defer care.Close()
	progress, clear := bytesOn(out.Err, "copied")
	done, err := care.Compact(ctx, progress)
	clear()
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(out.Out, done)
	}
	_, err = fmt.Fprintf(out.Out, "Compacted from %s to %s in %s; writes had to wait for %s.\n", size(done.Before), size(done.After), span(done.Took), span(done.Pause))
	return err
}
