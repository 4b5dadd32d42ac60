package folder

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"maps"
	"strings"
)

// What is remembered of a path begins with one of these words.
const (
	passed = "passed "  // was there at the first look and is passed over; size and time follow
	done   = "done "    // dealt with; the whole stamp follows
	leaves = "release " // kept and to be taken away; size and time, then the content's SHA-256

	rootPath = ""        // the folder itself; one of the two words below
	mounted  = "mounted" // a mounted file system
	plain    = "plain"   // none
)

// known tells whether a file is one that is dealt with, in the state that it has now.
func (w *watch) known(e Entry) bool {
	switch v := w.memory[e.Name]; {
	case strings.HasPrefix(v, passed):
		return v == passed+e.short()
	case strings.HasPrefix(v, leaves):
		return strings.HasPrefix(v, leaves+e.short()+" ")
	default:
		return v == done+e.stamp()
	}
}

func (w *watch) remember(path, what string) {
	if w.memory[path] == what {
		return
	}
	if what == "" {
		delete(w.memory, path)
	} else {
		w.memory[path] = what
	}
	w.news[path] = what
}

// flush makes durable what is remembered.
func (w *watch) flush(ctx context.Context) bool {
	m, ok := w.k.(Memory)
	if !ok || len(w.news) == 0 && w.begun {
		clear(w.news)
		return true
	}
	if err := m.Remember(ctx, w.Name(), maps.Clone(w.news)); err != nil {
		if ctx.Err() == nil {
			w.Log.Error("what became of files can't be noted yet", "error", err)
		}
		return false
	}
	clear(w.news)
	return true
}

// load reads what earlier runs remembered.
func (w *watch) load(ctx context.Context) bool {
	m, ok := w.k.(Memory)
	if !ok {
		return true
	}
	stamps, begun, err := m.Files(ctx, w.Name())
	if err != nil {
		w.trouble(ctx, "memory", "what became of the folder's files can't be read: "+err.Error())
		return false
	}
	w.begun = begun
	maps.Copy(w.memory, stamps)
	return true
}

// baseline passes over what is there at the very first look, as the config says.
func (w *watch) baseline(ctx context.Context, l Listing) bool {
	if w.begun {
		return true
	}
	w.note(l)
	before, none, _ := w.Config.Baseline(w.Zone)
	n := 0
	for _, e := range l.Entries {
		if !none && (before.IsZero() || e.Modified.Before(before)) {
			w.remember(e.Name, passed+e.short())
			n++
		}
	}
	if !w.flush(ctx) {
		return false
	}
	w.begun = true
	if n > 0 {
		w.Log.Info("files that were there before are passed over; faultkeep import keeps them", "files", n, "from", orWord(w.Config.From, FromNow))
	}
	return true
}

// note remembers whether a file system is mounted at the folder, so that its
// absence isn't taken for an empty folder after the next start.
func (w *watch) note(l Listing) {
	if l.Mounted {
		w.remember(rootPath, mounted)
	} else {
		w.remember(rootPath, plain)
	}
}

// forget lets go of what isn't there any more. What was passed over at the
// first look stays remembered: it may come back with a share.
func (w *watch) forget(l Listing) {
	here := make(map[string]bool, len(l.Entries))
	for _, e := range l.Entries {
		here[e.Name] = true
	}
	for p, v := range w.memory {
		if !here[p] && p != rootPath && !strings.HasPrefix(v, passed) {
			w.remember(p, "")
		}
	}
}

// release takes away what is kept and shall go; what can't go now is tried
// again at the next look.
func (w *watch) release(ctx context.Context, e Entry) {
	v := w.memory[e.Name]
	if !strings.HasPrefix(v, leaves) || !w.known(e) {
		return
	}
	if w.Config.After != Move && w.Config.After != Delete {
		w.remember(e.Name, done+e.stamp()) // the config was changed
		return
	}
	raw, err := hex.DecodeString(v[strings.LastIndexByte(v, ' ')+1:])
	if err != nil || len(raw) != sha256.Size {
		w.remember(e.Name, done+e.stamp())
		return
	}
	to := ""
	if w.Config.After == Move {
		to = w.Config.MoveTo
	}
	released, err := patiently(ctx, w.beat, func() error { return w.Disk.Release(w.Config.Path, e.Name, [sha256.Size]byte(raw), to) })
	if err != nil {
		return // ctx ended; the next run finds out
	}
	switch err := released; {
	case err == nil, errors.Is(err, fs.ErrNotExist), errors.Is(err, errReplaced):
		w.remember(e.Name, "")
	default:
		w.trouble(ctx, e.Name, shown(e.Name)+" is kept, but can't be taken away: "+err.Error())
	}
}
