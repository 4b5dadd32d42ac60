package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

type analyseCommand struct {
	dataFlag
	pick
	IDs  []string `arg:"" optional:"" name:"id" help:"IDs of captures, or beginnings that only one has; or say with flags which ones."`
	All  bool     `help:"Every capture."`
	Why  bool     `help:"Tell also what each finding rests on."`
	JSON bool     `name:"json" help:"Write JSON: a list of captures with their findings."`
}

// analysed is what analyse --json writes for each capture.
type analysed struct {
	Capture capture.ID `json:"capture"`
	capture.Study
}

// Run computes findings anew, stores them in the place of those before, and tells them.
func (c *analyseCommand) Run(ctx context.Context, out output) error {
	if named := len(c.IDs) > 0; named == (c.All || c.pick != (pick{})) {
		return usageError{errors.New("say which captures: by their IDs, or by --since, --until, --drive or --fault, or --all of them")}
	}
	p, err := c.open(ctx) // for the zone and the titles
	if err != nil {
		return err
	}
	list, err := c.which(ctx, p)
	if closed := p.Close(); err == nil {
		err = closed // the file can be opened for writing only once it isn't read any more
	}
	if err != nil {
		return err
	}
	return c.change(ctx, func(desk archive.Analyst) error { return c.analyse(ctx, out, p, desk, list) })
}

// analyse computes the findings of captures one by one and tells them.
func (c *analyseCommand) analyse(ctx context.Context, out output, p place, desk archive.Analyst, list []capture.Capture) error {
	said, clear := saying(out.Err)
	defer clear()
	all := []analysed{}
	for i, one := range list {
		said(func() string { return fmt.Sprintf("%d of %d analysed", i, len(list)) })
		study, err := desk.Analyse(ctx, one.ID, p.zone)
		if err != nil {
			return err
		}
		if c.JSON {
			all = append(all, analysed{one.ID, study})
			continue
		}
		clear()
		fmt.Fprintf(out.Out, "%s  %s  %s\n%s\n", clean(p.name(one.Drive, one.Title)), clean(one.Fault.String()), stamp(one.Trigger.Time, p.zone), one.ID)
		if err := report.Findings(out.Out, study.Findings, c.Why); err != nil {
			return err
		}
		fmt.Fprintln(out.Out)
	}
	if c.JSON {
		return writeJSON(out.Out, all)
	}
	_, err := fmt.Fprintln(out.Out, report.FindingsCaution)
	return err
}

// which are the captures that IDs or flags mean, newest first; traces and
// unread files have nothing to analyse.
func (c *analyseCommand) which(ctx context.Context, p place) (list []capture.Capture, err error) {
	for _, prefix := range c.IDs {
		one, err := p.Find(ctx, prefix)
		if err != nil {
			return nil, err
		}
		if one.Origin != capture.Recorded {
			return nil, fmt.Errorf("%s is no recording of a drive (%s), so there is nothing to analyse", one.ID, one.Wholeness())
		}
		list = append(list, one)
	}
	if len(c.IDs) > 0 {
		return list, nil
	}
	q, err := c.query(time.Now(), p.zone)
	if err != nil {
		return nil, err
	}
	found, err := p.Captures(ctx, q)
	if err != nil {
		return nil, err
	}
	for _, one := range found {
		if one.Origin == capture.Recorded {
			list = append(list, one)
		}
	}
	if len(list) == 0 {
		return nil, errors.New("no captures among those asked for; `faultkeep list` shows them all")
	}
	return list, nil
}
