package main

import (
	"context"
	"errors"
	"fmt"
	"os/user"
	"slices"
	"strings"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/store/capture"
)

// alertList shows what waits for somebody.
type alertList struct {
	dataFlag
	JSON bool `name:"json" help:"Write one JSON object: alarms, quiet times, sinks."`
}

// Help is shown by --help.
func (alertList) Help() string {
	return `Shows alarms that nobody has acknowledged or whose condition is still there,
quiet times, and for each sink how far its alerts have come: what it took, what
waits and why, and what it refused for good.`
}

// telling is what alert list shows, for programs.
type telling struct {
	Alarms []standing        `json:"alarms"`
	Quiets []capture.Quiet   `json:"quiets"`
	Sinks  []capture.SinkBox `json:"sinks"`
}

// standing is an alarm with its state.
type standing struct {
	capture.OpenAlarm
	State capture.AlarmState `json:"state"`
}

// Run shows the list.
func (c *alertList) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	var all telling
	alarms, err := p.Alarms(ctx)
	if err == nil {
		all.Quiets, err = p.Quiets(ctx)
	}
	if err == nil {
		all.Sinks, err = p.Boxes(ctx)
	}
	if err != nil {
		return err
	}
	all.Alarms = []standing{}
	for _, a := range alarms {
		all.Alarms = append(all.Alarms, standing{a, a.State()})
	}
	if c.JSON {
		return writeJSON(out.Out, all)
	}
	all.write(out, p)
	return nil
}

func (t telling) write(out output, p place) {
	if len(t.Alarms) == 0 {
		fmt.Fprintln(out.Out, "No alarm is left to acknowledge.")
	}
	for _, a := range t.Alarms {
		count := ""
		if a.Count > 1 {
			count = fmt.Sprintf(", %d times", a.Count)
		}
		by := ""
		if a.AckedBy != "" {
			by = " by " + clean(a.AckedBy)
		}
		fmt.Fprintf(out.Out, "%s  %s%s, since %s%s\n  %s\n", clean(a.Key), a.State, by, stamp(a.Since, p.zone), count, clean(a.Alert.Text))
	}
	for _, q := range t.Quiets {
		fmt.Fprintf(out.Out, "Quiet time %s: %s, %s\n", clean(q.ID), quietWords(q, p.zone), because(q.Note))
	}
	for _, b := range t.Sinks {
		fmt.Fprintf(out.Out, "%s: %d taken, %d waiting, %d held for later, %d refused, %d dropped\n", clean(b.Sink), b.Accepted, b.Waiting, b.Held, b.Refused, b.Dropped)
		if b.LastError != "" {
			fmt.Fprintf(out.Out, "  not taken so far: %s\n", clean(b.LastError))
		}
		for _, m := range b.Aside {
			fmt.Fprintf(out.Out, "  refused for good, number %d, %s: %s\n    answer: %s\n", m.Seq, stamp(m.Alert.Time, p.zone), clean(m.Alert.Text), clean(m.LastError))
		}
	}
}

func quietWords(q capture.Quiet, zone *time.Location) string {
	who := "all drives"
	if len(q.Drives) > 0 {
		who = clean(strings.Join(q.Drives, ", "))
	}
	return fmt.Sprintf("%s from %s until %s", who, stamp(q.From, zone), stamp(q.To, zone))
}

func because(note string) string {
	if note == "" {
		return "without a note"
	}
	return clean(note)
}

// alertAck acknowledges alarms.
type alertAck struct {
	dataFlag
	Alarm []string `arg:"" optional:"" sep:"none" placeholder:"ALARM" help:"Alarms, by the names that \"alert list\" shows."`
	All   bool     `help:"All alarms."`
}

// Run acknowledges.
func (c *alertAck) Run(ctx context.Context, out output) error {
	if c.All == (len(c.Alarm) > 0) {
		return usageError{errors.New("name alarms as \"alert list\" shows them, or say --all")}
	}
	keys := c.Alarm
	err := c.tell(ctx, func(t archive.Teller) error {
		if c.All {
			all, err := t.Alarms(ctx)
			if err != nil {
				return err
			}
			for _, a := range all {
				if a.Acked.IsZero() {
					keys = append(keys, a.Key)
				}
			}
		}
		return t.Acknowledge(ctx, me(), keys...)
	})
	if err != nil {
		return err
	}
	if len(keys) == 0 {
		fmt.Fprintln(out.Err, "No alarm is left to acknowledge.")
	}
	for _, k := range keys {
		fmt.Fprintf(out.Out, "%s: acknowledged.\n", clean(k))
	}
	return nil
}

// me is the account that runs the command.
func me() string {
	u, err := user.Current()
	if err != nil {
		return ""
	}
	return u.Username
}

// alertQuiet plans times in which alerts wait.
type alertQuiet struct {
	Add quietAdd `cmd:"" help:"Plan a quiet time, as for maintenance: alerts about drives wait for its end."`
	End quietEnd `cmd:"" help:"End a quiet time before its end, or take it off the plan; what waited is told now."`
}

