package main

import (
	"context"
	"fmt"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/store/capture"
)

// repairCommand notes what was done to a machine, so that the trips can show
// whether it helped.
type repairCommand struct {
	Add  repairAdd  `cmd:"" help:"Note a repair."`
	List repairList `cmd:"" help:"List repairs and what the trips since then say of them."`
	Drop repairDrop `cmd:"" help:"Take a repair off the list; the ledger still tells of it."`
}

type repairAdd struct {
	dataFlag
	Drive string `required:"" placeholder:"NAME" help:"The drive, by its name in the config."`
	At    string `placeholder:"WHEN" help:"When it was done: 2026-11-24, \"2026-11-24 18:00\", 18:00 (the last one), or 36h or 7d (ago). Left out: now."`
	Note  string `required:"" placeholder:"TEXT" help:"What was done."`
	Fault string `placeholder:"CODE" help:"The fault code, as shown, that it was against. Left out: any."`
	JSON  bool   `name:"json" help:"Write what was noted as JSON."`
}

// Run notes a repair.
func (c *repairAdd) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	r := capture.Repair{Drive: c.Drive, Note: c.Note, Fault: c.Fault, At: time.Now()}
	if c.At != "" {
		r.At, err = when(c.At, time.Now(), p.zone)
	}
	if err == nil {
		err = c.known(ctx, p)
	}
	if closed := p.Close(); err == nil {
		err = closed
	}
	if err != nil {
		return err
	}
	r.At = r.At.UTC().Truncate(time.Second)
	if err := c.change(ctx, func(desk archive.Analyst) error { return desk.AddRepair(ctx, r) }); err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(out.Out, r)
	}
	_, err = fmt.Fprintf(out.Out, "Noted for %s, %s%s. `faultkeep repair list` tells from now on what the trips say of it.\n",
		clean(c.Drive), stamp(r.At, p.zone), againstText(c.Fault))
	return err
}

// known refuses a drive of which nothing was ever watched or kept: its name is
// most likely mistyped, and the repair would never be judged.
func (c *repairAdd) known(ctx context.Context, p place) error {
	list, err := p.Recurrences(ctx, archive.Query{Drive: c.Drive})
	if err != nil || len(list) > 0 {
		return err
	}
	return fmt.Errorf("no drive %q was ever watched and no capture is of it; `faultkeep recurrence` names the drives", clean(c.Drive))
}

type repairList struct {
	dataFlag
	Drive string `placeholder:"NAME" help:"Only this drive, by its name in the config."`
	JSON  bool   `name:"json" help:"Write JSON: a list of repairs with what the trips say of them."`
}

// Run lists repairs, oldest first.
func (c *repairList) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	all, err := p.Recurrences(ctx, archive.Query{Drive: c.Drive, Zone: p.zone})
	if err != nil {
		return err
	}
	list, titles := []archive.Repaired{}, []string{}
	for _, r := range all {
		for _, one := range r.Repairs {
			if r.Family == "" && (r.Fault == "") == (one.Fault == "") { // as it was meant
				list, titles = append(list, one), append(titles, p.name(r.Drive, r.Title))
			}
		}
	}
	if c.JSON {
		return writeJSON(out.Out, list)
	}
	if len(list) == 0 {
		fmt.Fprintln(out.Err, "No repairs are noted. `faultkeep repair add` notes one.")
	}
	for i, one := range list {
		fmt.Fprintln(out.Out, clean(titles[i]))
		tellRepair(out, p, one, "  ")
	}
	return nil
}

type repairDrop struct {
	dataFlag
	Drive string `required:"" placeholder:"NAME" help:"The drive, by its name in the config."`
	At    string `required:"" placeholder:"WHEN" help:"The time for which the repair was noted, to the second, as \"repair list\" shows it."`
}

// Run takes a repair off the list.
func (c *repairDrop) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	at, err := when(c.At, time.Now(), p.zone)
	if closed := p.Close(); err == nil {
		err = closed
	}
	if err != nil {
		return err
	}
	if err := c.change(ctx, func(desk archive.Analyst) error {
		return desk.DropRepair(ctx, capture.Repair{Drive: c.Drive, At: at})
	}); err != nil {
		return err
	}
	_, err = fmt.Fprintf(out.Out, "The repair of %s noted for %s is off the list.\n", clean(c.Drive), stamp(at, p.zone))
	return err
}

// change does something with what can be changed in the data folder.
func (f dataFlag) change(ctx context.Context, do func(archive.Analyst) error) error {
	return changing(ctx, f, archive.ToAnalyse, do)
}

// changing opens the data folder to change something in it, and closes it.
func changing[T interface{ Close() error }](ctx context.Context, f dataFlag, open func(context.Context, string) (T, error), do func(T) error) error {
	folder, err := f.where()
	if err != nil {
		return err
	}
	t, err := open(ctx, folder)
	if err != nil {
		return neverRan(folder, err)
	}
	defer t.Close()
	return do(t)
}
