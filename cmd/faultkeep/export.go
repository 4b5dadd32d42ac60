package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"faultkeep/daemon/export"
	"faultkeep/store/capture"
)

type exportCommand struct {
	dataFlag
	pick
	IDs   []string `arg:"" optional:"" name:"id" help:"IDs of captures, or beginnings that only one has; or say with flags which ones."`
	As    string   `required:"" placeholder:"FORMAT" help:"csv: a row a sample. comtrade: IEEE C37.111 in one .cff file. bundle: a zip of everything, with hashes. json: all that is known, original bytes included. parquet: a row a sample in a column a channel, for notebooks and SQL."`
	To    string   `required:"" placeholder:"FILE|DIR|-" help:"File to write; a folder, which gets a file a capture, named after its ID; or - for standard output."`
	Names string   `default:"short" placeholder:"SCHEME" help:"How files in a folder are named: short, after the ID, or c37.232, after IEEE C37.232: date, time, station, device."`
	Force bool     `help:"Replace files that are there already."`
	JSON  bool     `name:"json" help:"Tell what was written where as JSON."`
}

// exported is one file that was written.
type exported struct {
	Capture capture.ID `json:"capture"`
	File    string     `json:"file"`

	short string // its file's name in a folder
}

// Run writes every capture asked for, each file whole or not at all.
func (c *exportCommand) Run(ctx context.Context, out output) error {
	format, err := export.Find(c.As)
	switch {
	case err != nil:
		return usageError{err}
	case export.FindName(c.Names) != nil:
		return usageError{export.FindName(c.Names)}
	case len(c.IDs) == 0 && c.pick == (pick{}):
		return usageError{errors.New("say which captures: by their IDs, or by --since, --until, --drive or --fault")}
	case len(c.IDs) > 0 && c.pick != (pick{}):
		return usageError{errors.New("IDs say already which captures; leave --since, --until, --drive and --fault out")}
	case c.To == "":
		return usageError{errors.New("--to names no file and no folder")}
	case c.To == "-" && c.JSON:
		return usageError{errors.New("with --to - standard output takes the capture and nothing else; leave --json out")}
	}
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	targets, err := c.targets(ctx, p, format)
	if err != nil {
		return err
	}
	done := []exported{}
	said, clear := saying(out.Err)
	defer clear()
	for _, t := range targets {
		r, err := record(ctx, p, t.Capture)
		if err != nil {
			return err
		}
		tell := func(n int64) {
			said(func() string {
				return fmt.Sprintf("%d of %d written, %s of the next", len(done), len(targets), size(n))
			})
		}
		if c.To == "-" {
			return format.Write(&counting{to: until{ctx, out.Out}, tell: tell}, r)
		}
		if err := c.save(ctx, t.File, format, r, tell); err != nil {
			return err
		}
		done = append(done, t)
		if !c.JSON {
			clear()
			fmt.Fprintf(out.Out, "%s  %s\n", t.Capture, t.File)
		}
	}
	if c.JSON {
		return writeJSON(out.Out, done)
	}
	return nil
}

func (c *exportCommand) save(ctx context.Context, file string, format export.Format, r export.Record, tell func(n int64)) error {
	err := export.Save(file, c.Force, func(w io.Writer) error {
		return format.Write(&counting{to: until{ctx, w}, tell: tell}, r)
	})
	switch {
	case errors.Is(err, export.ErrExists):
		return fmt.Errorf("%w; --force replaces it", err)
	case ctx.Err() != nil && err != nil:
		return fmt.Errorf("stopped before %s was written; nothing half is left", file)
	}
	return err
}

// targets finds every capture and its file before any is written, so that what
// can't be done is said first.
func (c *exportCommand) targets(ctx context.Context, p place, format export.Format) (out []exported, err error) {
	if len(c.IDs) == 0 {
		return c.picked(ctx, p, format)
	}
	seen := map[capture.ID]bool{}
	for _, prefix := range c.IDs {
		found, err := p.Find(ctx, prefix)
		if err != nil {
			return nil, err
		}
		if !seen[found.ID] {
			seen[found.ID] = true
			out = append(out, exported{found.ID, c.To, export.NameBy(c.Names, found, format.Extension)})
		}
	}
	return c.placed(out, format)
}

// picked are the captures that the flags mean.
func (c *exportCommand) picked(ctx context.Context, p place, format export.Format) (out []exported, err error) {
	q, err := c.query(time.Now(), p.zone)
	if err != nil {
		return nil, err
	}
	captures, err := p.Captures(ctx, q)
	if err != nil {
		return nil, err
	}
	for _, one := range captures {
		out = append(out, exported{one.ID, c.To, export.NameBy(c.Names, one, format.Extension)})
	}
	if len(out) == 0 {
		return nil, errors.New("no captures among those asked for; `faultkeep list` shows them all")
	}
	return c.placed(out, format)
}

// placed gives every capture its file.
func (c *exportCommand) placed(out []exported, format export.Format) ([]exported, error) {
	if c.To == "-" {
		if len(out) > 1 {
			return nil, usageError{errors.New("standard output takes one capture; name a folder for several")}
		}
		return out, nil
	}
	// How many the flags pick can't be foreseen, so that they need a folder, too.
	several := len(out) > 1 || len(c.IDs) == 0 && filepath.Ext(c.To) != format.Extension
	info, err := os.Stat(c.To)
	isFolder := err == nil && info.IsDir()
	switch {
	case isFolder:
	case several && err == nil:
		return nil, usageError{fmt.Errorf("--to %s is a file; several captures need a folder", c.To)}
	case several || os.IsPathSeparator(c.To[len(c.To)-1]):
		if err := os.MkdirAll(c.To, 0o777); err != nil {
			return nil, fmt.Errorf("the folder for the captures can't be made: %w", err)
		}
		isFolder = true
	}
	for i, t := range out {
		if isFolder {
			out[i].File = filepath.Join(c.To, t.short)
		}
		if _, err := os.Lstat(out[i].File); err == nil && !c.Force {
			return nil, fmt.Errorf("%s: %w; --force replaces it", out[i].File, export.ErrExists)
		}
	}
	return out, nil
}

func record(ctx context.Context, p place, id capture.ID) (r export.Record, err error) {
	if r.Capture, r.Series, err = p.Samples(ctx, id); err != nil {
		return r, err
	}
	if r.Original, _, err = p.Original(ctx, id, capture.Data); err != nil {
		return r, err
	}
	for _, part := range r.Capture.Integrity.Parts {
		b, _, err := p.Original(ctx, id, part.Name)
		if err != nil {
			return r, err
		}
		r.Parts = append(r.Parts, export.Part{Name: part.Name, Bytes: b})
	}
	r.Study, err = p.Study(ctx, id, p.zone)
	return r, err
}

// until passes on what is written until its context ends.
type until struct {
	ctx context.Context
	to  io.Writer
}

func (u until) Write(b []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.to.Write(b)
}
