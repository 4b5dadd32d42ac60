package store

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"sort"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// watch is what is known of one drive. Without an open spell it is watched.
type watch struct {
	open *capture.Spell
	free time.Time // end of the last spell: the next can't begin earlier
}

// beat says until when faultkeep is known to have run, and what it watched.
type beat struct {
	At     time.Time `json:"at"`
	Drives []string  `json:"drives"`
}

// Watched says that the drive's recorder is being watched from at on. It ends
// an open blind spell; where nothing changed it writes nothing.
func (s *Store) Watched(ctx context.Context, drive string, at time.Time) error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	w, known := s.watch[drive]
	if known && w.open == nil && slices.Contains(s.beat.Drives, drive) {
		s.alive = true
		return nil
	}
	return s.change(drive, at, w, nil)
}

// Blind says that the drive's recorder isn't watched: since its last good
// poll, for cause. It opens a blind spell, or, where one is open for another
// cause, ends that at at and opens the next. The same cause again writes nothing.
func (s *Store) Blind(ctx context.Context, drive string, since, at time.Time, cause capture.Cause, text string) error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	w := s.watch[drive]
	if w.open != nil && w.open.Cause == cause {
		s.alive = true
		return nil
	}
	next := &capture.Spell{Drive: drive, From: since.UTC(), Cause: cause, Text: text}
	if w.open != nil || since.IsZero() || since.After(at) {
		next.From = at.UTC()
	}
	return s.change(drive, at, w, next)
}

// change ends the open spell of a drive and begins the next, if any.
// The caller holds watchMu.
func (s *Store) change(drive string, at time.Time, w watch, next *capture.Spell) error {
	if err := checkName("drive", drive); err != nil {
		return err
	}
	b := s.beat
	if !slices.Contains(b.Drives, drive) {
		b = beat{At: laterOf(b.At, at.UTC()), Drives: append(slices.Clone(b.Drives), drive)}
	}
	err := s.update("write the ledger", func(tx *bolt.Tx) error {
		w = shift(&w, at, next)
		if err := putSpells(tx, w, s.watch[drive].open); err != nil {
			return err
		}
		if b.At.Equal(s.beat.At) && len(b.Drives) == len(s.beat.Drives) {
			return nil
		}
		return putBeat(tx, b)
	})
	if err == nil {
		s.watch[drive], s.beat, s.alive = w, b, true
	}
	return err
}

// shift is the watch after its open spell ended at at and next began.
func shift(w *watch, at time.Time, next *capture.Spell) watch {
	out := watch{free: w.free}
	if w.open != nil {
		out.free = laterOf(w.open.From, at.UTC())
	}
	if next != nil {
		n := *next
		n.From = laterOf(n.From, out.free)
		out.open = &n
	}
	return out
}

// putSpells writes the spell that ended at now.free and the one that is open now.
func putSpells(tx *bolt.Tx, now watch, ended *capture.Spell) error {
	spells := tx.Bucket(bSpells)
	if ended != nil {
		e := *ended
		e.To = now.free
		key := spellKey(e)
		if !e.To.After(e.From) { // it lasted no time at all
			if err := spells.Delete(key); err != nil {
				return err
			}
		} else if err := putSealed(spells, key, e); err != nil {
			return err
		}
	}
	if now.open == nil {
		return nil
	}
	return putSealed(spells, spellKey(*now.open), *now.open)
}

func spellKey(sp capture.Spell) []byte {
	return append(joined(sp.Drive, ""), stamp(sp.From)...)
}

func putSealed(b *bolt.Bucket, key []byte, v any) error { return putAs(b, key, key, v) }

func putBeat(tx *bolt.Tx, b beat) error { return putSealed(tx.Bucket(bMeta), kBeat, b) }

func laterOf(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// Beat is a sign of life, to be given every few minutes: at at faultkeep ran,
// with these drives in its config. Should it die, the time after the last beat
// becomes a blind spell of each of them. Spells of drives that aren't in the
// config any more end.
func (s *Store) Beat(ctx context.Context, drives []string, at time.Time) error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	for _, d := range drives {
		if err := checkName("drive", d); err != nil {
			return err
		}
	}
	return s.beatNow(beat{At: at.UTC(), Drives: slices.Clone(drives)})
}

func (s *Store) beatNow(b beat) error {
	changed := map[string]watch{}
	for drive, w := range s.watch {
		if w.open != nil && !slices.Contains(b.Drives, drive) {
			changed[drive] = shift(&w, b.At, nil)
		}
	}
	err := s.update("write the ledger", func(tx *bolt.Tx) error {
		for drive, w := range changed {
			if err := putSpells(tx, w, s.watch[drive].open); err != nil {
				return err
			}
		}
		return putBeat(tx, b)
	})
	if err != nil {
		return err
	}
	for drive := range s.watch {
		if !slices.Contains(b.Drives, drive) {
			delete(s.watch, drive)
		}
	}
	s.beat, s.alive = b, true
	return nil
}

