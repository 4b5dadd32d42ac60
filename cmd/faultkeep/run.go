package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"

	"faultkeep/daemon"
	"faultkeep/daemon/config"
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
	return asService(ctx, func(ctx context.Context) error { return runDaemon(ctx, path, out.Err) })
}

// runDaemon watches the drives of the config file until ctx ends, or until a
// part ends without which watching is no good. The log goes to w.
func runDaemon(ctx context.Context, configPath string, w io.Writer) error {
	loaded, err := loadConfig(configPath)
	if err != nil {
		return err
	}
	log := logger(loaded, w)
	app, err := daemon.Start(ctx, loaded, daemon.Options{Log: log, Version: versionText()})
	if err != nil {
		return err
	}
	names := make([]string, len(loaded.Drives))
	for i, d := range loaded.Drives {
		names[i] = d.Config.Name
	}
	log.Info("watching", "drives", names, "page", app.Address, "data", loaded.Config.Data, "config", loaded.Path, "version", versionText())
	select {
	case <-ctx.Done():
		log.Info("stopping")
	case err = <-app.Failed():
		log.Error("stopping, because a part ended", "error", err)
	}
	if stopped := app.Stop(); stopped != nil {
		log.Error("stopping was not clean", "error", stopped)
		if err == nil {
			err = fmt.Errorf("stopping was not clean: %w", stopped)
		}
	}
	return err
}

// logger writes the daemon's log as the config wants it.
func logger(loaded *config.Loaded, w io.Writer) *slog.Logger {
	o := &slog.HandlerOptions{Level: loaded.LogLevel()}
	if loaded.Config.Log.Format == "json" {
		return slog.New(slog.NewJSONHandler(w, o))
	}
	return slog.New(slog.NewTextHandler(w, o))
}