type quietAdd struct {
	dataFlag
	Drive []string      `placeholder:"NAME" sep:"none" help:"Only this drive, by its name in the config; may be given several times. Left out: all."`
	From  string        `placeholder:"WHEN" help:"When it begins: \"2026-11-27 08:00\", or 08:00 today. Left out: now."`
	Until string        `placeholder:"WHEN" xor:"end" help:"When it ends, likewise."`
	For   time.Duration `placeholder:"TIME" xor:"end" help:"How long it lasts, as in 2h30m."`
	Note  string        `placeholder:"TEXT" help:"Why."`
	JSON  bool          `name:"json" help:"Write what was planned as JSON."`
}

// Help is shown by --help.
func (quietAdd) Help() string {
	return `Recordings are kept in a quiet time as at any other. At its end each sink gets
one message that counts what there was. It ends by itself, after 14 days at the
most. Alerts about the store, the disk and the clock don't wait.`
}

// Run plans it.
func (c *quietAdd) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	q := capture.Quiet{From: time.Now(), Drives: c.Drive, Note: c.Note, By: me()}
	if c.From != "" {
		q.From, err = soon(c.From, time.Now(), p.zone)
	}
	switch {
	case err != nil:
	case c.For > 0:
		q.To = q.From.Add(c.For)
	case c.Until != "":
		q.To, err = soon(c.Until, q.From, p.zone)
	default:
		err = usageError{errors.New("a quiet time has an end: say --until or --for")}
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
	if err := c.tell(ctx, func(t archive.Teller) (err error) { q, err = t.AddQuiet(ctx, q); return err }); err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(out.Out, q)
	}
	_, err = fmt.Fprintf(out.Out, "Quiet time %s: %s. Recordings are kept all the same; `faultkeep alert quiet end %s` ends it.\n", q.ID, quietWords(q, p.zone), q.ID)
	return err
}

// known refuses a drive of which nothing was ever watched: its name is most
// likely mistyped, and its alerts wouldn't wait.
func (c *quietAdd) known(ctx context.Context, p place) error {
	all, err := p.Coverage(ctx, archive.Query{})
	if err != nil || len(all) == 0 {
		return err
	}
	names := make([]string, len(all))
	for i, one := range all {
		names[i] = one.Drive
	}
	for _, d := range c.Drive {
		if !slices.Contains(names, d) {
			return fmt.Errorf("no drive %q was ever watched; drives are: %s", clean(d), clean(strings.Join(names, ", ")))
		}
	}
	return nil
}

// soon is a time to come, as people write it.
func soon(text string, after time.Time, zone *time.Location) (time.Time, error) {
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04", time.RFC3339} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return t, nil
		}
	}
	clock, err := time.ParseInLocation("15:04", text, zone)
	if err != nil {
		return clock, usageError{fmt.Errorf("%q isn't a time; write \"2026-11-27 08:00\", or 08:00", clean(text))}
	}
	local := after.In(zone)
	t := time.Date(local.Year(), local.Month(), local.Day(), clock.Hour(), clock.Minute(), 0, 0, zone)
	if t.Before(after) {
		t = time.Date(local.Year(), local.Month(), local.Day()+1, clock.Hour(), clock.Minute(), 0, 0, zone)
	}
	return t, nil
}

type quietEnd struct {
	dataFlag
	ID string `arg:"" placeholder:"NUMBER" help:"The quiet time, by the number that \"alert list\" shows."`
}

// Run ends it.
func (c *quietEnd) Run(ctx context.Context, out output) error {
	if err := c.tell(ctx, func(t archive.Teller) error { return t.EndQuiet(ctx, c.ID, me()) }); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out.Out, "Quiet time %s is over.\n", clean(c.ID))
	return err
}

// alertAgain sends what was refused again.
type alertAgain struct {
	dataFlag
	Sink   string `arg:"" help:"The sink, by its name in the config."`
	Number uint64 `arg:"" optional:"" help:"The message, by the number that \"alert list\" shows. Left out: all that it refused."`
	Forget bool   `help:"Take it off the list instead."`
}

// Run puts messages back into the outbox.
func (c *alertAgain) Run(ctx context.Context, out output) error {
	n := 0
	err := c.tell(ctx, func(t archive.Teller) error {
		list := []uint64{c.Number}
		if c.Number == 0 {
			list = nil
			boxes, err := t.Boxes(ctx)
			if err != nil {
				return err
			}
			for _, b := range boxes {
				for _, m := range b.Aside {
					if b.Sink == c.Sink {
						list = append(list, m.Seq)
					}
				}
			}
		}
		do := t.SendAgain
		if c.Forget {
			do = t.Forget
		}
		for _, seq := range list {
			if err := do(ctx, c.Sink, seq); err != nil {
				return err
			}
			n++
		}
		return nil
	})
	if err != nil {
		return err
	}
	did := "in the outbox again"
	if c.Forget {
		did = "forgotten"
	}
	_, err = fmt.Fprintf(out.Out, "%d %s.\n", n, did)
	return err
}

// tell does something with how people are told.
func (f dataFlag) tell(ctx context.Context, do func(archive.Teller) error) error {
	return changing(ctx, f, archive.ToTell, do)
}
