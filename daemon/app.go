// Package daemon is faultkeep at work: it wires sources, store, alerts and
// pages together, supervises them, and stops them in reverse order.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/clock"
	"faultkeep/daemon/config"
	"faultkeep/daemon/metrics"
	"faultkeep/daemon/study"
	"faultkeep/daemon/web"
	"faultkeep/sources"
	"faultkeep/sources/folder"
	"faultkeep/sources/modbus"
	"faultkeep/store"
)

// Options of an App that aren't in the config file.
type Options struct {
	Log      *slog.Logger
	Version  string
	Witness  func(sources.Observation) // sees everything that happens; may be nil
	Attempts func(alert.Attempt)       // sees every attempt to tell somebody; may be nil
	Listener net.Listener              // for the page; nil: as the config says
}

// App is a running faultkeep.
type App struct {
	Address string // of the page, "http://…" or "https://…"
	Store   *store.Store
	Drives  []*modbus.Drive // being watched, in the order of the config
	Folders []*folder.Folder

	clockUnsure atomic.Bool // this computer's clock isn't synchronised

	log      *slog.Logger
	cancel   context.CancelFunc
	failed   chan error
	teardown []step
	stop     sync.Once
	stopped  error
}

// step is one thing to undo, named for the log.
type step struct {
	name string
	undo func(context.Context) error
}

// StopWithin bounds how long Stop takes: Windows gives a service five seconds.
const StopWithin = 4 * time.Second

// Start brings everything up. When it returns nil, the drives are being
// watched. The App runs until Stop.
func Start(ctx context.Context, loaded *config.Loaded, o Options) (app *App, err error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	a := &App{log: o.Log, cancel: cancel, failed: make(chan error, 1)}
	defer func() {
		if err != nil {
			_ = a.Stop()
		}
	}()

	if err := os.MkdirAll(loaded.Config.Data, 0o750); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	if a.Store, err = store.Open(ctx, store.Options{Path: filepath.Join(loaded.Config.Data, archive.StoreFile),
		Log: o.Log, Site: loaded.Config.Site, Announce: loaded.Rules().Route, Await: awaitStudy}); err != nil {
		return nil, err
	}
	a.undo("store", func(context.Context) error { return a.Store.Close() })

	plant := modbus.Connect(driveOptions(loaded, o.Log))
	a.undo("connections", func(context.Context) error { return plant.Close() })
	a.Drives = plant.Drives
	if a.Folders, err = openFolders(loaded, o.Log); err != nil {
		return nil, err
	}
	hub := newHub(a.Drives, a.Folders)
	figures := metrics.New(metrics.Options{Version: o.Version, Names: hub.names(), Drives: hub.Drives, Alerts: a.alertCounts})
	hub.witness(figures.Saw)
	if o.Witness != nil {
		hub.witness(o.Witness)
	}
	keep := &keeper{store: a.Store, hub: hub}
	findings := study.New(a.Store).Follow(o.Log, hub.changed)
	hub.witness(func(seen sources.Observation) {
		if seen.Kind == sources.SeenKept {
			findings.Kept(seen.ID)
		}
	})

	if err := a.serve(run, loaded, o, hub, figures.Handler()); err != nil {
		return nil, err
	}
	hub.witness(a.settles)
	if err := a.dropOldSinks(ctx, loaded.Rules().Sinks); err != nil {
		return nil, err
	}
	a.run(run, "alerts", func(ctx context.Context) {
		alert.NewDispatcher(a.Store, alert.Options{Sinks: loaded.Sinks(o.Log, enclosures{a.Store, loaded.Config.Site}), Observe: o.Attempts, Zone: loaded.Location}).Run(ctx)
	})
	a.run(run, "alarms", func(ctx context.Context) { a.alarms(ctx, hub) })
	a.run(run, "upkeep", func(ctx context.Context) { a.upkeep(ctx, loaded.Config.Store) })
	a.run(run, "findings", findings.Run)
	a.run(run, "brief", func(ctx context.Context) { a.briefs(ctx, loaded, hub) })
	a.run(run, "clock", func(ctx context.Context) { clock.Watch(ctx, clockEvery, func(e clock.Event) { a.clock(ctx, e) }) })
	a.run(run, "ledger", func(ctx context.Context) { a.beat(ctx, hub.names()) })
	a.run(run, "watch", func(ctx context.Context) { a.watch(ctx, a.sources(), keep) })
	return a, nil
}

func driveOptions(loaded *config.Loaded, log *slog.Logger) []modbus.Options {
	var out []modbus.Options
	for _, d := range loaded.Drives {
		out = append(out, modbus.Options{Config: d.Config, Site: loaded.Config.Site, Map: d.Map, Faults: d.Faults, Log: log})
	}
	return out
}

// sources are all that is watched.
func (a *App) sources() (all []sources.Source) {
	for _, d := range a.Drives {
		all = append(all, d)
	}
	for _, f := range a.Folders {
		all = append(all, f)
	}
	return all
}

// watch runs every source until ctx ends. One that panics takes nobody with
// it: it is logged and watched again.
func (a *App) watch(ctx context.Context, list []sources.Source, keep *keeper) {
	var all sync.WaitGroup
	for _, d := range list {
		all.Go(func() {
			for ctx.Err() == nil {
				if err := a.guarded(func() error { return d.Watch(ctx, keep) }); err != nil {
					a.log.Error("watching ended and begins again", "source", d.Name(), "error", err)
					wait(ctx, time.Second)
				}
			}
		})
	}
	all.Wait()
}

func (a *App) guarded(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	return f()
}

// beat notes now and then that faultkeep is still watching, so that the time
// after a crash can be told from the time before.
func (a *App) beat(ctx context.Context, drives []string) {
	for {
		if err := a.Store.Beat(ctx, drives, time.Now()); err != nil && ctx.Err() == nil {
			a.log.Error("the ledger does not take the beat", "error", err)
		}
		if !wait(ctx, beatEvery) {
			return
		}
	}
}

func (a *App) alertCounts() web.AlertCounts {
	n, err := a.Store.AlertCounts(context.Background())
	if err != nil {
		a.log.Error("alerts can't be counted", "error", err)
	}
	return web.AlertCounts{Raised: n.Raised, Accepted: n.Accepted, Waiting: n.Waiting}
}

func wait(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// run starts a part that works until its context ends, and registers its end.
func (a *App) run(ctx context.Context, name string, work func(context.Context)) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		work(ctx)
	}()
	a.undo(name, func(limit context.Context) error {
		cancel()
		select {
		case <-done:
			return nil
		case <-limit.Done():
			return errors.New("did not stop in time")
		}
	})
}

func (a *App) undo(name string, f func(context.Context) error) {
	a.teardown = append(a.teardown, step{name, f})
}

func (a *App) fail(err error) {
	select {
	case a.failed <- err:
	default:
	}
}

// Failed has an error to receive when a part ended that mustn't.
func (a *App) Failed() <-chan error { return a.failed }

// Stop ends everything in reverse order of its beginning, within StopWithin.
func (a *App) Stop() error {
	a.stop.Do(func() {
		ctx, done := context.WithTimeout(context.Background(), StopWithin)
		defer done()
		var errs []error
		for i := len(a.teardown) - 1; i >= 0; i-- {
			s := a.teardown[i]
			if err := s.undo(ctx); err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", s.name, err))
			}
		}
		a.cancel()
		a.stopped = errors.Join(errs...)
	})
	return a.stopped
}
