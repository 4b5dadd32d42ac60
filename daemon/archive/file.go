package archive

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"faultkeep/daemon/study"
	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

// Kept is an open store as the pages and the API see it.
type Kept struct {
	store *store.Store
	desk  *study.Desk
}

// Pages lets the pages see a store.
func Pages(s *store.Store) *Kept { return &Kept{s, study.New(s)} }

// file is an Archive straight from the store's file.
type file struct{ *Kept }

func (f *file) Samples(ctx context.Context, id capture.ID) (capture.Capture, []capture.Series, error) {
	return samples(ctx, f, id)
}

func (f *file) Close() error { return f.store.Close() }

// Captures lists captures, newest first.
func (k *Kept) Captures(ctx context.Context, q wire.Query) ([]capture.Capture, error) {
	list, err := k.store.Captures(ctx, asked(q))
	return some(list), told("", err)
}

// Find is the one capture whose ID begins with prefix.
func (k *Kept) Find(ctx context.Context, prefix string) (capture.Capture, error) {
	c, err := k.store.Find(ctx, prefix)
	return c, told(prefix, err)
}

// Original are the bytes of one part, and which of them are there.
func (k *Kept) Original(ctx context.Context, id capture.ID, part string) ([]byte, []capture.Range, error) {
	if part == "" {
		part = capture.Data
	}
	c, err := k.store.Get(ctx, id)
	if err != nil {
		return nil, nil, told(string(id), err)
	}
	if part != capture.Data && !slices.ContainsFunc(c.Integrity.Parts, func(p capture.Part) bool { return p.Name == part }) {
		return nil, nil, wire.Say(wire.ErrNotFound, fmt.Sprintf("capture %s has no part %q", id, part))
	}
	b, have, err := k.store.Original(ctx, id, part)
	if err != nil {
		return nil, nil, told(string(id), err)
	}
	if len(have) == 0 {
		have = nil
	}
	return b, have, nil
}

// Misses lists misses, newest first.
func (k *Kept) Misses(ctx context.Context, q wire.Query) ([]capture.Miss, error) {
	list, err := k.store.Misses(ctx, asked(q))
	return some(list), told("", err)
}

// Spells lists the blind spells that touch the period.
func (k *Kept) Spells(ctx context.Context, q wire.Query) ([]capture.Spell, error) {
	list, err := k.store.Spells(ctx, asked(q))
	return some(list), told("", err)
}

// Ledger lists entries, newest first.
func (k *Kept) Ledger(ctx context.Context, q wire.Query) ([]wire.Entry, error) {
	list, err := k.store.Ledger(ctx, asked(q))
	if err != nil {
		return nil, told("", err)
	}
	entries := make([]wire.Entry, len(list))
	for i, e := range list {
		entries[i] = wire.Entry(e)
	}
	return entries, nil
}

// Coverage is how well each drive was watched.
func (k *Kept) Coverage(ctx context.Context, q wire.Query) ([]coverage.Coverage, error) {
	facts, err := k.store.Facts(ctx, asked(q))
	if err != nil {
		return nil, told("", err)
	}
	out := make([]coverage.Coverage, len(facts))
	for i, f := range facts {
		out[i] = f.Over(q.Since, q.Until)
	}
	return out, nil
}

// Verify recomputes every checksum.
func (k *Kept) Verify(ctx context.Context, progress func(done, total int)) (wire.Report, error) {
	r, err := k.store.Verify(ctx, progress)
	out := wire.Report{Captures: r.Captures, Drafts: r.Drafts, Bytes: r.Bytes, Took: r.Took, Problems: make([]wire.Damage, 0, len(r.Problems))}
	for _, p := range r.Problems {
		out.Problems = append(out.Problems, wire.Damage{Capture: p.Capture, Text: p.Text})
	}
	if err != nil {
		return wire.Report{}, told("", err)
	}
	return out, nil
}

// Backup sends a copy of the store to w; begin is told its size first.
func (k *Kept) Backup(ctx context.Context, w io.Writer, begin func(size int64)) error {
	return k.store.BackupTo(ctx, w, begin)
}

// Compact gives back what the store's file doesn't use.
func (k *Kept) Compact(ctx context.Context, progress func(done, total int64)) (wire.Compacted, error) {
	c, err := k.store.Compact(ctx, progress)
	return wire.Compacted(c), err
}

// Visit is when who last marked everything as seen; zero: never.
func (k *Kept) Visit(ctx context.Context, who string) (time.Time, error) {
	return k.store.Visit(ctx, who)
}

// SetVisit notes that who saw everything up to at.
func (k *Kept) SetVisit(ctx context.Context, who string, at time.Time) error {
	return k.store.SetVisit(ctx, who, at)
}

// some is a list that is never nil, so that it is written as [].
func some[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func asked(q wire.Query) store.Query {
	out := store.Query{Since: q.Since, Until: q.Until, Fault: q.Fault, Limit: q.Limit, Before: q.Before, Unread: q.Unread}
	if q.Drive != "" {
		out.Drives = []string{q.Drive}
	}
	return out
}

// told turns the store's errors into those that an Archive promises.
func told(prefix string, err error) error {
	var several *store.Ambiguous
	switch {
	case err == nil:
		return nil
	case errors.As(err, &several):
		return &wire.Ambiguous{Prefix: prefix, IDs: several.IDs, More: several.More}
	case errors.Is(err, store.ErrNotFound):
		return wire.NotFound(prefix)
	case errors.Is(err, store.ErrDamaged):
		return wire.Say(wire.ErrDamaged, err.Error())
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	}
	return fmt.Errorf("the store can't be read: %w", err)
}
