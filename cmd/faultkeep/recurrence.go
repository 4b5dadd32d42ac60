package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"faultkeep/daemon/archive"
)

type recurrenceCommand struct {
	dataFlag
	pick
	JSON bool `name:"json" help:"Write JSON: a list, the drive before its fault codes and these before their families."`
}

// Run tells how often trips come, whether more often than before, and what repairs changed.
func (c *recurrenceCommand) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	q, err := c.query(time.Now(), p.zone)
	if err != nil {
		return err
	}
	q.Zone = p.zone
	list, err := p.Recurrences(ctx, q)
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(out.Out, list)
	}
	if len(list) == 0 {
		fmt.Fprintln(out.Err, "No drive was watched and no trip is known in this period.")
		return nil
	}
	drive := ""
	for i, r := range list {
		if r.Drive != drive {
			if drive = r.Drive; i > 0 {
				fmt.Fprintln(out.Out)
			}
			fmt.Fprintln(out.Out, clean(p.name(r.Drive, r.Title)))
		}
		indent := recurrenceHead(out, r)
		for _, s := range r.Text {
			fmt.Fprintf(out.Out, "%s%s\n", indent, clean(s))
		}
		for _, one := range r.Repairs {
			tellRepair(out, p, one, indent)
		}
	}
	return nil
}

// recurrenceHead names a part of a drive's trips, and gives the indent of what is said of it.
func recurrenceHead(out output, r archive.Recurrence) string {
	switch {
	case r.Family != "":
		fmt.Fprintf(out.Out, "    family %s\n", clean(r.Family))
		return strings.Repeat(" ", 6)
	case r.Fault != "":
		fmt.Fprintf(out.Out, "  %s\n", clean(r.Fault))
		return strings.Repeat(" ", 4)
	}
	return "  "
}

// tellRepair tells a repair and what the trips say of it.
func tellRepair(out output, p place, one archive.Repaired, indent string) {
	fmt.Fprintf(out.Out, "%sRepair of %s%s: %s\n", indent, stamp(one.At, p.zone), againstText(one.Fault), clean(one.Note))
	for _, s := range one.Judged.Text {
		fmt.Fprintf(out.Out, "%s  %s\n", indent, clean(s))
	}
}

func againstText(fault string) string {
	if fault == "" {
		return ""
	}
	return " (against " + clean(fault) + ")"
}
