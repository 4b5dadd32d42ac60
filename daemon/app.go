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
	"faultkeep/store/capture"
)

// Options of an App that aren't in the config file.
type Options struct {
	Log       *slog.Logger
	Version   string
	Witness   func(sources.Observation) // sees everything that happens; may be nil
	Attempts  func(alert.Attempt)       // sees every attempt to tell somebody; may be nil
	Listener  net.Listener              // for the page; nil: as the config says
	Reloading func(done bool)           // told of each reload's beginning and end; may be nil
	Level     *slog.LevelVar            // of Log, set as the config says; nil: it stays as it is
}

// App is a running faultkeep.
//
// A part that works by the config is started in one of three ways, so that a
// reload reaches it (see reload.go):
//   - follow, where it is ended and begun anew if what it is made of has
//     changed. This fits all that can be interrupted for a moment;
//   - run, where it reads nothing of the config that can change;
//   - by itself, with a line in App.apply that hands it the new config, where it
//     must not be interrupted.
//
// Whatever of the config no part takes while running must be kept by
// config.Loaded.Over, which also says so: it does that by itself for sections
// that it doesn't know.
type App struct {
	Address string // of the page, "http://…" or "https://…"
	Store   *store.Store

	clockUnsure atomic.Bool // this computer's clock isn't synchronised

	log      *slog.Logger
	hub      *hub
	figures  *metrics.Metrics
	watching *watching
	parts    []*part
	rules    atomic.Pointer[alert.Rules]
	page     *page
	level    *slog.LevelVar
	told     func(done bool) // of a reload's beginning and end
	started  atomic.Bool
	beating  sync.Mutex // one sign of life at a time, so that none claims what another took back

	reloading sync.Mutex // held during a reload, and from the beginning of the end
	ended     bool
	loaded    *config.Loaded // what all parts work by

	cancel   context.CancelFunc
	ending   context.Context // ends when the App begins to end
	close    context.CancelFunc
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
	a := &App{log: o.Log, level: o.Level, cancel: cancel, failed: make(chan error, 1), loaded: loaded}
	a.ending, a.close = context.WithCancel(run)
	defer func() {
		if err != nil {
			_ = a.Stop()
		}
	}()
	if a.told = o.Reloading; a.told == nil {
		a.told = func(bool) {}
	}
	a.setRules(loaded)
	a.setLevel(loaded)

	if err := os.MkdirAll(loaded.Config.Data, 0o750); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	if a.Store, err = store.Open(ctx, store.Options{Path: filepath.Join(loaded.Config.Data, archive.StoreFile),
		Log: o.Log, Site: loaded.Config.Site, Await: awaitStudy,
		Announce: func(one capture.Alert) []capture.Delivery { return a.rules.Load().Route(one) }}); err != nil {
		return nil, err
	}
	a.undo("store", func(context.Context) error { return a.Store.Close() })

	hub := newHub(nil, nil)
	a.hub = hub
	a.watching = &watching{app: a, ctx: run, keep: &keeper{store: a.Store, hub: hub}, plant: modbus.Connect(nil), going: map[sources.Source]*going{}}
	a.undo("connections", func(context.Context) error { return a.watching.plant.Close() })
	a.figures = metrics.New(metrics.Options{Version: o.Version, Drives: hub.Drives, Alerts: a.alertCounts, Kept: a.kept})
	hub.witness(a.figures.Saw)
	if o.Witness != nil {
		hub.witness(o.Witness)
	}
	findings := study.New(a.Store).Follow(o.Log, hub.changed)
	hub.witness(func(seen sources.Observation) {
		if seen.Kind == sources.SeenKept {
			findings.Kept(seen.ID)
		}
	})

	if err := a.serve(run, loaded, o, hub); err != nil {
		return nil, err
	}
	hub.witness(a.settles)
	states := newShown(hub)
	a.follow(run, "alerts", func(l *config.Loaded) any { return []any{l.Config.Alerts, l.Location.String()} }, func(ctx context.Context, l *config.Loaded) {
		a.dropOldSinks(ctx, l.Rules().Sinks)
		sinks := l.Sinks(o.Log, enclosures{a.Store, l.Config.Site})
		defer states.stand(ctx, sinks)()
		alert.NewDispatcher(a.Store, alert.Options{Sinks: sinks, Observe: a.attempts(o.Attempts), Zone: l.Location}).Run(ctx)
	})
	a.run(run, "alarms", func(ctx context.Context) { a.alarms(ctx, hub) })
	a.follow(run, "upkeep", func(l *config.Loaded) any { return l.Config.Store }, a.upkeep)
	a.run(run, "findings", findings.Run)
	a.follow(run, "brief", func(l *config.Loaded) any { return []any{l.Config.Brief, l.Location.String()} }, func(ctx context.Context, l *config.Loaded) { a.briefs(ctx, l, hub) })
	a.follow(run, "heartbeat", heartbeatOf, a.heartbeat)
	a.follow(run, "holdoff", func(l *config.Loaded) any { return []any{l.Config.Holdoff, l.HoldoffRows()} }, a.holdoff)
	a.run(run, "clock", func(ctx context.Context) { clock.Watch(ctx, clockEvery, func(e clock.Event) { a.clock(ctx, e) }) })
	if _, err := a.watching.turn(run, loaded); err != nil {
		return nil, err
	}
	a.figures.Know(hub.names())
	a.run(run, "ledger", a.beat)
	a.undo("watch", a.watching.end)
	a.started.Store(true)
	return a, nil
}

// Drives are those being watched, in the order of the config.
func (a *App) Drives() []*modbus.Drive { drives, _, _ := a.hub.list(); return drives }

// Folders are those being watched, in the order of the config.
func (a *App) Folders() []*folder.Folder { _, folders, _ := a.hub.list(); return folders }

// beat notes now and then that faultkeep is still watching, so that the time
// after a crash can be told from the time before.
func (a *App) beat(ctx context.Context) {
	for {
		a.alive(ctx)
		if !wait(ctx, beatEvery) {
			return
		}
	}
}

// alive is one sign of life. Of what isn't watched any more nothing is claimed
// from then on.
func (a *App) alive(ctx context.Context) {
	a.beating.Lock()
	defer a.beating.Unlock()
	err := a.Store.Beat(ctx, a.hub.names(), time.Now())
	a.watching.keep.judge(ctx, err)
	if err != nil && ctx.Err() == nil {
		a.log.Error("the ledger does not take the beat", "error", err)
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
		a.close()
		a.reloading.Lock() // a reload that is under way doesn't wait for anything now
		a.ended = true
		a.reloading.Unlock()
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
