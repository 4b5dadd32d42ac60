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

// KindQuiet is the ledger's line about quiet times.
const KindQuiet = "quiet"

// MostQuiet is the longest quiet time: one that is forgotten must end by itself.
const MostQuiet = 14 * 24 * time.Hour

func quietFold(id string) string { return inQuiet + " " + id }

// AddQuiet plans a quiet time. The store sets its ID. ErrRefused where it has
// no end, ends before it begins or has ended, or is too long.
func (s *Store) AddQuiet(ctx context.Context, q capture.Quiet) (capture.Quiet, error) {
	now := s.now().UTC()
	q.From, q.To, q.Note = q.From.UTC().Truncate(time.Second), q.To.UTC().Truncate(time.Second), strings.TrimSpace(q.Note)
	switch {
	case !q.To.After(q.From):
		return q, &said{"a quiet time ends after it begins", ErrRefused}
	case !q.To.After(now):
		return q, &said{"this quiet time would be over already", ErrRefused}
	case q.To.Sub(q.From) > MostQuiet:
		return q, &said{fmt.Sprintf("a quiet time lasts %.0f days at most, so that one that is forgotten ends by itself", MostQuiet.Hours()/24), ErrRefused}
	case len(q.Note) > mostNote:
		return q, &said{fmt.Sprintf("a note has at most %d characters", mostNote), ErrRefused}
	}
	for _, d := range q.Drives {
		if err := checkName("drive", d); err != nil {
			return q, &said{err.Error(), ErrRefused}
		}
	}
	if err := ctx.Err(); err != nil {
		return q, err
	}
	err := s.update("plan a quiet time", func(tx *bolt.Tx) error {
		b := tx.Bucket(bTelling)
		n, err := b.NextSequence()
		if err != nil {
			return err
		}
		q.ID = fmt.Sprint(n)
		if err := putSealed(b, tellingKey(inQuiet, q.ID), q); err != nil {
			return err
		}
		_, err = putEntry(tx, Entry{Time: now, Kind: KindQuiet, Text: fmt.Sprintf("Quiet time %s planned for %s, %s to %s%s%s",
			q.ID, whose(q.Drives), q.From.Format(quietTime), q.To.Format(quietTime), by(q.By), because(q.Note))})
		return err
	})
	if err != nil {
		return q, err
	}
	return q, s.loadQuiet()
}

const quietTime = "2 Jan 2006 15:04 UTC"

func whose(drives []string) string {
	if len(drives) == 0 {
		return "all drives"
	}
	return strings.Join(drives, ", ")
}

func by(who string) string {
	if who == "" {
		return ""
	}
	return ", by " + who
}

func because(note string) string {
	if note == "" {
		return "."
	}
	return ": " + ended(note)
}

// EndQuiet ends a quiet time before its end, or takes one away that is still
// to come; what waited for its end is told now. ErrNotFound where there is none.
func (s *Store) EndQuiet(ctx context.Context, id, who string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	now := s.now().UTC()
	err := s.update("end a quiet time", func(tx *bolt.Tx) error {
		key := tellingKey(inQuiet, id)
		var q capture.Quiet
		if !telling(tx, key, &q) || !q.To.After(now) {
			return &said{fmt.Sprintf("there is no quiet time %q that isn't over", id), ErrNotFound}
		}
		if err := tx.Bucket(bTelling).Delete(key); err != nil {
			return err
		}
		var held []Message
		box := tx.Bucket(bOutbox)
		if err := box.ForEach(func(k, v []byte) error {
			var m Message
			if unseal(k, v, &m) == nil && m.Fold == quietFold(id) && m.Hold.After(now) {
				held = append(held, m)
			}
			return nil
		}); err != nil {
			return err
		}
		for _, m := range held {
			m.Hold = now
			if err := putMessage(box, m); err != nil {
				return err
			}
		}
		_, err := putEntry(tx, Entry{Time: now, Kind: KindQuiet, Text: fmt.Sprintf("Quiet time %s of %s ended before its time%s.", id, whose(q.Drives), by(who))})
		return err
	})
	if err == nil {
		s.wake()
		err = s.loadQuiet()
	}
	return err
}

// Quiets are the quiet times that aren't over, by their beginning.
func (s *Store) Quiets(ctx context.Context) (out []capture.Quiet, err error) {
	now := s.now()
	err = s.view(ctx, func(tx *bolt.Tx) error {
		return eachTelling(tx, inQuiet, func(_ []byte, q capture.Quiet) error {
			if q.To.After(now) {
				out = append(out, q)
			}
			return nil
		})
	})
	slices.SortStableFunc(out, func(a, b capture.Quiet) int { return a.From.Compare(b.From) })
	return out, err
}

// loadQuiet keeps in memory what is asked for with every alert, and lets go of
// quiet times that are long over.
func (s *Store) loadQuiet() error {
	list, err := s.Quiets(context.Background())
	if err != nil {
		return err
	}
	s.quietMu.Lock()
	s.quiet = list
	s.quietMu.Unlock()
	return nil
}

func (s *Store) quietFor(a capture.Alert, now time.Time) (capture.Quiet, bool) {
	s.quietMu.Lock()
	defer s.quietMu.Unlock()
	for _, q := range s.quiet {
		// What is of no drive concerns the store and the computer, not what somebody works on.
		if !now.Before(q.From) && now.Before(q.To) && a.Drive != "" &&
			(len(q.Drives) == 0 || slices.Contains(q.Drives, a.Drive)) {
			return q, true
		}
	}
	return capture.Quiet{}, false
}
