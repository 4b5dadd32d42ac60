package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"faultkeep/configs"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
	"faultkeep/daemon/intake"
	"faultkeep/sources/faultcode"
	"faultkeep/sources/folder"
	"faultkeep/store/capture"
)

type importCommand struct {
	dataFlag
	Files  []string `arg:"" name:"file" help:"Files to read. Those that belong together (.cfg with .dat) count as one; a .zip archive counts for what is in it."`
	Folder string   `placeholder:"NAME" help:"Read them as files of this folder of the config: its format, its zone, its drive."`
	Drive  string   `placeholder:"NAME" help:"Whose recordings they are. Left out: as --folder says, else import."`
	Fault  string   `placeholder:"CODE" help:"Fault code, where a file doesn't say."`
	Format string   `placeholder:"NAME" help:"Format of the files. Left out: the first that takes them for its own."`
	Zone   string   `placeholder:"ZONE" help:"Time zone of time stamps that name none, such as Europe/Oslo. Left out: the plant's."`
	JSON   bool     `name:"json" help:"Tell what became of every file as JSON."`
}

// Run keeps what is in files, while faultkeep runs or not.
func (c *importCommand) Run(ctx context.Context, out output) error {
	s, err := c.settings()
	if err != nil {
		return err
	}
	reader, err := c.reader(s)
	if err != nil {
		return err
	}
	in, err := archive.ToTake(ctx, s.data, s.site)
	if err != nil {
		return neverRan(s.data, err)
	}
	defer in.Close()
	t := newTeller(out, c.JSON, "read")
	err = intake.Import(ctx, in, reader, c.Files, t.tell)
	return t.end(err)
}

// settings are what import and reread need of the config, or without one.
type settings struct {
	data, site string
	zone       *time.Location
	loaded     *config.Loaded // nil where only --data was given
}

// settings reads the config, if there is one to read.
func (f dataFlag) settings() (s settings, err error) {
	s.zone = time.Local
	if f.Data != "" {
		if s.data, err = f.folder(); err != nil {
			return s, err
		}
	}
	if f.Data == "" || f.Config != "" {
		if s.loaded, err = f.load(); err != nil {
			return s, orData(err)
		}
		s.zone, s.site = s.loaded.Location, s.loaded.Config.Site
		if s.data == "" {
			s.data = s.loaded.Config.Data
		}
	}
	return s, nil
}

// reader is how the files are to be read.
func (c *importCommand) reader(s settings) (folder.Reader, error) {
	r := folder.Reader{Config: folder.Config{Drive: "import"}, Zone: s.zone}
	if c.Folder != "" {
		f, ok := s.folderNamed(c.Folder)
		if !ok {
			return r, usageError{fmt.Errorf("--folder %s: the config has no folder of that name", c.Folder)}
		}
		r = s.readerOf(f)
	}
	if err := s.complete(&r); err != nil {
		return r, err
	}
	if c.Drive != "" {
		r.Config.Drive, r.Config.DriveFrom = strings.TrimSpace(c.Drive), nil
	}
	if c.Fault != "" {
		r.Config.Fault = c.Fault
	}
	if c.Format != "" {
		if known := config.FormatNames(); !slices.Contains(known, c.Format) {
			return r, usageError{fmt.Errorf("--format %s isn't known; there are %s", c.Format, strings.Join(known, ", "))}
		}
		r.Config.Format = c.Format
	}
	if c.Zone != "" {
		zone, err := time.LoadLocation(c.Zone)
		if err != nil {
			return r, usageError{fmt.Errorf("--zone: there is no time zone %q. Write it as in Europe/Oslo", c.Zone)}
		}
		r.Zone = zone
	}
	return r, nil
}

func (s settings) folderNamed(name string) (config.Folder, bool) {
	if s.loaded != nil {
		for _, f := range s.loaded.Folders {
			if f.Config.Name == name {
				return f, true
			}
		}
	}
	return config.Folder{}, false
}

// readerOf reads as a folder of the config does.
func (s settings) readerOf(f config.Folder) folder.Reader {
	return folder.Reader{Config: f.Config, Faults: f.Faults, Zone: f.Zone}
}

// complete gives a reader what is the same for all.
func (s settings) complete(r *folder.Reader) error {
	r.Decoders = config.Formats
	if s.loaded != nil {
		r.Titles = s.loaded.Titles()
	}
	if len(r.Faults) == 0 {
		b, err := configs.Faults(strings.TrimPrefix(config.DefaultFaults, "builtin:"))
		if err != nil {
			return err
		}
		table, problems := faultcode.Parse(config.DefaultFaults, b)
		if len(problems) > 0 {
			return problems
		}
		r.Faults = faultcode.Tables{table}
	}
	return nil
}

// teller tells what became of files.
type teller struct {
	out     output
	json    bool
	done    string // in words: "read", "read again"
	said    func(func() string)
	clear   func()
	results []intake.Result
	kept    int
	known   int
	failed  int
}

func newTeller(out output, json bool, done string) *teller {
	t := &teller{out: out, json: json, done: done, results: []intake.Result{}}
	t.said, t.clear = saying(out.Err)
	return t
}

func (t *teller) tell(r intake.Result, done, total int) {
	t.results = append(t.results, r)
	t.kept += len(r.Kept)
	t.known += len(r.Known)
	if r.Error != "" {
		t.failed++
	}
	if !t.json {
		t.clear()
		for _, c := range r.Captures {
			what, text := "kept", c.Fault.String()
			if c.Origin == capture.Unread {
				what, text = "unread", c.Integrity.Why
			}
			fmt.Fprintf(t.out.Out, "%-6s %s  %s  %s\n", what, c.ID, clean(c.Name()), clean(text))
		}
		for _, id := range r.Known {
			fmt.Fprintf(t.out.Out, "known  %s\n", id)
		}
		if r.Error != "" {
			fmt.Fprintf(t.out.Err, "faultkeep: %s\n", clean(r.Error))
		}
	}
	t.said(func() string { return fmt.Sprintf("%d of %d %s", done, total, t.done) })
}

// end sums up. Where anything couldn't be read the command fails.
func (t *teller) end(err error) error {
	t.clear()
	if t.json {
		err = errors.Join(err, writeJSON(t.out.Out, t.results))
	} else if err == nil {
		fmt.Fprintf(t.out.Err, "%s kept, %d known before, %d not %s.\n", counted(t.kept, "capture"), t.known, t.failed, t.done)
	}
	if err == nil && t.failed > 0 {
		return errSaid
	}
	return err
}
