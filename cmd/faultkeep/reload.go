package main

import (
	"context"
	"errors"
	"fmt"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
)

type reloadCommand struct {
	dataFlag
	JSON bool `help:"Write one JSON object."`
}

// Help is shown by --help.
func (reloadCommand) Help() string {
	return `Has the running faultkeep read its config file again. Drives and folders that are
the same are watched on without interruption; what can't change while faultkeep
runs is named. With anything wrong in the file nothing changes, and all that is
wrong is said, as by faultkeep check.

Exit codes: 0 the config is in force; 1 no faultkeep runs, or it can't be asked;
2 the config, a map or a fault table is wrong.`
}

// Run asks the daemon, which reads its own config file: this one only tells
// which daemon that is.
func (c reloadCommand) Run(ctx context.Context, out output) error {
	folder, err := c.which()
	if err != nil {
		return err
	}
	done, err := archive.Reload(ctx, folder)
	switch {
	case errors.Is(err, archive.ErrNotRunning):
		return fmt.Errorf("no faultkeep that this account may ask runs on the data folder %s, so there is nothing to reload. "+
			"Where data: was changed, name the old folder with --data; `faultkeep check` looks at the config", folder)
	case err != nil:
		return err
	case c.JSON:
		err = writeJSON(out.Out, done)
	case done.OK:
		fmt.Fprintf(out.Out, "%s is in force.\n", done.Config)
		for _, l := range done.Words() {
			fmt.Fprintln(out.Out, l)
		}
	default:
		fmt.Fprintln(out.Err, "Nothing was changed; faultkeep goes on with the config as it was.")
	}
	if err == nil && !done.OK {
		return done.Problems
	}
	return err
}

// which is the data folder of the daemon. The config may be wrong: the daemon
// shall say so, since its log and its ledger are to tell of it too.
func (c reloadCommand) which() (string, error) {
	if c.Data != "" {
		return c.folder()
	}
	path, err := c.path()
	if err != nil {
		return "", err
	}
	loaded, problems := config.Load(path)
	if len(problems) == 0 {
		return loaded.Config.Data, nil
	}
	if folder := config.DataOf(path); folder != "" {
		return folder, nil
	}
	return "", problems
}
