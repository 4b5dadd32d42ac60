package main

import (
	"context"
	"errors"
	"fmt"

	"faultkeep/daemon/archive"
)

type markCommand struct {
	dataFlag
	IDs         []string `arg:"" name:"id" help:"IDs of captures, or any beginning that only one has."`
	Reviewed    bool     `xor:"review" help:"Somebody has looked at them: they may go by the age given in the config."`
	NotReviewed bool     `xor:"review" help:"Nobody has looked at them yet."`
	Pin         bool     `xor:"pin" help:"They stay, however old they get."`
	Unpin       bool     `xor:"pin" help:"They needn't stay any more."`
	Note        string   `placeholder:"TEXT" help:"Write a note about them."`
	Tag         []string `placeholder:"WORD" help:"Give them a tag, a short word to know them by."`
	Untag       []string `placeholder:"WORD" help:"Take a tag off them."`
	JSON        bool     `name:"json" help:"Write what was marked as JSON."`
}

// Run marks captures, while faultkeep runs or not.
func (c *markCommand) Run(ctx context.Context, out output) error {
	m := archive.Marking{Reviewed: either(c.Reviewed, c.NotReviewed), Pinned: either(c.Pin, c.Unpin), Note: c.Note, Tags: c.Tag, Untag: c.Untag}
	if m.Reviewed == nil && m.Pinned == nil && m.Note == "" && len(m.Tags)+len(m.Untag) == 0 {
		return errors.New("say how to mark them: --reviewed, --not-reviewed, --pin, --unpin, --note, --tag or --untag")
	}
	folder, err := c.where()
	if err != nil {
		return err
	}
	marks, err := archive.ToMark(ctx, folder)
	if err != nil {
		return neverRan(folder, err)
	}
	defer marks.Close()
	for _, prefix := range c.IDs {
		found, err := marks.Find(ctx, prefix)
		if err != nil {
			return err
		}
		m.IDs = append(m.IDs, found.ID)
	}
	if err := marks.Mark(ctx, m); err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(out.Out, m)
	}
	_, err = fmt.Fprintf(out.Out, "Marked %s.\n", counted(len(m.IDs), "capture"))
	return err
}

// either is what one of two opposite flags says, nil where none was given.
func either(yes, no bool) *bool {
	if !yes && !no {
		return nil
	}
	return &yes
}