// lastBeat is the beat at Close, if anything was watched.
func (s *Store) lastBeat() error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	if !s.alive {
		return nil
	}
	s.alive = false
	err := s.beatNow(beat{At: s.now(), Drives: s.beat.Drives})
	s.alive = false
	if errors.Is(err, ErrClosed) {
		return nil
	}
	return err
}

// loadWatch reads the last beat and each drive's last spell.
func (s *Store) loadWatch() error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	return s.view(context.Background(), func(tx *bolt.Tx) error {
		if v := tx.Bucket(bMeta).Get(kBeat); v != nil {
			if err := unseal(kBeat, v, &s.beat); err != nil {
				s.log.Error("the last sign of life can't be read", "err", err)
			}
		}
		return eachDrive(tx, func(drive string) error {
			prefix := joined(drive, "")
			c := tx.Bucket(bSpells).Cursor()
			k, v := lastOf(c, prefix)
			if k == nil {
				return nil
			}
			var sp capture.Spell
			if err := unseal(k, v, &sp); err != nil {
				s.log.Error("a blind spell can't be read", "err", err)
				return nil
			}
			if sp.To.IsZero() {
				s.watch[drive] = watch{open: &sp}
			} else {
				s.watch[drive] = watch{free: sp.To}
			}
			return nil
		})
	})
}

// lastOf moves to the last key with the prefix; k is nil where there is none.
func lastOf(c *bolt.Cursor, prefix []byte) (k, v []byte) {
	k, v = c.Seek(append(bytes.Clone(prefix), bytes.Repeat([]byte{0xff}, 9)...))
	if k == nil {
		k, v = c.Last()
	} else {
		k, v = c.Prev()
	}
	if !bytes.HasPrefix(k, prefix) {
		return nil, nil
	}
	return k, v
}

// eachDrive calls fn for every drive that has spells.
func eachDrive(tx *bolt.Tx, fn func(drive string) error) error {
	c := tx.Bucket(bSpells).Cursor()
	for k, _ := c.First(); k != nil; {
		n := bytes.IndexByte(k, 0)
		if n < 1 {
			return damagef("spell %q has no proper name", k)
		}
		drive := string(k[:n])
		if err := fn(drive); err != nil {
			return err
		}
		k, _ = c.Seek(append([]byte(drive), 1))
	}
	return nil
}

// tellGap makes the time since the last beat a blind spell of each drive
// that was watched then. It ends when the drive is watched again.
func (s *Store) tellGap() error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	now := s.now()
	if s.beat.At.IsZero() || !now.After(s.beat.At) {
		return nil
	}
	changed := map[string]watch{}
	for _, drive := range s.beat.Drives {
		w := s.watch[drive]
		changed[drive] = shift(&w, s.beat.At, &capture.Spell{
			Drive: drive, From: s.beat.At, Cause: capture.CauseNotRunning,
			Text: "faultkeep was stopped or its PC was off; it began again " + seconds(now.Sub(s.beat.At)) + " after its last sign of life.",
		})
	}
	if len(changed) == 0 {
		return nil
	}
	err := s.update("write the ledger", func(tx *bolt.Tx) error {
		for drive, w := range changed {
			if err := putSpells(tx, w, s.watch[drive].open); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		for drive, w := range changed {
			s.watch[drive] = w
		}
	}
	return err
}

// Spells lists the blind spells that overlap the query's period, newest first.
func (s *Store) Spells(ctx context.Context, q Query) ([]capture.Spell, error) {
	var out []capture.Spell
	err := s.view(ctx, func(tx *bolt.Tx) error {
		return eachDrive(tx, func(drive string) error {
			if !q.drive(drive) {
				return nil
			}
			prefix := joined(drive, "")
			c := tx.Bucket(bSpells).Cursor()
			for k, v := lastOf(c, prefix); bytes.HasPrefix(k, prefix); k, v = c.Prev() {
				var sp capture.Spell
				if err := unseal(k, v, &sp); err != nil {
					s.log.Error("a blind spell is damaged and left out", "err", err)
					continue
				}
				if !q.Until.IsZero() && !sp.From.Before(q.Until) {
					continue
				}
				if !sp.To.IsZero() && !sp.To.After(q.Since) {
					break // spells of one drive don't overlap, so all others ended earlier
				}
				out = append(out, sp)
			}
			return nil
		})
	})
	sort.SliceStable(out, func(i, j int) bool { return out[i].From.After(out[j].From) })
	if q.Limit > 0 && len(out) > q.Limit {
		out = out[:q.Limit]
	}
	return out, err
}
