package store

import (
	"context"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Marks are what people said of a capture. Retention drops pinned captures
// last, and before them those that nobody has reviewed.
type Marks struct {
	Pinned   time.Time `json:"pinned,omitzero"`   // since when it shall stay; zero: it isn't pinned
	Reviewed time.Time `json:"reviewed,omitzero"` // when it was looked at; zero: it wasn't
}

// Pin says that a capture shall stay, or needn't any more. Saying it again
// changes nothing. ErrNotFound where there is no such capture.
func (s *Store) Pin(ctx context.Context, id capture.ID, pinned bool) error {
	at := s.now()
	return s.mark("pin a capture", []capture.ID{id}, func(m *Marks) {
		switch {
		case !pinned:
			m.Pinned = time.Time{}
		case m.Pinned.IsZero():
			m.Pinned = at
		}
	})
}

// Review says that somebody has looked at the captures, all in one
// transaction; so they know of the trips whose newest capture is among them. Saying it again changes nothing. ErrNotFound where there is
// one that isn't there; then none is marked.
func (s *Store) Review(ctx context.Context, ids ...capture.ID) error {
	at := s.now()
	return s.mark("mark captures as reviewed", ids, func(m *Marks) {
		if m.Reviewed.IsZero() {
			m.Reviewed = at
		}
	}, func(tx *bolt.Tx) error { return acknowledgeReviewed(tx, ids, at) })
}

// Unreview takes Review back.
func (s *Store) Unreview(ctx context.Context, ids ...capture.ID) error {
	return s.mark("mark captures as not reviewed", ids, func(m *Marks) { m.Reviewed = time.Time{} })
}

func (s *Store) mark(op string, ids []capture.ID, change func(*Marks), also ...func(*bolt.Tx) error) error {
	if len(ids) == 0 {
		return nil
	}
	return s.update(op, func(tx *bolt.Tx) error {
		for _, id := range ids {
			if !isKept(tx, id) {
				return notFound(string(id))
			}
			was := marksOf(tx, id)
			now := was
			change(&now)
			if now == was {
				continue
			}
			if err := putMarks(tx, id, now); err != nil {
				return err
			}
		}
		for _, do := range also {
			if err := do(tx); err != nil {
				return err
			}
		}
		return nil
	})
}

func putMarks(tx *bolt.Tx, id capture.ID, m Marks) error {
	if m == (Marks{}) {
		return tx.Bucket(bMarks).Delete([]byte(id))
	}
	return putSealed(tx.Bucket(bMarks), []byte(id), m)
}

// marksOf are a capture's marks. Damaged ones count as pinned, so that nothing
// is dropped by mistake.
func marksOf(tx *bolt.Tx, id capture.ID) (m Marks) {
	b := tx.Bucket(bMarks)
	if b == nil { // a file of schema 1 that is only read
		return m
	}
	key := []byte(id)
	if v := b.Get(key); v != nil && unseal(key, v, &m) != nil {
		return Marks{Pinned: time.Unix(0, 0).UTC()}
	}
	return m
}

// Marks are the marks of a capture.
func (s *Store) Marks(ctx context.Context, id capture.ID) (Marks, error) {
	all, err := s.MarksOf(ctx, id)
	return all[id], err
}

// MarksOf are the marks of captures; those without any are left out.
func (s *Store) MarksOf(ctx context.Context, ids ...capture.ID) (map[capture.ID]Marks, error) {
	out := map[capture.ID]Marks{}
	err := s.view(ctx, func(tx *bolt.Tx) error {
		for _, id := range ids {
			if m := marksOf(tx, id); m != (Marks{}) {
				out[id] = m
			}
		}
		return nil
	})
	return out, err
}

// Reviewed tells whether somebody has looked at the capture.
func (s *Store) Reviewed(ctx context.Context, id capture.ID) (bool, error) {
	m, err := s.Marks(ctx, id)
	return !m.Reviewed.IsZero(), err
}

// checkMarks is part of Verify.
func checkMarks(tx *bolt.Tx, report func(capture.ID, string)) error {
	b := tx.Bucket(bMarks)
	if b == nil {
		return nil
	}
	return b.ForEach(func(k, v []byte) error {
		id := capture.ID(k)
		if err := unseal(k, v, new(Marks)); err != nil {
			report(id, fmt.Sprintf("The marks of %s are %v.", id, err))
		} else if !isKept(tx, id) {
			report(id, fmt.Sprintf("There are marks of %s, which isn't kept.", id))
		}
		return nil
	})
}
