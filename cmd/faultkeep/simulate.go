package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"faultkeep/configs"
	"faultkeep/configs/strict"
	"faultkeep/daemon/config"
	"faultkeep/daemon/demo"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/faultcode"
)

type simulateCommand struct {
	Listen  string        `help:"Address to serve at." default:"127.0.0.1" placeholder:"HOST"`
	Port    int           `help:"Port of the first drive; the others follow. 0: any free ones." default:"1502" placeholder:"PORT"`
	Drive   []string      `help:"Only this drive; can be given again." placeholder:"NAME"`
	Trips   string        `help:"Mean time between a drive's trips, such as 20s, or never." default:"20s" placeholder:"TIME"`
	Reset   string        `help:"How soon the PLC resets a trip, such as 2s, or never. Left out: some seconds, differing." placeholder:"TIME"`
	Latency time.Duration `help:"How long a drive takes to answer, such as 30ms. Left out: 1 to 3 ms." placeholder:"TIME"`
	Seed    *uint64       `help:"The same seed gives the same trips." placeholder:"N"`
	For     time.Duration `help:"End by itself after this time; else Ctrl-C ends it." placeholder:"TIME"`
	Write   string        `help:"Write faultkeep.yaml and the maps into this folder, instead of printing the config." placeholder:"DIR"`
}

// Help is shown by --help.
func (simulateCommand) Help() string {
	return `Serves simulated drives by Modbus TCP, each with a recorder of its own, for any
Modbus tool or another faultkeep to read: plain registers (block), a window of
pages, and file records. They trip now and then; a simulated PLC resets them some
seconds later, and now and then their power is cut. Whoever reaches them can write
to them what a drive of their kind takes.`
}

// Run serves until ctx ends or the time is over.
func (c simulateCommand) Run(ctx context.Context, out output) error {
	seed := rand.Uint64N(1_000_000)
	if c.Seed != nil {
		seed = *c.Seed
	}
	specs, err := c.specs(seed)
	if err != nil {
		return err
	}
	plant, err := demo.NewPlant(specs, c.listen)
	if err != nil {
		return err
	}
	defer plant.Close()
	fmt.Fprintf(out.Out, "Simulated drives of the grain terminal Northquay, seed %d. Ctrl-C ends.\n\n", seed)
	c.list(out.Out, plant)
	if err := c.config(out.Out, plant); err != nil {
		return err
	}
	if c.For > 0 {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, c.For)
		defer stop()
	}
	return c.watch(ctx, out.Out, plant)
}

// specs are the drives that are wanted.
func (c simulateCommand) specs(seed uint64) ([]drivesim.Spec, error) {
	if c.For < 0 {
		return nil, usageError{fmt.Errorf("--for %s lies in the past", c.For)}
	}
	if c.Latency < 0 || c.Latency > time.Minute {
		return nil, usageError{fmt.Errorf("--latency %s is no time that a drive takes to answer; write it as 30ms, up to 1m", c.Latency)}
	}
	specs := demo.Northquay(seed)
	var names []string
	for i := range specs {
		names = append(names, specs[i].Name)
		if err := cmp.Or(c.trips(&specs[i].Plan), c.reset(&specs[i].Plan)); err != nil {
			return nil, err
		}
		if c.Latency > 0 {
			specs[i].Latency = c.Latency
		}
	}
	for _, name := range c.Drive {
		if !slices.Contains(names, name) {
			return nil, usageError{fmt.Errorf("there is no drive %q; %s", name, strict.Choice(name, names))}
		}
	}
	if len(c.Drive) > 0 {
		specs = slices.DeleteFunc(specs, func(s drivesim.Spec) bool { return !slices.Contains(c.Drive, s.Name) })
	}
	return specs, nil
}

// trips sets how often a drive trips.
func (c simulateCommand) trips(p *drivesim.Plan) error {
	if c.Trips == "never" {
		*p = drivesim.Plan{}
		return nil
	}
	mean, err := time.ParseDuration(c.Trips)
	if err != nil || mean <= 0 {
		return usageError{fmt.Errorf("--trips %s is no time; write it as 20s or 2m, or never", c.Trips)}
	}
	p.Mean, p.Least = mean, min(p.Least, mean/2)
	return nil
}

// reset sets how soon a trip is reset.
func (c simulateCommand) reset(p *drivesim.Plan) error {
	switch c.Reset {
	case "":
		return nil
	case "never":
		p.ResetMin, p.ResetMax = 0, 0
		return nil
	}
	after, err := time.ParseDuration(c.Reset)
	if err != nil || after <= 0 {
		return usageError{fmt.Errorf("--reset %s is no time; write it as 2s or 500ms, or never", c.Reset)}
	}
	p.ResetMin, p.ResetMax = after, after
	return nil
}

func (c simulateCommand) listen(number int) (net.Listener, error) {
	port := c.Port
	if port != 0 {
		port += number
	}
	if port < 0 || port > 65535 {
		return nil, usageError{fmt.Errorf("--port %d leaves no room for all drives: ports go from 1 to 65535", c.Port)}
	}
	l, err := net.Listen("tcp", net.JoinHostPort(c.Listen, strconv.Itoa(port)))
	if err != nil {
		return nil, fmt.Errorf("a drive can't be served: %w. Choose other ports with --port", err)
	}
	return l, nil
}

func (c simulateCommand) list(w io.Writer, plant *demo.Plant) {
	for _, d := range plant.Drives {
		fmt.Fprintf(w, "  %-16s  %s  unit %d  map %s\n", d.Name(), d.Address(), d.Spec.Unit, d.MapName())
	}
	fmt.Fprintln(w)
}

const simulatedHead = `# A config that watches the simulated drives. Arming is allowed here because
# nothing but a simulation is behind it.
site: Northquay grain terminal
data: faultkeep-data
`

// config prints a config that watches the drives, or writes it with the maps.
func (c simulateCommand) config(w io.Writer, plant *demo.Plant) error {
	if c.Write == "" {
		fmt.Fprintf(w, "%s%s\n", simulatedHead, plant.Entries(false))
		return nil
	}
	path := filepath.Join(c.Write, usualConfig)
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("%s is there already, and is left alone. Name another folder with --write", path)
	}
	if err := os.MkdirAll(c.Write, 0o755); err != nil {
		return err
	}
	if err := plant.WriteMaps(c.Write); err != nil {
		return err
	}
	part := path + ".part" // so that who waits for the file never reads half of it
	if err := os.WriteFile(part, []byte(simulatedHead+plant.Entries(true)), 0o644); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	fmt.Fprintf(w, "To watch them: faultkeep run --config %s\n\n", path)
	return nil
}

// watch prints what happens.
func (c simulateCommand) watch(ctx context.Context, w io.Writer, plant *demo.Plant) error {
	text, err := configs.Faults(strings.TrimPrefix(config.DefaultFaults, "builtin:"))
	if err != nil {
		return err
	}
	table, problems := faultcode.Parse(config.DefaultFaults, text)
	if len(problems) > 0 {
		return problems
	}
	faults := faultcode.Tables{table}
	plant.Watch(ctx, func(e demo.Event) {
		fmt.Fprintf(w, "%s  %-16s  %s\n", e.Time.Local().Format("15:04:05.0"), e.Drive.Name(), e.Words(faults.Lookup(uint32(e.Truth.FaultCode)).String()))
	})
	return nil
}
