package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/brief"
	"faultkeep/daemon/export"
)

type briefCommand struct {
	dataFlag
	Since string `placeholder:"WHEN" help:"From this time on: 2026-11-24, \"2026-11-24 18:00\", 18:00 (the last one), or 36h or 7d (ago). Left out: since the last brief that was made by itself, or for the last 24 hours."`
	Until string `placeholder:"WHEN" help:"Until this time, written the same way. Left out: now."`
	Last  bool   `help:"The last one that was made by itself, as it was sent."`
	Text  bool   `xor:"form" help:"Write it as plain text, as is usual."`
	JSON  bool   `xor:"form" name:"json" help:"Write it as JSON."`
	HTML  string `xor:"form" name:"html" placeholder:"FILE|-" help:"Write it as a page to a file, which needs nothing else and prints on A4; or - for standard output."`
	Force bool   `help:"Replace a file that is there already."`
}

// Run tells what happened, as the brief of the morning does.
func (c *briefCommand) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	b, err := c.brief(ctx, p)
	if err != nil {
		return err
	}
	switch {
	case c.JSON:
		return writeJSON(out.Out, b.Brief)
	case c.HTML != "":
		if c.HTML == "-" {
			_, err = io.WriteString(out.Out, b.HTML)
			return err
		}
		err = export.Save(c.HTML, c.Force, func(w io.Writer) error {
			_, err := io.WriteString(w, b.HTML)
			return err
		})
		if errors.Is(err, export.ErrExists) {
			return fmt.Errorf("%w; --force replaces it", err)
		}
		if err == nil {
			_, err = fmt.Fprintf(out.Out, "%s\n%s\n", b.Headline, c.HTML)
		}
		return err
	}
	_, err = io.WriteString(out.Out, b.Text)
	return err
}

// brief is the last one, or one of a period.
func (c *briefCommand) brief(ctx context.Context, p place) (out archive.Brief, err error) {
	if c.Last {
		if c.Since != "" || c.Until != "" {
			return out, usageError{errors.New("--last has its own period; leave --since and --until out")}
		}
		return p.Brief(ctx, "")
	}
	o, err := c.period(ctx, p, time.Now())
	if err != nil {
		return out, err
	}
	b, err := brief.Gather(ctx, p, o)
	if err != nil {
		return out, err
	}
	out = archive.Brief{Headline: b.Headline, Text: b.Text()}
	if out.HTML, err = b.HTML(); err != nil {
		return out, err
	}
	text, err := b.JSON()
	out.Brief = json.RawMessage(text)
	return out, err
}

func (c *briefCommand) period(ctx context.Context, p place, now time.Time) (brief.Options, error) {
	o := brief.Options{To: now, Zone: p.zone, Site: p.site, Titles: p.titles}
	var err error
	if c.Until != "" {
		if o.To, err = when(c.Until, now, p.zone); err != nil {
			return o, err
		}
	}
	if c.Since != "" {
		o.From, err = when(c.Since, now, p.zone)
	} else {
		stands, serr := p.Standing(ctx, now)
		if o.From, err = stands.LastBrief, serr; o.From.IsZero() || !o.From.Before(o.To) {
			o.From = o.To.In(p.zone).AddDate(0, 0, -1)
		}
	}
	switch {
	case err != nil:
		return o, err
	case o.To.After(now):
		return o, usageError{errors.New("--until is still to come; a brief tells what happened")}
	case !o.From.Before(o.To):
		return o, usageError{errors.New("--since isn't before --until, so nothing lies between them")}
	}
	return o, nil
}
