package folder

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"faultkeep/sources"
	"faultkeep/store/capture"
)

// patience is how long a share may take to list a folder before it counts as
// unreachable. The listing isn't begun a second time.
const patience = 30 * time.Second

type looked struct {
	Listing
	err error
}

var errHangs = errors.New("it doesn't answer")

// list looks through the folder; a share that hangs must not hold up the end
// of faultkeep.
func (w *watch) list(ctx context.Context) (Listing, error) {
	if w.hanging == nil {
		w.hanging = make(chan looked, 1)
		go func(to chan<- looked, first bool) {
			if first {
				restoreNames(w.Config.Path)
			}
			l, err := w.Disk.Look(w.Config.Path, w.Config.subfolders())
			to <- looked{l, err}
		}(w.hanging, !w.listed)
		w.listed = true
	}
	t := time.NewTimer(patience)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return Listing{}, ctx.Err()
	case <-t.C:
		return Listing{}, errHangs
	case l := <-w.hanging:
		w.hanging = nil
		return l.Listing, l.err
	}
}

// patiently waits for f, which a share that hangs may hold up, or until ctx
// ends; f goes on by itself then, and what it gives is lost. beat shows
// meanwhile that it is the share that hangs, not the watch.
func patiently[T any](ctx context.Context, beat func(), f func() T) (result T, err error) {
	done := make(chan T, 1)
	go func() { done <- f() }()
	tick := time.NewTicker(patience)
	defer tick.Stop()
	for {
		select {
		case result = <-done:
			return result, nil
		case <-tick.C:
			beat()
		case <-ctx.Done():
			return result, ctx.Err()
		}
	}
}

// look goes through the folder once. It returns when to look again.
func (w *watch) look(ctx context.Context) time.Duration {
	l, err := w.list(ctx)
	if ctx.Err() != nil {
		return 0
	}
	l.Entries = w.outside(l.Entries)
	if err == nil {
		if err = w.emptied(l); err != nil {
			l.Root = nil
		}
	}
	if l.Root == nil {
		w.blind(ctx, err)
		w.unnotice()
		return min(w.Config.scan(), 10*time.Second)
	}
	same := w.root != nil && os.SameFile(w.root, l.Root)
	if !same {
		w.unnotice() // what was watched there is another folder
	}
	if err != nil {
		w.blind(ctx, err)
	} else {
		w.watched(ctx)
	}
	w.notice(l)
	if !w.baseline(ctx, l) {
		return time.Second
	}
	if err == nil && (same || w.root == nil) {
		w.forget(l)
	}
	w.note(l)
	w.root = l.Root
	next := w.sets(ctx, l)
	if !w.flush(ctx) {
		next = min(next, time.Second)
	}
	return next
}

// outside leaves out what lies in the folder that files are moved to.
func (w *watch) outside(list []Entry) []Entry {
	if w.Config.After != Move {
		return list
	}
	to, err := filepath.Rel(w.Config.Path, w.Config.MoveTo)
	if err != nil || strings.HasPrefix(to, "..") {
		return list
	}
	below := filepath.ToSlash(to) + "/"
	return slices.DeleteFunc(list, func(e Entry) bool { return strings.HasPrefix(e.Name, below) })
}

var (
	errEmptied   = errors.New("it is empty and isn't the folder that was there before")
	errUnmounted = errors.New("it is empty, and nothing is mounted there any more")
)

// emptied tells whether another, empty folder has taken the place of one in
// which files were: mostly a share that isn't mounted any more. The first file
// in it ends the doubt.
func (w *watch) emptied(l Listing) error {
	switch {
	case l.Root == nil || len(l.Entries) > 0:
	case w.memory[rootPath] == mounted && !l.Mounted:
		return errUnmounted
	case w.root != nil && !os.SameFile(w.root, l.Root) && len(w.memory) > 1:
		return errEmptied
	}
	return nil
}

func (w *watch) blind(ctx context.Context, err error) {
	where, cause := w.Config.Path, err
	var p *fs.PathError
	if errors.As(err, &p) && p.Path != "" {
		where, cause = p.Path, p.Err // it may be a folder below
	}
	why, advice := "is gone", "Look whether the share is mounted and the path in the config is right."
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case errors.Is(err, fs.ErrPermission):
		why, advice = "may not be read", "Let the account that faultkeep runs as read it."
	default:
		why = "can't be read: " + cause.Error()
	}
	text := fmt.Sprintf("The folder %s %s.", shown(where), strings.TrimSuffix(shown(why), "."))
	w.show(func(n *Now) { n.Trouble = text + " " + advice })
	if w.told == text {
		return
	}
	since := w.lastGood
	if since.IsZero() {
		since = w.started
	}
	if w.observe(ctx, sources.Observation{Kind: sources.SeenBlind, Since: since.UTC(), Cause: capture.CauseUnreachable, Text: text, Advice: advice}) {
		w.told = text
	}
}

func (w *watch) watched(ctx context.Context) {
	w.lastGood = time.Now()
	w.show(func(n *Now) { n.LastSeen, n.Trouble = w.lastGood, "" })
	if w.told != "watched" && w.observe(ctx, sources.Observation{Kind: sources.SeenWatched}) {
		w.told = "watched"
	}
}
