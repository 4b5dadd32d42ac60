package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"faultkeep/daemon"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
	"faultkeep/daemon/logs"
	"faultkeep/store"
)

type runCommand struct {
	configFlag
}

// Run watches until it is told to stop.
func (c runCommand) Run(ctx context.Context, out output) error {
	path, err := c.path()
	if err != nil {
		return err
	}
	return asService(ctx, path, func(ctx context.Context, events logs.Events) error { return runDaemon(ctx, path, out.Err, events) })
}

// runDaemon watches the drives of the config file until ctx ends, or until a
// part ends without which watching is no good. The log goes to w, and to the
// system's events where there are such.
func runDaemon(ctx context.Context, configPath string, w io.Writer, events logs.Events) (err error) {
	loaded, err := loadConfig(configPath)
	if err != nil {
		return err
	}
	level := &slog.LevelVar{}
	level.Set(loaded.LogLevel())
	log, end := logger(loaded, w, level, events)
	defer end()
	systemd := newNotifier(os.Getenv)
	again, done := hangups()
	defer done()
	defer func() {
		if err == nil || ctx.Err() == nil { // one that was told to end hasn't failed
			leaveWord(loaded.Config.Data, err)
		}
	}()
	app, err := daemon.Start(ctx, loaded, daemon.Options{Log: log, Level: level, Version: versionText(), Reloading: systemd.reloading})
	if err != nil {
		return err
	}
	names := make([]string, len(loaded.Drives))
	for i, d := range loaded.Drives {
		names[i] = d.Config.Name
	}
	leaveWord(loaded.Config.Data, nil)
	log.Info("watching", "drives", names, "page", app.Address, "data", loaded.Config.Data, "config", loaded.Path, "version", versionText(), logs.Event())
	systemd.say("READY=1")
	fed, starve := context.WithCancel(ctx)
	defer starve()
	go systemd.feed(fed, app.Stuck, log)
	for going := true; going; {
		select {
		case <-again:
			if _, err := app.Reload(ctx); err != nil {
				log.Error("the config wasn't read again", "error", err)
			}
		case <-ctx.Done():
			log.Info("stopping", logs.Event())
			going = false
		case err = <-app.Failed():
			log.Error("stopping, because a part ended", "error", err)
			going = false
		}
	}
	systemd.say("STOPPING=1")
	if stopped := app.Stop(); stopped != nil {
		log.Error("stopping was not clean", "error", stopped)
		if err == nil {
			err = fmt.Errorf("stopping was not clean: %w", stopped)
		}
	}
	return err
}

// leaveWord notes in the data folder why faultkeep failed, or that it didn't.
// What can't be noted is in the log all the same.
func leaveWord(data string, err error) {
	switch {
	case err == nil:
		_ = archive.RemoveFailure(data)
	case !errors.Is(err, store.ErrInUse): // the other one that runs there hasn't failed
		_ = archive.WriteFailure(data, archive.Failure{Time: time.Now().UTC().Truncate(time.Second), Version: versionText(), Error: err.Error()})
	}
}

// logger writes the daemon's log as the config wants it, from a level on that
// can be set later.
func logger(loaded *config.Loaded, w io.Writer, level slog.Leveler, events logs.Events) (log *slog.Logger, end func()) {
	l := loaded.Config.Log
	return logs.New(w, logs.Options{Level: level, JSON: l.Format == "json", Path: l.File, Size: int64(l.Size), Keep: l.Keep, Events: events})
}
