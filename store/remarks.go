package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

const (
	mostNotes = 200 // of a capture
	mostTags  = 20
	mostTag   = 40 // bytes
)

// Remark adds a note to a capture, and adds and takes off tags, all at once.
// An empty note is none. ErrNotFound where there is no such capture, ErrRefused
// for what is too long or too much.
func (s *Store) Remark(ctx context.Context, id capture.ID, note capture.Note, tags, untag []string) error {
	note.Text = strings.TrimSpace(note.Text)
	switch {
	case len(note.Text) > mostNote:
		return &said{fmt.Sprintf("a note has at most %d characters, not %d", mostNote, len(note.Text)), ErrRefused}
	case len(note.By) > mostTag:
		return &said{fmt.Sprintf("the name under a note has at most %d characters", mostTag), ErrRefused}
	}
	for i, t := range tags {
		tags[i] = strings.TrimSpace(t)
		if tags[i] == "" || len(tags[i]) > mostTag || strings.ContainsAny(tags[i], ",\n\r\t") {
			return &said{fmt.Sprintf("%q is no tag: one has 1 to %d characters, and no commas", t, mostTag), ErrRefused}
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	note.At = s.now().UTC()
	return s.update("note remarks", func(tx *bolt.Tx) error {
		if !isKept(tx, id) {
			return notFound(string(id))
		}
		r, err := remarksAt(tx, id)
		if err != nil {
			return err // what people wrote is not overwritten, even if it can't be read
		}
		if note.Text != "" {
			r.Notes = append(r.Notes, note)
		}
		r.Tags = append(slices.DeleteFunc(r.Tags, func(t string) bool { return slices.Contains(untag, t) }), tags...)
		slices.Sort(r.Tags)
		r.Tags = slices.Compact(r.Tags)
		if len(r.Notes) > mostNotes || len(r.Tags) > mostTags {
			return &said{fmt.Sprintf("a capture has at most %d notes and %d tags", mostNotes, mostTags), ErrRefused}
		}
		return putSealed(tx.Bucket(bRemarks), []byte(id), r)
	})
}

// DropNote takes away the note of a capture that was written at that time.
func (s *Store) DropNote(ctx context.Context, id capture.ID, at time.Time) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return s.update("drop a note", func(tx *bolt.Tx) error {
		r, err := remarksAt(tx, id)
		if err != nil {
			return err
		}
		rest := slices.DeleteFunc(slices.Clone(r.Notes), func(n capture.Note) bool { return n.At.Equal(at) })
		if len(rest) == len(r.Notes) {
			return &said{fmt.Sprintf("%s has no note of %s", id, at.UTC().Format(time.RFC3339Nano)), ErrNotFound}
		}
		r.Notes = rest
		return putSealed(tx.Bucket(bRemarks), []byte(id), r)
	})
}

func remarksAt(tx *bolt.Tx, id capture.ID) (r capture.Remarks, err error) {
	b := tx.Bucket(bRemarks)
	if b == nil {
		return r, nil
	}
	if v := b.Get([]byte(id)); v != nil {
		err = unseal([]byte(id), v, &r)
	}
	return r, err
}

// Remarks are what people wrote about captures; those without any are left out.
func (s *Store) Remarks(ctx context.Context, ids ...capture.ID) (map[capture.ID]capture.Remarks, error) {
	out := map[capture.ID]capture.Remarks{}
	err := s.view(ctx, func(tx *bolt.Tx) error {
		for _, id := range ids {
			r, err := remarksAt(tx, id)
			if err != nil {
				s.broken(err)
				continue
			}
			if len(r.Notes)+len(r.Tags) > 0 {
				out[id] = r
			}
		}
		return nil
	})
	return out, err
}

// checkRemarks is part of Verify.
func checkRemarks(tx *bolt.Tx, report func(capture.ID, string)) error {
	b := tx.Bucket(bRemarks)
	if b == nil {
		return nil
	}
	return b.ForEach(func(k, v []byte) error {
		id := capture.ID(k)
		if err := unseal(k, v, new(capture.Remarks)); err != nil {
			report(id, fmt.Sprintf("The notes of %s are %v.", id, err))
		} else if !isKept(tx, id) {
			report(id, fmt.Sprintf("There are notes of %s, which isn't kept.", id))
		}
		return nil
	})
}
