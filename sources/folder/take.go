package folder

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"time"

	"faultkeep/sources"
	"faultkeep/store/capture"
)

// state is how far a set of files has come that isn't dealt with.
type state struct {
	mark  string    // stamps of all its files
	since time.Time // since when they are the same
	looks int       // how often they were found to be
	tried error     // why files with this mark can't be decoded
	retry time.Time // not to be tried before, since the store didn't take it
	waits time.Duration
}

// sameLooks is how often files must be found unchanged to be finished.
const sameLooks = 3

// sets deals with every set of files that is finished. It returns when to look again.
func (w *watch) sets(ctx context.Context, l Listing) time.Duration {
	byName := make(map[string]Entry, len(l.Entries))
	paths := make([]string, 0, len(l.Entries))
	for _, e := range l.Entries {
		byName[e.Name] = e
		paths = append(paths, e.Name)
	}
	next := w.Config.scan()
	live := map[string]bool{}
	var open []finished
	for _, set := range wantedSets(w.groupOf(), w.Config.Files, paths) {
		f := finished{set: set}
		all := true
		for _, p := range set.All() {
			e := byName[p]
			f.entries = append(f.entries, e)
			all = all && w.known(e)
		}
		if all {
			for _, e := range f.entries {
				w.release(ctx, e)
			}
			continue
		}
		live[f.key()] = true
		open = append(open, f)
	}
	for key := range w.states {
		if !live[key] {
			delete(w.states, key)
		}
	}
	w.show(func(n *Now) { n.Files, n.Waiting = len(l.Entries), len(open) })
	slices.SortStableFunc(open, func(a, b finished) int { return a.newest().Compare(b.newest()) })
	for _, f := range open {
		if ctx.Err() != nil {
			return 0
		}
		w.beat()
		next = min(next, w.step(ctx, f))
	}
	w.show(func(n *Now) { n.Waiting = len(w.states) })
	return next
}

func (w *watch) groupOf() Group { return w.reader.Group }

// finished is a set with what its files look like now.
type finished struct {
	set     Set
	entries []Entry // of set.All()
}

func (f finished) key() string { return f.set.Files[0] }

func (f finished) newest() (at time.Time) {
	for _, e := range f.entries {
		if e.Modified.After(at) {
			at = e.Modified
		}
	}
	return at
}

func (f finished) mark() string {
	var b strings.Builder
	for _, e := range f.entries {
		b.WriteString(e.Name + "\x00" + e.stamp() + "\x00")
	}
	return b.String()
}

// step brings one set on, and tells when to look at it again.
func (w *watch) step(ctx context.Context, f finished) time.Duration {
	soon := max(w.Config.settle()/sameLooks, leastGap)
	now := time.Now()
	st := w.states[f.key()]
	if mark := f.mark(); st == nil || st.mark != mark {
		w.states[f.key()] = &state{mark: mark, since: now, looks: 1}
		return soon
	}
	st.looks++
	quiet := now.Sub(st.since) // by the monotonic clock: a file's own times may be anything
	switch {
	case st.looks < sameLooks || quiet < w.Config.settle():
		return soon
	case now.Before(st.retry):
		return st.retry.Sub(now)
	case st.tried != nil && quiet < w.Config.giveUp():
		return w.Config.giveUp() - quiet
	}
	files, err := w.read(ctx, f)
	if err != nil {
		return w.unreadNow(ctx, f, st, err)
	}
	core, extra := files[:len(f.set.Files)], files[len(f.set.Files):]
	var out Outcome
	if st.tried == nil {
		out, err = w.reader.Keep(ctx, w.k, core, extra, now)
	} else {
		var c capture.Capture
		if c, err = w.reader.KeepUnread(ctx, w.k, core, extra, now, st.tried); err == nil {
			out.Kept = []capture.Capture{c}
		}
	}
	w.tell(ctx, out) // of an archive, some may be kept although the rest isn't
	var bad *Unreadable
	switch {
	case errors.As(err, &bad):
		st.tried = bad
		return max(w.Config.giveUp()-quiet, soon)
	case err != nil:
		return w.later(ctx, f, st, err)
	}
	w.settled(ctx, f, out, files)
	delete(w.states, f.key())
	return w.Config.scan()
}

