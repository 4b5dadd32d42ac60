// Command faultkeep keeps the fault recordings of variable-speed drives.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/alecthomas/kong"

	"faultkeep/configs/strict"
)

// Exit codes, as --help and the README tell them.
const (
	exitOK     = 0
	exitFailed = 1 // the thing asked for failed, or wasn't found
	exitUsage  = 2 // the command line or the config file is wrong
)

// commands is the command line.
type commands struct {
	Demo       demoCommand       `cmd:"" help:"Watch the simulated drives of the grain terminal Northquay, to see faultkeep at work."`
	Run        runCommand        `cmd:"" help:"Watch the drives of the config file until stopped."`
	Check      checkCommand      `cmd:"" help:"Check the config file with its maps and fault tables; with --probe look at the drives too."`
	Init       initCommand       `cmd:"" help:"Write a first config, asking for what it needs."`
	Scan       scanCommand       `cmd:"" help:"Read everything that a map names from a drive once, to write or check a map; by reading only."`
	Simulate   simulateCommand   `cmd:"" help:"Serve simulated drives, to try a config or any Modbus tool against."`
	List       listCommand       `cmd:"" help:"List what was kept, or what was missed."`
	Show       showCommand       `cmd:"" help:"Show one capture."`
	Analyse    analyseCommand    `cmd:"" help:"Compute anew what captures say: what moved first, how the loop answered, what swings."`
	Recurrence recurrenceCommand `cmd:"" help:"Tell how often trips come, whether more often than before, and what repairs changed."`
	Repair     repairCommand     `cmd:"" help:"Note repairs, and see whether they stopped the trips."`
	Brief      briefCommand      `cmd:"" help:"Tell what happened since the last brief: trips, misses, blind spells, what needs a look."`
	Ledger     ledgerCommand     `cmd:"" help:"Tell how well drives were watched, what was missed, and what was written."`
	Export     exportCommand     `cmd:"" help:"Write captures to files."`
	Carry      carryCommand      `cmd:"" help:"Take all captures that are new to a USB stick to it, with an index that opens without faultkeep."`
	Import     importCommand     `cmd:"" help:"Keep the recordings that files hold, while faultkeep runs or not."`
	Reread     rereadCommand     `cmd:"" help:"Decode files again that couldn't be read, after the config was mended."`
	Verify     verifyCommand     `cmd:"" help:"Recompute every checksum of the store."`
	Backup     backupCommand     `cmd:"" help:"Copy the store to a file, while faultkeep runs or not."`
	Restore    restoreCommand    `cmd:"" help:"Put a backup in the place of the store; faultkeep must not run."`
	Compact    compactCommand    `cmd:"" help:"Give back to the disk what the store doesn't use any more."`
	Mark       markCommand       `cmd:"" help:"Mark captures as reviewed, pin them so that they stay, note something about them."`
	Password   passwordCommand   `cmd:"" help:"Make the hash of a password, for a user in the config."`
	Plan       planCommand       `cmd:"" help:"Choose settings for a drive's recorder, and tell what can't be had together."`
	Alert      alertCommand      `cmd:"" help:"Try the ways to tell somebody."`
	Support    supportCommand    `cmd:"" help:"Gather what somebody needs who helps you into one file, without secrets."`
	Maps       mapsCommand       `cmd:"" help:"List the maps and fault tables that faultkeep carries, or print one."`
	Holdoff    holdoffCommand    `cmd:"" help:"List where a PLC reads whether a trip's recording is kept yet, or print the function block for it."`
	Reload     reloadCommand     `cmd:"" help:"Have the running faultkeep read its config file again, without interrupting drives that are the same."`
	Service    serviceCommand    `cmd:"" help:"Install faultkeep as a service that starts with the machine."`
	Completion completionCommand `cmd:"" help:"Print what lets a shell complete faultkeep's commands."`
	Complete   completeCommand   `cmd:"" hidden:"" help:"Answer such a shell."`
	Man        manCommand        `cmd:"" help:"Print the manual page."`
	Version    versionCommand    `cmd:"" help:"Tell the version."`
}

const about = `Keeps the fault recordings of variable-speed drives before they are erased.

Exit codes: 0 done; 1 what was asked for failed or wasn't found; 2 the command
line or the config file is wrong.

faultkeep only reads, unless a map and the config both allow showing a page,
arming the recorder, or giving it its settings before that. It never resets a fault and is no part of a safety function.`

// output is where commands write: what was asked for to Out, the rest to Err.
type output struct {
	Out io.Writer
	Err io.Writer
}

// usageError makes the program exit with exitUsage.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func main() { os.Exit(run(os.Args[1:], output{os.Stdout, os.Stderr})) }

// run carries out one command line and gives its exit code.
func run(args []string, out output) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	var cli commands
	code := exitOK
	exited := false
	parser, err := kong.New(&cli, kong.Name("faultkeep"), kong.Description(about), kong.UsageOnError(),
		kong.Writers(out.Out, out.Err), kong.Exit(func(c int) { code, exited = c, true }),
		kong.BindTo(ctx, (*context.Context)(nil)), kong.Bind(out))
	if err != nil {
		fmt.Fprintln(out.Err, "faultkeep:", err)
		return exitFailed
	}
	parsed, err := parser.Parse(args)
	if exited {
		return code
	}
	if err != nil {
		fmt.Fprintf(out.Err, "faultkeep: %v. Try faultkeep --help\n", err)
		return exitUsage
	}
	return exitCode(parsed.Run(), out)
}

// exitCode is the one place where errors become words and codes.
func exitCode(err error, out output) int {
	var usage usageError
	var problems strict.Problems
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &problems):
		for _, p := range problems {
			fmt.Fprintln(out.Err, p.Error())
		}
		return exitUsage
	case errors.As(err, &usage):
		fmt.Fprintln(out.Err, "faultkeep:", err)
		return exitUsage
	case errors.Is(err, errSaid):
		return exitFailed
	}
	fmt.Fprintln(out.Err, "faultkeep:", err)
	return exitFailed
}

// errSaid ends a command that has said already what is wrong.
var errSaid = errors.New("said")

// versionText is the version as it was built.
func versionText() string {
	if buildVersion != "" {
		return buildVersion
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(devel)"
}
