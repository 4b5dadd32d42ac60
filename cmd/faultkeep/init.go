package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"golang.org/x/term"

	"faultkeep/daemon/config"
	"faultkeep/daemon/export"
)

type initCommand struct {
	To    string   `placeholder:"FILE" default:"faultkeep.yaml" help:"The config to write; left out: faultkeep.yaml here. What is there is never overwritten."`
	Site  string   `placeholder:"NAME" help:"Name of the plant; left out: this computer's name."`
	Data  string   `placeholder:"DIR" help:"Folder for all that is kept; left out: faultkeep-data beside the config."`
	Drive []string `placeholder:"NAME=ADDRESS[,UNIT][,MAP]" sep:"none" help:"A drive: its name, its address, and where they differ from 1 and builtin:generic-block its Modbus unit and its map; may be given several times."`
}

// Help is shown by --help.
func (initCommand) Help() string {
	return `Asks for what wasn't given, where it runs in a terminal; without --drive
elsewhere it says so. It writes one file and nothing else, and connects to nobody.`
}

// initDrive is one drive of a first config.
type initDrive struct {
	name, address string
	unit          int
	mapped        string
}

const usualMap = "builtin:generic-block"

// Run writes the config.
func (c *initCommand) Run(_ context.Context, out output) error {
	if _, err := os.Lstat(c.To); err == nil { // said before anybody answers questions
		return fmt.Errorf("%s exists already and isn't overwritten. Name another file with --to, or change that one", c.To)
	}
	in := bufio.NewReader(os.Stdin)
	var drives []initDrive
	for _, text := range c.Drive {
		d, err := parseDrive(text)
		if err != nil {
			return usageError{fmt.Errorf("--drive %q: %w", text, err)}
		}
		drives = append(drives, d)
	}
	if len(drives) == 0 {
		if !term.IsTerminal(int(os.Stdin.Fd())) {
			return usageError{errors.New("no drive is named, and nobody can be asked here. Give at least one --drive NAME=ADDRESS, as in --drive belt-2=192.0.2.12")}
		}
		var err error
		if drives, err = c.ask(in, out.Err); err != nil {
			return err
		}
	}
	text := c.text(drives)
	if _, problems := config.Parse(c.To, []byte(text)); len(problems) > 0 {
		return problems
	}
	err := export.Save(c.To, false, func(w io.Writer) error {
		_, err := io.WriteString(w, text)
		return err
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out.Out, `%s is written. Next:

  1. Open it and put in what only you know: each drive's map, how soon the plant resets a fault.
     faultkeep maps                             lists the maps that faultkeep carries
     faultkeep scan ADDRESS --map FILE          shows what a drive says by a map, to write one for yours
  2. faultkeep check --config %[2]s --probe     looks at each drive, by reading only
  3. faultkeep run --config %[2]s               watches; the page is at http://%[3]s
  4. faultkeep service install --config %[2]s   so that it starts with the machine

Nothing is ever written to a drive unless you allow it in the config.
`, c.To, quoted(c.To), config.DefaultListen)
	return err
}

// quoted is a path as a shell takes it.
func quoted(path string) string {
	if strings.ContainsAny(path, " '\"$&;()") {
		return `"` + path + `"`
	}
	return path
}

var driveName = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?$`)

// parseDrive reads NAME=ADDRESS[,UNIT][,MAP].
func parseDrive(text string) (d initDrive, err error) {
	name, rest, ok := strings.Cut(text, "=")
	if !ok {
		return d, errors.New("write it as in belt-2=192.0.2.12 or belt-3=192.0.2.20:502,3,maps/own.yaml")
	}
	parts := strings.Split(rest, ",")
	d = initDrive{name: strings.TrimSpace(name), unit: 1, mapped: usualMap}
	if !driveName.MatchString(d.name) {
		return d, fmt.Errorf("%q is no name for a drive; use letters, digits, hyphens", d.name)
	}
	address, wrong, hint := config.Address(strings.TrimSpace(parts[0]))
	if wrong != "" {
		return d, fmt.Errorf("%q %s; %s", parts[0], wrong, hint)
	}
	d.address = address
	for i, p := range parts[1:] {
		p = strings.TrimSpace(p)
		n, err := strconv.Atoi(p)
		switch {
		case err == nil && i == 0 && n >= 0 && n <= 255:
			d.unit = n
		case err == nil && i == 0:
			return d, fmt.Errorf("unit %d is not between 0 and 255", n)
		case err != nil && p != "" && d.mapped == usualMap:
			d.mapped = p
		default:
			return d, fmt.Errorf("%q is neither a unit nor a map", p)
		}
	}
	return d, nil
}

// ask asks on a terminal. An empty line takes what stands in brackets.
func (c *initCommand) ask(in *bufio.Reader, w io.Writer) (drives []initDrive, err error) {
	line := func(question, usual string) (string, error) {
		if usual != "" {
			question += " [" + usual + "]"
		}
		fmt.Fprint(w, question+": ")
		text, err := in.ReadString('\n')
		if text = strings.TrimSpace(text); text == "" {
			text = usual
		}
		if err == io.EOF && text != "" {
			err = nil
		}
		if err != nil {
			return "", errors.New("the answers ended, and nothing was written")
		}
		return text, nil
	}
	host, _ := os.Hostname()
	if c.Site == "" {
		if c.Site, err = line("Name of the plant", host); err != nil {
			return nil, err
		}
	}
	if c.Data == "" {
		if c.Data, err = line("Folder for all that is kept, on a local disk", "faultkeep-data"); err != nil {
			return nil, err
		}
	}
	fmt.Fprintln(w, "Drives, as in belt-2=192.0.2.12 or belt-3=192.0.2.20:502,3,maps/own.yaml: name, address, and where needed unit and map.")
	for {
		usual := ""
		if len(drives) > 0 {
			usual = "no more"
		}
		text, err := line(fmt.Sprintf("Drive %d", len(drives)+1), usual)
		switch {
		case err != nil:
			return nil, err
		case text == "no more" && len(drives) > 0:
			return drives, nil
		case text == "":
			continue
		}
		d, err := parseDrive(text)
		if err != nil {
			fmt.Fprintln(w, "That isn't one:", err)
			continue
		}
		drives = append(drives, d)
	}
}

// text is the config.
func (c *initCommand) text(drives []initDrive) string {
	var b strings.Builder
	line := func(text string, args ...any) { fmt.Fprintf(&b, text+"\n", args...) }
	line("# What faultkeep watches, where it keeps what it catches, and who hears of it.")
	line("# Every other setting is explained in the example config, configs/faultkeep.example.yaml.")
	line("")
	line("# Name of the plant, as it stands on the page and in messages. Left out: this computer's name.")
	if c.Site != "" {
		line("site: %s", scalar(c.Site))
	} else {
		line("#site: Northquay grain terminal")
	}
	line("\n# Folder for all captures and the ledger; made if its parent is there. Put it on a\n# local disk: never on a network share or a USB stick.")
	data := c.Data
	if data == "" {
		data = "faultkeep-data"
	} else if abs, err := filepath.Abs(data); err == nil && c.Data != "faultkeep-data" && filepath.Dir(c.To) != "." {
		data = abs // a flag is seen from here, the config's paths from its folder
	}
	line("data: %s", scalar(data))
	line(`
# The page, for this computer only. Before you open it to others: tls: and users:.
web:
  listen: %s

# CAUTION. faultkeep only reads, unless allow: says otherwise for a drive. It never
# resets a fault, never starts or stops a drive, and is no part of any safety
# function: that no alert came never means that a machine is safe to work on.
# Before work on a drive follow your site's lockout, wait the time on the device's
# label, then measure the DC link.
drives:`, config.DefaultListen)
	for _, d := range drives {
		line("  - name: %s", scalar(d.name))
		line("    #title:                        # as people call it; left out: the name")
		line("    address: %s", scalar(d.address))
		line("    unit: %d", d.unit)
		line("    map: %s  # where this drive model shows its recording: a file, or builtin:NAME", scalar(d.mapped))
		line("    #reset_after: 5s               # how soon the plant's PLC resets a fault: the race to win")
	}
	line(`
# Who hears of what. Left out: the log.
#alerts:
#  sinks:
#    - name: alert-file
#      file: {path: alerts.jsonl}`)
	return b.String()
}

// scalar is a word as YAML takes it, whatever is in it.
func scalar(s string) string {
	b, err := yaml.Marshal(s)
	if err != nil || strings.Count(string(b), "\n") != 1 {
		return strconv.Quote(s)
	}
	return strings.TrimSuffix(string(b), "\n")
}
