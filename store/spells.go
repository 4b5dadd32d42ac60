package store

import (
	"context"
	"errors"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

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
	w := s.watch[drive]
	if w.blind == nil && w.known != nil && slices.Contains(s.beat.Drives, drive) {
		s.alive = true
		return nil
	}
	return s.change(drive, at, nil)
}

// Blind says that the drive's recorder isn't watched: since its last good
// poll, for cause. It opens a blind spell, or, where one is open for another
// cause, ends that at at and opens the next. The same cause again writes nothing.
func (s *Store) Blind(ctx context.Context, drive string, since, at time.Time, cause capture.Cause, text string) error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	w := s.watch[drive]
	if w.blind != nil && w.blind.Cause == cause && w.known != nil {
		s.alive = true
		return nil
	}
	next := &capture.Spell{From: since, Cause: cause, Text: text}
	if w.blind != nil || since.IsZero() || since.After(at) {
		next.From = at
	}
	return s.change(drive, at, next)
}

// change ends the open blind spell of a drive and begins the next, if any.
// A drive seen for the first time is known from then on. The caller holds watchMu.
func (s *Store) change(drive string, at time.Time, next *capture.Spell) error {
	if err := checkName("drive", drive); err != nil {
		return err
	}
	b := s.beat
	if !slices.Contains(b.Drives, drive) {
		b = beat{At: laterOf(b.At, at.UTC()), Drives: append(slices.Clone(b.Drives), drive)}
	}
	w := s.watch[drive]
	moves := []move{w.turn(blindLine, drive, at, s.beat.At, next)}
	if w.known == nil {
		from := at
		if w.blind != nil {
			from = w.blind.From
		}
		moves = append(moves, w.turn(knownLine, drive, at, s.beat.At, &capture.Spell{From: from}))
	}
	return s.commitMoves(moves, map[string]watch{drive: w}, b, nil)
}

// commitMoves makes changes durable, then believes them. more is done in the
// same transaction; it may be nil. The caller holds watchMu.
func (s *Store) commitMoves(moves []move, changed map[string]watch, b beat, more func(*bolt.Tx) error) error {
	err := s.update("write the ledger", func(tx *bolt.Tx) error {
		if err := putMoves(tx, moves); err != nil {
			return err
		}
		if !b.At.Equal(s.beat.At) || !slices.Equal(b.Drives, s.beat.Drives) {
			if err := putSealed(tx.Bucket(bMeta), kBeat, b); err != nil {
				return err
			}
		}
		if more != nil {
			return more(tx)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for drive, w := range changed {
		s.watch[drive] = w
	}
	s.beat, s.alive = b, true
	return nil
}

// Beat is a sign of life, to be given every few minutes: at at faultkeep ran,
// with these drives in its config. Should it die, the time after the last beat
// becomes a blind spell of each of them. Of drives that aren't in the config
// any more nothing is claimed from then on.
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
	var moves []move
	changed := map[string]watch{}
	for drive, w := range s.watch {
		if slices.Contains(b.Drives, drive) {
			continue
		}
		for _, l := range lines {
			if *w.open(l) != nil {
				moves = append(moves, w.turn(l, drive, b.At, s.beat.At, nil))
			}
		}
		changed[drive] = w
	}
	return s.commitMoves(moves, changed, b, nil)
}

// lastBeat is the beat at Close, if anything was watched.
func (s *Store) lastBeat() error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	if !s.alive {
		return nil
	}
	err := s.beatNow(beat{At: s.now(), Drives: s.beat.Drives})
	s.alive = false
	if errors.Is(err, ErrClosed) {
		return nil
	}
	return err
}

// loadWatch reads the last beat and what is open of each drive.
func (s *Store) loadWatch() error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	return s.view(context.Background(), func(tx *bolt.Tx) error {
		if v := tx.Bucket(bMeta).Get(kBeat); v != nil {
			if err := unseal(kBeat, v, &s.beat); err != nil {
				s.log.Error("the last sign of life can't be read", "err", err)
			}
		}
		for _, l := range lines {
			drives, err := l.drives(tx)
			if err != nil {
				return err
			}
			for _, drive := range drives {
				w := s.watch[drive]
				if err := l.load(tx, drive, &w); err != nil {
					s.broken(err)
				}
				s.watch[drive] = w
			}
		}
		return nil
	})
}

// lived is the last sign of life: the last beat, or a change written since.
// What a wrong clock put into the future is none. The caller holds watchMu.
func (s *Store) lived(now time.Time) time.Time {
	last := s.beat.At
	for _, w := range s.watch {
		signs := []time.Time{w.free}
		if w.blind != nil {
			signs = append(signs, w.blind.From)
		}
		for _, t := range signs {
			if !t.After(now) {
				last = laterOf(last, t)
			}
		}
	}
	return last
}

// tellGap makes the time since the last sign of life a blind spell of each
// drive that was watched then. It ends when the drive is watched again.
func (s *Store) tellGap() error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	now := s.now()
	lived := s.lived(now)
	if s.beat.At.IsZero() || lived.Equal(now) || len(s.beat.Drives) == 0 {
		return nil
	}
	from, note := lived, Entry{}
	text := "faultkeep was stopped or its PC was off; it began again " + seconds(now.Sub(lived)) + " after its last sign of life."
	if now.Before(lived) {
		from = now
		text = "faultkeep was stopped or its PC was off, for how long isn't known: the clock was set back meanwhile."
		note = Entry{Time: now, Kind: KindClockJump, Text: "The clock stands " + seconds(lived.Sub(now)) +
			" before faultkeep's last sign of life: it was set back while faultkeep was not running. Times from before don't line up with later ones."}
	}
	var moves []move
	changed := map[string]watch{}
	for _, drive := range s.beat.Drives {
		w := s.watch[drive]
		if now.Before(lived) {
			moves = append(moves, w.setBack(drive, lived, now)...)
		}
		moves = append(moves, w.turn(blindLine, drive, from, lived, &capture.Spell{From: from, Cause: capture.CauseNotRunning, Text: text}))
		changed[drive] = w
	}
	err := s.commitMoves(moves, changed, s.beat, func(tx *bolt.Tx) error {
		if note.Kind == "" {
			return nil
		}
		_, err := putEntry(tx, note)
		return err
	})
	s.alive = false // nothing was watched yet
	return err
}
