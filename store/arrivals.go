package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Arrival is what was kept of files whose content has one SHA-256. It outlives
// the captures: what retention dropped isn't taken for new.
type Arrival struct {
	IDs    map[int]capture.ID `json:"ids"`              // by the number of the recording in the files, from 1
	Of     int                `json:"of"`               // recordings that the files hold; 0: nothing was kept
	Unread bool               `json:"unread,omitempty"` // they couldn't be read
}

// Whole tells whether every recording of the files was kept.
func (a Arrival) Whole() bool { return a.Of > 0 && len(a.IDs) >= a.Of }

// KindUnread is the ledger's line about files that were kept unread, KindArrived
// that about a recording that came in a file.
const (
	KindUnread  = "unread"
	KindArrived = "arrived"
)

// Arrived tells what was kept of files with this content. A capture that is
// there but doesn't read back any more counts as not kept.
func (s *Store) Arrived(ctx context.Context, hash string) (Arrival, error) {
	var a Arrival
	err := s.view(ctx, func(tx *bolt.Tx) (err error) {
		a, err = arrivalAt(tx, hash)
		if errors.Is(err, ErrDamaged) {
			s.log.Error("what was kept of a file can't be read; it counts as new", "sha256", hash, "err", err)
			a, err = Arrival{}, nil
		}
		for n, id := range a.IDs {
			if !isKept(tx, id) {
				continue // dropped by retention
			}
			if _, err := checkCapture(tx, id); err != nil {
				s.log.Error("a capture of a file is damaged; the file is kept again if it is still there", "id", id, "err", err)
				delete(a.IDs, n)
			}
		}
		return err
	})
	return a, err
}

func arrivalAt(tx *bolt.Tx, hash string) (a Arrival, err error) {
	b := tx.Bucket(bArrivals)
	if b == nil {
		return a, nil
	}
	key := []byte(hash)
	if v := b.Get(key); v != nil {
		err = unseal(key, v, &a)
	}
	return a, err
}

// noteArrival is part of keeping: it notes a capture that was made of files,
// and that files are read now which weren't before.
func noteArrival(tx *bolt.Tx, c capture.Capture) error {
	hash, n, of, ok := capture.ParseContentIdentity(c.Provenance.Identity)
	if !ok {
		return nil
	}
	unread := c.Origin == capture.Unread
	a, err := arrivalAt(tx, hash)
	if err != nil || a.Of != of || a.Unread != unread {
		if err == nil && unread && a.Whole() {
			return nil // it was read by then
		}
		a = Arrival{Of: of, Unread: unread}
	}
	if a.IDs == nil {
		a.IDs = map[int]capture.ID{}
	}
	a.IDs[n] = c.ID
	if err := putSealed(tx.Bucket(bArrivals), []byte(hash), a); err != nil {
		return err
	}
	if unread {
		return putSealed(tx.Bucket(bUnread), []byte(c.ID), hash)
	}
	if !a.Whole() {
		return nil
	}
	return readNow(tx, c, hash)
}

// readNow takes what is read now off the list of unread files: the very same
// content, or files of which each is an original of the new capture too, as
// where a partner came late.
func readNow(tx *bolt.Tx, c capture.Capture, hash string) error {
	b := tx.Bucket(bUnread)
	var gone [][]byte
	err := b.ForEach(func(k, v []byte) error {
		var was string
		if unseal(k, v, &was) != nil {
			return nil // Verify tells
		}
		old, err := tryCapture(tx, capture.ID(k))
		if was == hash || err == nil && holdsParts(c, old) {
			gone = append(gone, bytes.Clone(k))
		}
		return nil
	})
	for _, k := range gone {
		err = errors.Join(err, b.Delete(k))
	}
	return err
}

// ReadNow takes files with this content off the list of unread ones, since
// all that is in them is kept now. Where there are none it does nothing.
func (s *Store) ReadNow(ctx context.Context, hash string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return s.update("take read files off the list", func(tx *bolt.Tx) error {
		return readNow(tx, capture.Capture{}, hash)
	})
}

func holdsParts(c, old capture.Capture) bool {
	return len(old.Integrity.Parts) > 0 && !slices.ContainsFunc(old.Integrity.Parts, func(p capture.Part) bool {
		return !slices.ContainsFunc(c.Integrity.Parts, func(q capture.Part) bool { return q.SHA256 == p.SHA256 && q.Size == p.Size })
	})
}

