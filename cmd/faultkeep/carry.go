package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/carry"
	"faultkeep/daemon/export"
	"faultkeep/store"
	"faultkeep/store/capture"
)

type carryCommand struct {
	dataFlag
	To    string `required:"" placeholder:"DIR" help:"Folder on the stick. What was carried to it is noted there, so that each stick gets what is new to it."`
	Since string `placeholder:"WHEN" help:"Only trips from this time on: 2026-11-24, \"2026-11-24 18:00\", 18:00 (the last one), or 36h or 7d (ago)."`
	All   bool   `help:"Also what was carried to this stick before and was taken off it since."`
	JSON  bool   `name:"json" help:"Tell what was carried as JSON."`
}

// Run carries all captures that are new to the stick.
func (c *carryCommand) Run(ctx context.Context, out output) error {
	if c.To == "" {
		return usageError{errors.New("--to names no folder")}
	}
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	q, err := pick{Since: c.Since}.query(time.Now(), p.zone)
	if err != nil {
		return err
	}
	captures, err := p.Captures(ctx, q)
	if err != nil {
		return err
	}
	q.Unread = true
	unread, err := p.Captures(ctx, q)
	if err != nil {
		return err
	}
	said, clear := saying(out.Err)
	defer clear()
	done, err := carry.Run(ctx, carry.Options{To: c.To, Site: p.site, Zone: p.zone, All: c.All, Captures: captures, Free: store.FreeSpace,
		Record: func(ctx context.Context, id capture.ID) (export.Record, error) { return record(ctx, p, id) },
		Skip:   func(err error) bool { return errors.Is(err, archive.ErrDamaged) || errors.Is(err, archive.ErrNotFound) },
		Progress: func(at carry.Progress) {
			said(func() string {
				if at.Checking {
					return fmt.Sprintf("%d of %d on the stick read again", at.Done, at.Of)
				}
				return fmt.Sprintf("%d of %d carried, %s", at.Done, at.Of, size(at.Bytes))
			})
		}})
	clear()
	if err != nil {
		return err
	}
	if n := len(unread); n > 0 {
		fmt.Fprintf(out.Err, "%s couldn't be read so far, so no bundle is made of it; `faultkeep list --unread` tells why.\n", counted(n, "file"))
	}
	if c.JSON {
		if err := writeJSON(out.Out, done); err != nil {
			return err
		}
	} else {
		c.tell(out, done)
	}
	if len(done.Left) > 0 {
		return errSaid
	}
	return nil
}

func (c *carryCommand) tell(out output, done carry.Done) {
	if len(done.Carried) == 0 {
		fmt.Fprintf(out.Out, "Nothing is new to %s.", clean(c.To))
	} else {
		fmt.Fprintf(out.Out, "%s carried, %s, each read back.", counted(len(done.Carried), "capture"), size(done.Bytes))
	}
	if done.There > 0 {
		fmt.Fprintf(out.Out, " %s there before and intact.", counted(done.There, "capture"))
	}
	fmt.Fprintln(out.Out)
	if done.Taken > 0 {
		fmt.Fprintf(out.Out, "%s carried before and taken off since; --all carries them again.\n", counted(done.Taken, "capture"))
	}
	for _, id := range done.Damaged {
		fmt.Fprintf(out.Err, "%s wasn't any more what was carried; if it is still kept, it was written anew.\n", clean(string(id)))
	}
	for _, l := range done.Left {
		fmt.Fprintf(out.Err, "%s can't be carried: %s\n", clean(string(l.Capture)), clean(l.Why))
	}
	fmt.Fprintf(out.Out, "Open %s\n", clean(done.Index))
}
