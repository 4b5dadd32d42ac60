package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/signal"
	"syscall"
	"time"

	"faultkeep/daemon/demo"
)

type demoCommand struct {
	For    time.Duration `help:"End by itself after this time, such as 30s; else Ctrl-C ends it." placeholder:"TIME"`
	Seed   *uint64       `help:"Repeat the run that had this seed." placeholder:"N"`
	JSON   bool          `help:"Write the summary as one JSON object; what happens goes to standard error."`
	Listen string        `help:"Address of the page." default:"127.0.0.1:0" placeholder:"HOST:PORT"`
	Data   string        `help:"Folder for the store, which then stays; else a temporary one." placeholder:"DIR"`
}

// Help is shown by --help.
func (demoCommand) Help() string {
	return `Exit code 0 only if every winnable recording was kept whole and every alert was
accepted. A recording is winnable if it could be read for at least the poll
interval, the round trips of a pull and one commit. What is under way at the end
is finished, which takes a few seconds more.`
}

// Run lets the demo run and tells how it ended.
func (c demoCommand) Run(ctx context.Context, out output) error {
	if c.For < 0 {
		return usageError{fmt.Errorf("--for %s lies in the past", c.For)}
	}
	seed := rand.Uint64N(1_000_000)
	if c.Seed != nil {
		seed = *c.Seed
	}
	lines := out.Out
	if c.JSON {
		lines = out.Err
	}
	stop := context.AfterFunc(ctx, func() {
		fmt.Fprintln(lines, "Finishing what is under way; Ctrl-C again ends at once.")
		// Not before a moment has passed: some programs send their signal twice.
		time.AfterFunc(time.Second, func() { signal.Reset(os.Interrupt, syscall.SIGTERM) })
	})
	defer stop()
	sum, err := demo.Run(ctx, demo.Options{Seed: seed, For: c.For, Listen: c.Listen, Data: c.Data, Lines: lines, Version: versionText()})
	if err != nil {
		return err
	}
	if c.JSON {
		err = writeJSON(out.Out, sum)
	} else {
		_, err = fmt.Fprint(out.Out, sum.Text())
	}
	if err == nil && !sum.OK {
		err = errSaid
		if c.JSON {
			fmt.Fprint(out.Err, sum.Text())
		}
	}
	return err
}
