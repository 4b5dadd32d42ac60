package daemon

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"faultkeep/daemon/config"
	"faultkeep/daemon/web/wire"
	"faultkeep/store"
)

// errEnding is the answer to a reload that comes too late.
var errEnding = errors.New("faultkeep is stopping; the config is read at the next start")

// Reload reads the config file again and works by it from then on. A file with
// anything wrong in it changes nothing: OK is false, and Problems are all that
// is wrong. The error is for what goes wrong beyond that.
func (a *App) Reload(context.Context) (wire.Reloaded, error) { // what was begun is brought to an end, whoever asked
	a.reloading.Lock()
	defer a.reloading.Unlock()
	if a.ended {
		return wire.Reloaded{}, errEnding
	}
	a.told(false)
	defer a.told(true)
	path := a.loaded.Path
	next, problems := config.Load(path)
	var later []string
	if len(problems) == 0 {
		later, problems = next.Over(a.loaded)
	}
	if len(problems) > 0 {
		for _, p := range problems {
			a.log.Error("the config file is wrong; the config as it was stays in force", "problem", p.Error())
		}
		said := fmt.Sprintf("The config file was read again, but is wrong, so that the config as it was stays in force. %s", problems[0].Error())
		if n := len(problems); n > 1 {
			said += fmt.Sprintf(" (and %d more)", n-1)
		}
		a.noteReload(said)
		return wire.Reloaded{Config: path, Problems: problems}, nil
	}
	done, err := a.apply(next)
	if err != nil {
		return wire.Reloaded{}, fmt.Errorf("the config can't be taken: %w", err)
	}
	done.Config, done.OK, done.Later = path, true, later
	a.log.Info("the config file was read again", "config", path, "added", done.Added, "removed", done.Removed,
		"restarted", done.Restarted, "undisturbed", done.Undisturbed, "other", done.Taken)
	for _, l := range later {
		a.log.Warn(l)
	}
	a.noteReload(strings.Join(append([]string{"The config file was read again."}, done.Words()...), " "))
	return done, nil
}

// apply makes everything work by the next config. What can fail comes first.
func (a *App) apply(next *config.Loaded) (done wire.Reloaded, err error) {
	old := a.loaded
	if p := (&part{madeOf: pageOf}); p.changed(old, next) {
		if err := a.page.turn(next); err != nil {
			return done, err
		}
		done.Taken = append(done.Taken, "page")
	}
	t, err := a.watching.turn(a.ending, next)
	if err != nil {
		return done, errors.Join(err, a.page.turn(old))
	}
	a.loaded = next
	done.Added, done.Removed, done.Restarted, done.Undisturbed = t.Added, t.Removed, t.Restarted, t.Undisturbed
	a.figures.Know(a.hub.names())
	a.alive(a.ending)
	a.setRules(next)
	if a.setLevel(next) {
		done.Taken = append(done.Taken, "log level")
	}
	for _, p := range a.parts {
		if !p.changed(old, next) {
			continue
		}
		limit, stop := context.WithTimeout(a.ending, endsWithin)
		if err := p.end(limit); err != nil {
			a.log.Warn("a part takes long to end", "part", p.name, "error", err)
		}
		stop()
		a.begin(a.watching.ctx, p, next)
		done.Taken = append(done.Taken, p.name)
	}
	return done, nil
}

// setRules says who hears of what from now on.
func (a *App) setRules(l *config.Loaded) {
	r := l.Rules()
	a.rules.Store(&r)
}

// setLevel sets the log's level; true: it was another one.
func (a *App) setLevel(l *config.Loaded) bool {
	if a.level == nil || a.level.Level() == l.LogLevel() {
		return false
	}
	a.level.Set(l.LogLevel())
	return true
}

// noteReload puts a reload into the ledger.
func (a *App) noteReload(text string) {
	if err := a.Store.Note(a.ending, store.Entry{Time: time.Now().UTC(), Kind: store.KindReload, Text: text}); err != nil {
		a.log.Error("the ledger does not take the reload", "error", err)
	}
}
