package main

import (
	"fmt"
	"strings"

	"faultkeep/configs"
	"faultkeep/daemon/holdoff"
)

// holdoffCommand tells a PLC's programmer where to read.
type holdoffCommand struct {
	configFlag
	ST   bool `name:"st" help:"Print the function block for the PLC instead: IEC 61131-3, Structured Text."`
	JSON bool `name:"json" help:"Write one JSON object: the layout and the drives."`
}

// Help is shown by --help.
func (holdoffCommand) Help() string {
	return `Lists where a PLC finds each drive's discrete inputs and input registers, so that
it can hold its automatic reset back until the recording of a trip is kept.

CAUTION. The hold-off is no part of any safety function, and a reset must not by
itself start a machine. Whether a fault may be reset automatically is decided by
whoever answers for the machine, and by local codes. The PLC waits by a timer of
its own and goes on where faultkeep doesn't answer.`
}

// layout is the list for programs.
type layout struct {
	Listen  string        `json:"listen"`
	Version int           `json:"version"`
	Block   int           `json:"block"`
	Head    []entryOf     `json:"head_input_registers"`
	Inputs  []entryOf     `json:"discrete_inputs"` // of each drive, from its first address
	Words   []entryOf     `json:"input_registers"` // likewise
	Drives  []holdoff.Row `json:"drives"`
}

type entryOf struct {
	Offset int    `json:"offset"`
	What   string `json:"what"`
}

var (
	headWords   = []entryOf{{holdoff.HeadVersion, "version of this layout: 1"}, {holdoff.HeadHeartbeat, "heartbeat of all drives together, wraps at 65536"}, {holdoff.HeadDrives, "number of drives"}}
	driveInputs = []entryOf{{holdoff.InputPending, "pending: a trip or recording waits to be kept"}, {holdoff.InputPulling, "it is being pulled"}, {holdoff.InputKept, "the last one was kept, whole or in part"}, {holdoff.InputWatched, "watched; where this is 0, don't wait"}}
	driveWords  = []entryOf{{holdoff.RegisterHeartbeat, "heartbeat: steps of this drive's watch, wraps at 65536"}, {holdoff.RegisterSeconds, "for how many seconds it has been pending"}, {holdoff.RegisterKeeps, "captures kept since faultkeep began to watch it, high word, then low word"}}
)

// Run prints the list or the function block.
func (c *holdoffCommand) Run(out output) error {
	if c.ST {
		b, err := configs.FS.ReadFile("holdoff/reset-holdoff.st")
		if err == nil {
			_, err = out.Out.Write(b)
		}
		return err
	}
	path, err := c.path()
	if err != nil {
		return err
	}
	loaded, err := loadConfig(path)
	if err != nil {
		return err
	}
	if loaded.Config.Holdoff == nil {
		return usageError{fmt.Errorf("%s has no holdoff, so no PLC can ask. Add holdoff: {listen: \"0.0.0.0:1502\"}", path)}
	}
	l := layout{Listen: loaded.Config.Holdoff.Listen, Version: holdoff.Version, Block: holdoff.Block, Head: headWords, Inputs: driveInputs, Words: driveWords, Drives: loaded.HoldoffRows()}
	if c.JSON {
		return writeJSON(out.Out, l)
	}
	_, err = fmt.Fprint(out.Out, l)
	return err
}

// String is the list as text. Addresses are PDU addresses, from 0; beside them
// as many PLCs write them, counted from 1.
func (l layout) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Modbus TCP at %s, to be read only: discrete inputs (function code 2), input registers (4).\nAddresses count from 0; in brackets as many PLCs write them.\n\nInput registers of the head:\n", l.Listen)
	for _, e := range l.Head {
		fmt.Fprintf(&b, "  %5d (%s)  %s\n", e.Offset, holdoff.Reference(3, uint16(e.Offset)), e.What)
	}
	for _, d := range l.Drives {
		name := clean(d.Drive)
		if d.Title != "" {
			name = clean(d.Title) + ", " + name
		}
		fmt.Fprintf(&b, "\n%s\n  discrete inputs\n", name)
		for _, e := range l.Inputs {
			fmt.Fprintf(&b, "  %5d (%s)  %s\n", int(d.First)+e.Offset, holdoff.Reference(1, d.First+uint16(e.Offset)), e.What)
		}
		b.WriteString("  input registers\n")
		for _, e := range l.Words {
			fmt.Fprintf(&b, "  %5d (%s)  %s\n", int(d.First)+e.Offset, holdoff.Reference(3, d.First+uint16(e.Offset)), e.What)
		}
	}
	b.WriteString("\nNo part of any safety function; a reset must not by itself start a machine. `faultkeep holdoff --st` prints a function block.\n")
	return b.String()
}
