package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"reflect"
	"slices"
	"time"

	"faultkeep/daemon/config"
	"faultkeep/sources"
	"faultkeep/sources/folder"
	"faultkeep/sources/modbus"
)

// watching is all that is watched, each drive and folder by a goroutine of its own.
type watching struct {
	app  *App
	ctx  context.Context // ends with the App
	keep *keeper

	plant   *modbus.Plant
	folders []*folder.Folder
	going   map[sources.Source]*going
}

// going is one source being watched.
type going struct {
	cancel context.CancelFunc
	done   chan struct{}
}

// turned is what became of the sources in a turn, by name.
type turned struct {
	Added, Removed, Restarted, Undisturbed []string
}

// endsWithin is how long a watch may take to end in a turn. One that takes
// longer, since a request is still under way, ends by itself, and only then
// does the next watch of the same name begin.
const endsWithin = 5 * time.Second

// turn watches what the config names, instead of what was watched before. What
// is the same goes on undisturbed, its connection and its pull included. When
// ctx ends the turn waits for nothing any more.
func (w *watching) turn(ctx context.Context, next *config.Loaded) (t turned, err error) {
	folders, err := openFolders(next, w.folders, w.app.log)
	if err != nil {
		return t, err
	}
	plant := w.plant.Next(driveOptions(next, w.app.log))
	list := all(plant.Drives, folders)
	before := map[string]*going{}
	var gone []sources.Source
	for s, g := range w.going {
		before[s.Name()] = g
		if !slices.Contains(list, s) {
			g.cancel()
			gone = append(gone, s)
		}
	}
	limit, stop := context.WithTimeout(ctx, endsWithin)
	defer stop()
	for _, s := range gone {
		if !w.going[s].ended(limit) {
			w.app.log.Warn("the watch takes long to end", "source", s.Name())
		}
		delete(w.going, s)
	}
	w.keep.hub.set(plant.Drives, folders)
	for _, s := range gone {
		if slices.ContainsFunc(list, func(o sources.Source) bool { return o.Name() == s.Name() }) {
			continue
		}
		t.Removed = append(t.Removed, s.Name())
		if d, ok := s.(*modbus.Drive); ok {
			d.Retire(ctx, w.keep)
		}
	}
	if err := w.plant.Leave(plant); err != nil {
		w.app.log.Debug("a connection didn't close in an orderly way", "error", err)
	}
	w.plant, w.folders = plant, folders
	for _, s := range list {
		switch old := before[s.Name()]; {
		case w.going[s] != nil:
			t.Undisturbed = append(t.Undisturbed, s.Name())
		case old != nil:
			t.Restarted = append(t.Restarted, s.Name())
			w.watch(s, old.done)
		default:
			t.Added = append(t.Added, s.Name())
			w.watch(s, nil)
		}
	}
	slices.Sort(t.Removed)
	return t, nil
}

// ended waits for the end; false: not within the limit.
func (g *going) ended(limit context.Context) bool {
	select {
	case <-g.done:
		return true
	case <-limit.Done():
		return false
	}
}

// watch begins to watch a source, once the watch before it has ended. One that
// panics takes nobody with it: it is logged and watched again.
func (w *watching) watch(s sources.Source, before <-chan struct{}) {
	ctx, cancel := context.WithCancel(w.ctx)
	g := &going{cancel, make(chan struct{})}
	w.going[s] = g
	if p, ok := s.(pulsed); ok {
		p.Pulse().Beat(beginsWithin)
	}
	go func() {
		defer close(g.done)
		if before != nil {
			<-before
		}
		for ctx.Err() == nil {
			if err := guarded(func() error { return s.Watch(ctx, w.keep) }); err != nil {
				w.app.log.Error("watching ended and begins again", "source", s.Name(), "error", err)
				wait(ctx, time.Second)
			}
		}
	}()
}

// pulsed is a source that shows that its watch goes on.
type pulsed interface{ Pulse() *sources.Pulse }

// beginsWithin is how long a watch may take to begin, the end of the one before
// it included.
const beginsWithin = 2 * time.Minute

// end ends all watching within the limit.
func (w *watching) end(limit context.Context) error {
	for _, g := range w.going {
		g.cancel()
	}
	var late []string
	for s, g := range w.going {
		if !g.ended(limit) {
			late = append(late, s.Name())
		}
	}
	if len(late) > 0 {
		slices.Sort(late)
		return fmt.Errorf("%v did not stop in time", late)
	}
	return nil
}

func guarded(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	return f()
}

func all(drives []*modbus.Drive, folders []*folder.Folder) (list []sources.Source) {
	for _, d := range drives {
		list = append(list, d)
	}
	for _, f := range folders {
		list = append(list, f)
	}
	return list
}

func driveOptions(loaded *config.Loaded, log *slog.Logger) []modbus.Options {
	var out []modbus.Options
	for _, d := range loaded.Drives {
		out = append(out, modbus.Options{Config: d.Config, Site: loaded.Config.Site, Map: d.Map, Faults: d.Faults, Log: log})
	}
	return out
}

// sameFolder tells whether the two would be watched in the same way.
func sameFolder(a, b folder.Options) bool {
	return reflect.DeepEqual(a.Config, b.Config) && reflect.DeepEqual(a.Faults, b.Faults) &&
		reflect.DeepEqual(a.Titles, b.Titles) && a.Zone.String() == b.Zone.String()
}