type readFile struct {
	bytes []byte
	was   Entry
	err   error
}

// read reads all files of a set, if they still are what was listed.
func (w *watch) read(ctx context.Context, f finished) ([]File, error) {
	left := int64(mostBytes)
	var files []File
	for _, e := range f.entries {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		got, err := patiently(ctx, w.beat, func() (r readFile) {
			r.bytes, r.was, r.err = w.Disk.Read(w.Config.Path, e.Name, left)
			return r
		})
		if err != nil {
			return nil, err
		}
		b, was, err := got.bytes, got.was, got.err
		if err == nil && was.stamp() != e.stamp() {
			err = errChanged
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", shown(e.Name), err)
		}
		left -= int64(len(b))
		files = append(files, File{Path: e.Name, Modified: e.Modified, Bytes: b})
	}
	return files, nil
}

// unreadNow is for a set that couldn't be read off the disk.
func (w *watch) unreadNow(ctx context.Context, f finished, st *state, err error) time.Duration {
	switch {
	case ctx.Err() != nil:
		return 0
	case errors.Is(err, errTooLarge):
		w.trouble(ctx, f.key(), fmt.Sprintf("%s is larger than the %d MiB that faultkeep reads; it isn't kept and stays where it is.", shown(f.key()), mostBytes>>20))
		for _, e := range f.entries {
			w.remember(e.Name, done+e.stamp())
		}
		delete(w.states, f.key())
		return w.Config.scan()
	case errors.Is(err, errChanged), errors.Is(err, errBusy), errors.Is(err, fs.ErrNotExist):
		delete(w.states, f.key()) // from the beginning
		return max(w.Config.settle()/sameLooks, leastGap)
	}
	w.trouble(ctx, f.key(), "a file can't be read: "+err.Error())
	st.retry = time.Now().Add(w.Config.scan())
	return w.Config.scan()
}

// later is for a set that the store didn't take.
func (w *watch) later(ctx context.Context, f finished, st *state, err error) time.Duration {
	if ctx.Err() != nil {
		return 0
	}
	w.trouble(ctx, f.key(), fmt.Sprintf("%s can't be kept yet, it will be tried again: %v", shown(f.key()), err))
	st.waits = min(max(2*st.waits, time.Second), 30*time.Second)
	st.retry = time.Now().Add(st.waits)
	return st.waits
}

func (w *watch) tell(ctx context.Context, out Outcome) {
	for _, c := range out.Kept {
		w.observe(ctx, sources.Observation{Kind: sources.SeenKept, Drive: c.Drive, Title: cmp.Or(c.Title, c.Drive), ID: c.ID, Fault: c.Fault,
			Took: time.Since(c.Provenance.Ready), Partial: !c.Integrity.Whole, Text: c.Integrity.Why})
	}
}

// settled remembers that a set is dealt with, and only then lets go of its
// files where that is wanted. Files that couldn't be read stay where they are.
func (w *watch) settled(ctx context.Context, f finished, out Outcome, files []File) {
	goes := w.Config.After == Move || w.Config.After == Delete
	unread := slices.ContainsFunc(out.Kept, func(c capture.Capture) bool { return c.Origin == capture.Unread }) ||
		slices.ContainsFunc(out.Known, capture.ID.IsUnread)
	for i, e := range f.entries {
		stays := unread || out.Loose && w.Config.After == Delete && (i >= len(f.set.Files) || isArchive(e.Name))
		if !goes || stays {
			w.remember(e.Name, done+e.stamp())
			continue
		}
		sum := sha256.Sum256(files[i].Bytes)
		w.remember(e.Name, leaves+e.short()+" "+hex.EncodeToString(sum[:]))
	}
	if !w.flush(ctx) || !goes {
		return // at the next look
	}
	for _, e := range f.entries {
		w.release(ctx, e)
	}
}
