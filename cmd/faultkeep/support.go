package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/export"
	"faultkeep/daemon/support"
)

type supportCommand struct {
	dataFlag
	To    string `placeholder:"FILE" required:"" help:"The zip to write."`
	Days  int    `default:"30" placeholder:"N" help:"How many days of the ledger; left out: 30."`
	Force bool   `help:"Replace the file if it is there."`
	JSON  bool   `name:"json" help:"Write what was gathered, and what is missing, as JSON."`
}

// Help is shown by --help.
func (supportCommand) Help() string {
	return `Works while faultkeep runs and when it is dead, when its config is wrong, and
when its store is damaged or held by a process that hangs: each part is there,
or the file README.txt in the zip says in one sentence why not.

Passwords, tokens and keys are taken out. Names of drives and people, addresses
and faults stay: look through it before you pass it on. Recordings aren't in it.

Exit codes: 0 the file is written, whatever is missing in it; 1 it can't be
written; 2 the command line is wrong.`
}

// gathered is the answer for programs.
type gathered struct {
	File string `json:"file"`
	*support.Bundle
}

// supportWithin bounds each wait for something that may hang.
const supportWithin = 10 * time.Second

// Run gathers and writes.
func (c *supportCommand) Run(ctx context.Context, out output) error {
	if c.Days < 1 || c.Days > 3650 {
		return usageError{fmt.Errorf("--days %d is not between 1 and 3650", c.Days)}
	}
	exists := func(err error) error { return fmt.Errorf("%w; --force replaces it", err) }
	if _, err := os.Lstat(c.To); err == nil && !c.Force { // said before the work is done
		return exists(fmt.Errorf("%s: %w", c.To, export.ErrExists))
	}
	path, missing := c.path()
	b, err := support.Gather(ctx, support.Options{Config: path, Missing: missing, Data: c.Data, Days: c.Days, Build: thisBuild(), Within: supportWithin, Ledger: ledgerText})
	if err != nil {
		return err
	}
	err = export.Save(c.To, c.Force, func(w io.Writer) error {
		if f, ok := w.(*os.File); ok {
			if err := f.Chmod(0o600); err != nil { // it tells much of a plant
				return err
			}
		}
		return b.Write(w)
	})
	switch {
	case errors.Is(err, export.ErrExists):
		return exists(err)
	case err != nil:
		return err
	case c.JSON:
		return writeJSON(out.Out, gathered{c.To, b})
	}
	for _, p := range b.Parts {
		if p.Missing != "" {
			fmt.Fprintf(out.Err, "Without %s: %s\n", p.Name, clean(p.Missing))
		}
	}
	_, err = fmt.Fprintf(out.Out, "%s is written, without passwords and keys. Look through it before you pass it on: names, addresses and faults are in it.\n", c.To)
	return err
}

// ledgerText is the ledger as `faultkeep ledger` tells it.
func ledgerText(ctx context.Context, a archive.Archive, since time.Time, zone *time.Location) (string, error) {
	p := place{Archive: a, zone: zone, titles: map[string]string{}}
	l, err := readLedger(ctx, p, archive.Query{Since: since}, time.Now())
	if err != nil {
		return "", err
	}
	var b strings.Builder
	err = l.tell(&b, p)
	return b.String(), err
}
