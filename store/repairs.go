package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// KindRepair is the kind of ledger entries that note a repair, or that one was
// taken off the list.
const KindRepair = "repair"

// mostNote bounds what is written about a repair.
const mostNote = 2000

// ErrRefused is the kind of errors that say what is wrong with what was to be stored.
var ErrRefused = errors.New("refused")

// said is an error in words of which errors.Is knows the kind.
type said struct {
	text string
	kind error
}

func (e *said) Error() string { return e.text }
func (e *said) Unwrap() error { return e.kind }

// AddRepair notes a repair. The same repair again changes nothing. Times are
// kept to the second, which is how they are told apart and named. ErrRefused
// where it lacks something or is still to come.
func (s *Store) AddRepair(ctx context.Context, r capture.Repair) error {
	if err := checkName("drive", r.Drive); err != nil {
		return &said{err.Error(), ErrRefused}
	}
	r.Note = strings.TrimSpace(r.Note)
	switch now := s.now(); {
	case r.Note == "" || len(r.Note) > mostNote:
		return &said{fmt.Sprintf("the note of a repair has 1 to %d characters, not %d", mostNote, len(r.Note)), ErrRefused}
	case r.At.IsZero() || r.At.After(now):
		return &said{"a repair is noted once it is done, and this time is still to come: " + r.At.UTC().Format("2 Jan 2006 15:04:05 UTC"), ErrRefused}
	default:
		r.Added = now.UTC()
	}
	r.At = r.At.UTC().Truncate(1e9)
	if err := ctx.Err(); err != nil {
		return err
	}
	return s.update("note a repair", func(tx *bolt.Tx) error {
		b := tx.Bucket(bRepairs)
		key := repairKey(r)
		var was capture.Repair
		if v := b.Get(key); v != nil && unseal(key, v, &was) == nil && was.Note == r.Note && was.Fault == r.Fault {
			return nil
		}
		if err := putSealed(b, key, r); err != nil {
			return err
		}
		_, err := putEntry(tx, Entry{Time: r.Added, Drive: r.Drive, Kind: KindRepair,
			Text: fmt.Sprintf("Repair noted for %s%s: %s", r.At.Format("2 Jan 2006 15:04:05 UTC"), against(r), ended(r.Note))})
		return err
	})
}

// DropRepair takes a repair off the list; the ledger still tells of it.
// ErrNotFound where there is none of that drive and second.
func (s *Store) DropRepair(ctx context.Context, r capture.Repair) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	at := s.now()
	return s.update("drop a repair", func(tx *bolt.Tx) error {
		b := tx.Bucket(bRepairs)
		key := repairKey(r)
		if b.Get(key) == nil {
			return &said{fmt.Sprintf("no repair of %s is noted for %s", r.Drive, r.At.UTC().Format("2 Jan 2006 15:04:05 UTC")), ErrNotFound}
		}
		if err := b.Delete(key); err != nil {
			return err
		}
		_, err := putEntry(tx, Entry{Time: at.UTC(), Drive: r.Drive, Kind: KindRepair,
			Text: fmt.Sprintf("The repair noted for %s was taken off the list.", r.At.UTC().Format("2 Jan 2006 15:04:05 UTC"))})
		return err
	})
}

func repairKey(r capture.Repair) []byte {
	return append(stamp(r.At.Truncate(1e9)), r.Drive...)
}

func against(r capture.Repair) string {
	if r.Fault == "" {
		return ""
	}
	return ", against " + r.Fault
}

// ended ends a text with a full stop.
func ended(text string) string {
	if strings.HasSuffix(text, ".") {
		return text
	}
	return text + "."
}

// Repairs are all repairs noted of a drive, or of all with "", oldest first.
func (s *Store) Repairs(ctx context.Context, drive string) (out []capture.Repair, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		b := tx.Bucket(bRepairs)
		if b == nil {
			return nil
		}
		return b.ForEach(func(k, v []byte) error {
			var r capture.Repair
			if drive != "" && (len(k) < 8 || !bytes.Equal(k[8:], []byte(drive))) {
				return nil
			}
			if err := unseal(k, v, &r); err != nil {
				s.broken(err)
				return nil
			}
			out = append(out, r)
			return nil
		})
	})
	slices.SortStableFunc(out, func(a, b capture.Repair) int { return a.At.Compare(b.At) })
	return out, err
}