// forgetArrival is for a capture that is discarded since it doesn't read back.
func forgetArrival(tx *bolt.Tx, id capture.ID) error {
	b := tx.Bucket(bArrivals)
	changed := map[string]Arrival{}
	_ = b.ForEach(func(k, v []byte) error {
		var a Arrival
		if unseal(k, v, &a) != nil {
			return nil
		}
		for n, one := range a.IDs {
			if one == id {
				delete(a.IDs, n)
				changed[string(k)] = a
			}
		}
		return nil
	})
	for hash, a := range changed {
		err := b.Delete([]byte(hash))
		if err == nil && len(a.IDs) > 0 {
			err = putSealed(b, []byte(hash), a)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// fromFiles tells whether a capture was made of files.
func fromFiles(c capture.Capture) bool {
	_, _, _, ok := capture.ParseContentIdentity(c.Provenance.Identity)
	return ok
}

// isUnread tells whether a capture is on the list of files that weren't read so far.
func isUnread(tx *bolt.Tx, id capture.ID) bool {
	b := tx.Bucket(bUnread)
	return b != nil && b.Get([]byte(id)) != nil
}

// Files are what RememberFiles noted of a folder, by path; begun is false where
// it never noted anything.
func (s *Store) Files(ctx context.Context, folder string) (notes map[string]string, begun bool, err error) {
	notes = map[string]string{}
	err = s.view(ctx, func(tx *bolt.Tx) error {
		b := tx.Bucket(bFiles)
		if b == nil {
			return nil
		}
		prefix := joined(folder, "")
		c := b.Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
			begun = true
			var note string
			if err := unseal(k, v, &note); err != nil {
				s.log.Error("what became of a file can't be read; it is looked at again", "file", string(k), "err", err)
				continue
			}
			notes[string(k[len(prefix):])] = note
		}
		return nil
	})
	return notes, begun, err
}

// RememberFiles notes what became of a folder's files, by path; an empty note
// forgets the path. Notes are text.
func (s *Store) RememberFiles(ctx context.Context, folder string, notes map[string]string) error {
	if err := checkName("folder", folder); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return s.update("note what became of files", func(tx *bolt.Tx) error {
		b := tx.Bucket(bFiles)
		for _, p := range sortedKeys(notes) {
			key := joined(folder, p)
			if len(key) > bolt.MaxKeySize {
				continue // no file system has such paths
			}
			if notes[p] == "" {
				if err := b.Delete(key); err != nil {
					return err
				}
				continue
			}
			if err := putSealed(b, key, notes[p]); err != nil {
				return err
			}
		}
		return nil
	})
}

func sortedKeys(m map[string]string) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// checkArrivals is part of Verify.
func checkArrivals(tx *bolt.Tx, report func(capture.ID, string)) error {
	check := func(name []byte, what string, each func(k, v []byte) error) error {
		b := tx.Bucket(name)
		if b == nil {
			return nil
		}
		return b.ForEach(func(k, v []byte) error {
			if err := each(k, v); err != nil {
				report("", fmt.Sprintf("An entry of %s is %v.", what, err))
			}
			return nil
		})
	}
	return errors.Join(
		check(bArrivals, "the index of files that arrived", func(k, v []byte) error { return unseal(k, v, new(Arrival)) }),
		check(bFiles, "the list of files that were dealt with", func(k, v []byte) error { return unseal(k, v, new(string)) }),
		check(bUnread, "the list of unread files", func(k, v []byte) error {
			if id := capture.ID(k); !isKept(tx, id) {
				report(id, fmt.Sprintf("%s is listed as unread, and isn't kept.", id))
			}
			return unseal(k, v, new(string))
		}),
	)
}

// addBuckets makes the buckets that a store of the same schema may lack.
func (s *Store) addBuckets() error {
	missing := false
	err := s.db.View(func(tx *bolt.Tx) error {
		for _, name := range added {
			missing = missing || tx.Bucket(name) == nil
		}
		return nil
	})
	if err != nil || !missing {
		return err
	}
	return s.db.Update(func(tx *bolt.Tx) error {
		for _, name := range added {
			if _, err := tx.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		return nil
	})
}
