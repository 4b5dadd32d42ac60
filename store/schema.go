package store

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Schema is the version of the file's layout: which buckets there are and what
// their keys say. capture.Schema is that of the values.
//
//	1  the first
//	2  what people said of captures (bucket marks); a spell that goes on lies
//	   behind all others of its drive; since when drives are watched
const Schema = 2

// step brings a file from one schema to the next. It must not fail because of
// a damaged value: that is left as it is, for Verify to tell of.
type step struct {
	from int
	do   func(*bolt.Tx) error
}

// steps are all steps, by the schema that they begin from.
var steps = []step{
	{1, addMarks},
}

// schemaOf reads a file's schema.
func schemaOf(tx *bolt.Tx) (int, error) {
	meta := tx.Bucket(bMeta)
	if meta == nil {
		return 0, damagef("bucket %q is missing", bMeta)
	}
	v := meta.Get(kSchema)
	n, err := strconv.Atoi(string(v))
	if err != nil || n < 1 || n > math.MaxInt32 {
		return 0, damagef("its schema is %q", v)
	}
	return n, nil
}

// newer refuses a file of a later faultkeep, which is left as it is.
func newer(n int) error {
	return fmt.Errorf("schema %d; this faultkeep knows up to %d. Update faultkeep; the file was left as it is: %w", n, Schema, ErrNewer)
}

// migrate brings an older file up to date in one transaction, after a copy of
// it was put beside it. to is the schema to reach.
func (s *Store) migrate(steps []step, to int) error {
	var was int
	err := s.db.View(func(tx *bolt.Tx) (err error) {
		was, err = schemaOf(tx)
		return err
	})
	if err != nil || was == to {
		return err
	}
	if was > to {
		return newer(was)
	}
	copied := fmt.Sprintf("%s.schema-%d", s.opt.Path, was)
	if err := s.copyTo(copied); err != nil {
		return &Error{Op: fmt.Sprintf("bring the store from schema %d to %d", was, to), Path: s.opt.Path,
			Err: fmt.Errorf("a copy must be put beside it first, as %s: %w", copied, err), Hint: "Make room for the copy; the store was left as it is"}
	}
	s.log.Info("the store is brought up to date; a copy of it stays", "from", was, "to", to, "copy", copied)
	return s.db.Update(func(tx *bolt.Tx) error {
		for n := was; n < to; n++ {
			did := false
			for _, step := range steps {
				if step.from != n {
					continue
				}
				if err := step.do(tx); err != nil {
					return fmt.Errorf("schema %d to %d: %w", n, n+1, err)
				}
				did = true
			}
			if !did {
				return fmt.Errorf("nothing leads on from schema %d", n)
			}
		}
		return tx.Bucket(bMeta).Put(kSchema, []byte(strconv.Itoa(to)))
	})
}

// copyTo puts a copy of the whole file at path, all or nothing.
func (s *Store) copyTo(path string) (err error) {
	part := path + ".part"
	defer func() {
		if err != nil {
			_ = os.Remove(part)
		}
	}()
	f, err := os.OpenFile(part, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	err = s.db.View(func(tx *bolt.Tx) error {
		_, err := tx.WriteTo(f)
		return err
	})
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return err
	}
	return replaceFile(part, path)
}

// replaceFile gives a synced file another name, durably. Whatever had that
// name is gone.
func replaceFile(from, to string) error {
	if err := rename(from, to); err != nil {
		return err
	}
	return syncDir(filepath.Dir(to))
}

// addMarks is the step from schema 1.
func addMarks(tx *bolt.Tx) error {
	if _, err := tx.CreateBucketIfNotExists(bMarks); err != nil {
		return err
	}
	return errors.Join(openSpellsLast(tx), knownSince(tx))
}

// openSpellsLast moves each drive's open blind spell, which lay under its
// beginning like all others.
func openSpellsLast(tx *bolt.Tx) error {
	b := tx.Bucket(bSpells)
	open := map[string]capture.Spell{}
	var keys [][]byte
	_ = b.ForEach(func(k, v []byte) error {
		var sp capture.Spell
		if unseal(k, v, &sp) == nil && sp.To.IsZero() && bytes.Equal(k, blindLine.key(sp.Drive, sp.From)) {
			open[sp.Drive] = sp
			keys = append(keys, bytes.Clone(k))
		}
		return nil
	})
	for _, k := range keys {
		if err := b.Delete(k); err != nil {
			return err
		}
	}
	for drive, sp := range open {
		if key := blindLine.openKey(drive); b.Get(key) == nil {
			if err := putSealed(b, key, sp); err != nil {
				return err
			}
		}
	}
	return nil
}

// knownSince begins the known line of every drive that was watched, where the
// pages had noted its beginning, or else its first spell.
func knownSince(tx *bolt.Tx) error {
	var was beat
	if v := tx.Bucket(bMeta).Get(kBeat); v == nil || unseal(kBeat, v, &was) != nil {
		return nil
	}
	b := tx.Bucket(bSpells)
	for _, drive := range was.Drives {
		key := knownLine.openKey(drive)
		if lastKnown, _ := lastOf(b.Cursor(), knownLine.prefix(drive)); lastKnown != nil {
			continue
		}
		since := was.At
		noted := []byte("watching " + drive)
		var t time.Time
		if v := tx.Bucket(bVisits).Get(noted); v != nil && unseal(noted, v, &t) == nil && t.Before(since) {
			since = t
		}
		if k, v := b.Cursor().Seek(blindLine.prefix(drive)); bytes.HasPrefix(k, blindLine.prefix(drive)) {
			var first capture.Spell
			if unseal(k, v, &first) == nil && first.From.Before(since) {
				since = first.From
			}
		}
		if err := putSealed(b, key, capture.Spell{Drive: drive, From: since.UTC()}); err != nil {
			return err
		}
	}
	return nil
}
