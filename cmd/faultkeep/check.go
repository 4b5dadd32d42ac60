package main

import (
	"context"
	"errors"
	"fmt"

	"faultkeep/configs/strict"
)

type checkCommand struct {
	configFlag
	Probe bool `help:"Also connect to each drive and look, by reading only: what it shows, how long a pull will take, and which reset that beats."`
	JSON  bool `help:"Write one JSON object."`

	Try     []string `placeholder:"FILE" sep:"none" help:"Instead of the config, show how a file of recordings would be read: channels, units, sample interval, trigger, and a small picture. Nothing is kept."`
	Dialect string   `placeholder:"FILE" help:"With --try: a file that says how text is laid out, as below dialect: in the config."`
	Zone    string   `placeholder:"ZONE" default:"Local" help:"With --try: time zone of times that name none."`
}

// Help is shown by --help.
func (checkCommand) Help() string {
	return `Reads the config file with the maps and fault tables that it names, and says
everything that is wrong with them. It binds no port and takes no lock, so it can
be used while faultkeep runs.

With --try it shows how a file of recordings would be read, before its folder
is put into the config.

Exit codes: 0 all is well; 1 with --probe: a drive can't be read, or its
recorder's settings aren't the wanted ones; with --try: a file can't be read; 2 the config, a map or a fault table
is wrong.`
}

// checked is the answer for programs.
type checked struct {
	Config   string           `json:"config"`
	OK       bool             `json:"ok"`
	Problems []strict.Problem `json:"problems"`
	Drives   []probed         `json:"drives,omitempty"`
}

// Run checks and tells.
func (c checkCommand) Run(ctx context.Context, out output) error {
	switch {
	case len(c.Try) > 0:
		return c.try(ctx, out)
	case c.Dialect != "":
		return usageError{errNothingToTry}
	}
	path, err := c.path()
	if err != nil {
		return err
	}
	loaded, err := loadConfig(path)
	if err != nil {
		var problems strict.Problems
		if c.JSON && errors.As(err, &problems) {
			return errors.Join(writeJSON(out.Out, checked{Config: path, Problems: problems}), err)
		}
		return err
	}
	answer := checked{Config: loaded.Path, OK: true, Problems: []strict.Problem{}}
	if !c.JSON {
		fmt.Fprintf(out.Out, "%s is in order.\n\n%s", path, loaded.Explain())
	}
	if c.Probe {
		answer.Drives = probe(ctx, loaded)
		for _, d := range answer.Drives {
			answer.OK = answer.OK && d.OK
			if !c.JSON {
				fmt.Fprint(out.Out, "\n", d.words())
			}
		}
	}
	if c.JSON {
		err = writeJSON(out.Out, answer)
	}
	if err == nil && !answer.OK {
		err = errSaid
	}
	return err
}
