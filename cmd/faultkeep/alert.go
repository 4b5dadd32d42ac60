package main

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// alertCommand is about the ways to tell somebody.
type alertCommand struct {
	List  alertList  `cmd:"" help:"Show alarms, quiet times, and how far each sink's alerts have come."`
	Ack   alertAck   `cmd:"" help:"Acknowledge alarms: nobody is reminded of them any more."`
	Quiet alertQuiet `cmd:"" help:"Plan times in which alerts wait, as for maintenance."`
	Again alertAgain `cmd:"" help:"Send again what a sink refused for good, once the reason is mended."`
	Test  alertTest  `cmd:"" help:"Send a test alert through every sink, and tell what each one answered."`
}

type alertTest struct {
	configFlag
	Sink []string `placeholder:"NAME" sep:"none" help:"Only this sink, by its name in the config; may be given several times."`
	JSON bool     `name:"json" help:"Write one JSON object."`
}

// Help is shown by --help.
func (alertTest) Help() string {
	return `Sends one alert that is marked as a test, once, whether faultkeep runs or not.
Rules don't matter to it, and nothing of it is kept. Of a sink that writes to
the log, the line goes to standard error here.

Exit codes: 0 every sink took it; 1 one didn't; 2 the config file is wrong, or
has no such sink.`
}

// tested is the answer for programs.
type tested struct {
	Alert capture.Alert `json:"alert"`
	OK    bool          `json:"ok"`
	Sinks []sinkAnswer  `json:"sinks"` // in the order of the config
}

// sinkAnswer is what one sink made of the test.
type sinkAnswer struct {
	Sink    string        `json:"sink"`
	Outcome string        `json:"outcome"` // taken, refused, or failed: it would be tried again
	Error   string        `json:"error,omitempty"`
	Took    time.Duration `json:"took_ns"`
}

// testWithin bounds each sink's answer, as the daemon does.
const testWithin = 30 * time.Second

// Run sends to all sinks at once, so that a dead one holds up nobody else.
func (c *alertTest) Run(ctx context.Context, out output) error {
	path, err := c.path()
	if err != nil {
		return err
	}
	loaded, err := loadConfig(path)
	if err != nil {
		return err
	}
	names := loaded.Rules().Sinks
	for _, name := range c.Sink {
		if !slices.Contains(names, name) {
			return usageError{fmt.Errorf("%s has no sink %q; its sinks are: %s", path, clean(name), strings.Join(names, ", "))}
		}
	}
	if len(c.Sink) > 0 {
		names = slices.DeleteFunc(names, func(name string) bool { return !slices.Contains(c.Sink, name) })
	}
	sinks := loaded.Sinks(slog.New(slog.NewTextHandler(out.Err, nil)), alert.NoEnclosures{})
	answer := tested{Alert: alert.Test(loaded.Config.Site, time.Now()), OK: true, Sinks: make([]sinkAnswer, len(names))}
	var all sync.WaitGroup
	for i, name := range names {
		all.Go(func() { answer.Sinks[i] = trySink(ctx, name, sinks[name], answer.Alert) })
	}
	all.Wait()
	for _, s := range answer.Sinks {
		answer.OK = answer.OK && s.Error == ""
	}
	if c.JSON {
		err = writeJSON(out.Out, answer)
	} else {
		for _, s := range answer.Sinks {
			if _, err = fmt.Fprintln(out.Out, s.words()); err != nil {
				break
			}
		}
	}
	if err == nil && !answer.OK {
		err = errSaid
	}
	return err
}

// trySink sends once.
func trySink(ctx context.Context, name string, sink alert.Sink, a capture.Alert) sinkAnswer {
	ctx, stop := context.WithTimeout(ctx, testWithin)
	defer stop()
	began := time.Now()
	err := sink.Send(ctx, a)
	s := sinkAnswer{Sink: name, Outcome: "taken", Took: time.Since(began)}
	if err != nil {
		s.Outcome, s.Error = "failed", err.Error()
		if alert.IsRefused(err) {
			s.Outcome = "refused"
		}
	}
	return s
}

func (s sinkAnswer) words() string {
	switch s.Outcome {
	case "taken":
		return fmt.Sprintf("%s: taken, in %d ms.", clean(s.Sink), s.Took.Milliseconds())
	case "refused":
		return fmt.Sprintf("%s: refused for good; an alert would be set aside: %s", clean(s.Sink), clean(s.Error))
	}
	return fmt.Sprintf("%s: failed; an alert would be tried again: %s", clean(s.Sink), clean(s.Error))
}
