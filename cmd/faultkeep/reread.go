package main

import (
	"context"
	"fmt"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/intake"
	"faultkeep/sources/folder"
	"faultkeep/store/capture"
)

type rereadCommand struct {
	dataFlag
	IDs    []string `arg:"" optional:"" name:"id" help:"IDs of unread files, or beginnings that only one has. Left out: all of them."`
	Format string   `placeholder:"NAME" help:"Read them in this format, whatever the config says."`
	JSON   bool     `name:"json" help:"Tell what became of every one as JSON."`
}

// Run decodes files again that couldn't be read, as the config says now.
func (c *rereadCommand) Run(ctx context.Context, out output) error {
	s, err := c.settings()
	if err != nil {
		return err
	}
	in, err := archive.ToTake(ctx, s.data, s.site)
	if err != nil {
		return neverRan(s.data, err)
	}
	defer in.Close()
	list, err := c.list(ctx, in)
	if err != nil {
		return err
	}
	var common folder.Reader
	if err := s.complete(&common); err != nil {
		return err
	}
	t := newTeller(out, c.JSON, "read")
	err = intake.Reread(ctx, in, list, func(x capture.Capture) folder.Reader { return c.readerOf(s, common, x) }, t.tell)
	return t.end(err)
}

// list are the unread files asked for.
func (c *rereadCommand) list(ctx context.Context, in archive.Archive) (list []capture.Capture, err error) {
	if len(c.IDs) == 0 {
		return in.Captures(ctx, archive.Query{Unread: true})
	}
	for _, id := range c.IDs {
		x, err := in.Find(ctx, id)
		if err != nil {
			return nil, err
		}
		if x.Origin != capture.Unread {
			return nil, usageError{fmt.Errorf("%s isn't a file that couldn't be read. `faultkeep list --unread` lists those", x.ID)}
		}
		list = append(list, x)
	}
	return list, nil
}

// readerOf reads as the folder says from which the files came; where the
// config doesn't name it any more, by whatever format takes them.
func (c *rereadCommand) readerOf(s settings, common folder.Reader, x capture.Capture) folder.Reader {
	r := folder.Reader{Config: folder.Config{Name: x.Provenance.Folder, Drive: x.Drive}, Zone: s.zone}
	if f, ok := s.folderNamed(x.Provenance.Folder); ok {
		r = s.readerOf(f)
	}
	r.Decoders, r.Titles = common.Decoders, common.Titles
	if len(r.Faults) == 0 {
		r.Faults = common.Faults
	}
	if c.Format != "" {
		r.Config.Format = c.Format
	}
	return r
}
