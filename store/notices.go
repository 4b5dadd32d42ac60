package store

import (
	"context"
	"time"

	"faultkeep/store/capture"
)

// Drifted says that from e.Time on the settings of e.Drive aren't the wanted
// ones, as e.Text tells, and writes the entry and its alerts. Saying the same
// again, also after a restart, writes nothing and alerts nobody.
func (s *Store) Drifted(ctx context.Context, e Entry, alerts ...capture.Alert) error {
	if err := checkName("drive", e.Drive); err != nil {
		return err
	}
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	w := s.watch[e.Drive]
	if w.drift != nil && w.drift.Text == e.Text {
		return nil
	}
	e.Time, e.Kind = s.timeOf(e), KindDrift
	m := w.turn(driftLine, e.Drive, e.Time, s.beat.At, &capture.Spell{From: e.Time, Cause: capture.CauseDrift, Text: e.Text})
	return s.notice(e, alerts, []move{m}, map[string]watch{e.Drive: w})
}

// AsWanted says that the drive's settings are the wanted ones. It ends what
// Drifted began; where nothing did it writes nothing.
func (s *Store) AsWanted(ctx context.Context, drive string, at time.Time) error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	w := s.watch[drive]
	if w.drift == nil {
		return nil
	}
	e := Entry{Time: at.UTC(), Drive: drive, Kind: KindAsWanted, Text: "The recorder's settings are as wanted again."}
	m := w.turn(driftLine, drive, at, s.beat.At, nil)
	return s.notice(e, nil, []move{m}, map[string]watch{drive: w})
}

// leastLeap is how far the clock must be set ahead for the ledger to leave the
// time out that it skipped: nobody lived through it.
const leastLeap = 10 * time.Second

// Jumped says that the PC's clock was set from one time to another, and writes
// the entry, at the time to, and its alerts. Where the clock was set back, what
// goes on ends by the old time and begins again by the new; of time that was
// skipped nothing is claimed.
func (s *Store) Jumped(ctx context.Context, from, to time.Time, text string, alerts ...capture.Alert) error {
	s.watchMu.Lock()
	defer s.watchMu.Unlock()
	from, to = from.UTC(), to.UTC()
	var moves []move
	changed := map[string]watch{}
	for drive, w := range s.watch {
		switch {
		case to.Before(from):
			moves = append(moves, w.setBack(drive, from, to)...)
		case to.Sub(from) >= leastLeap && w.known != nil:
			moves = append(moves, w.turn(knownLine, drive, from, from, &capture.Spell{From: to}))
		default:
			continue
		}
		changed[drive] = w
	}
	return s.notice(Entry{Time: to, Kind: KindClockJump, Text: text}, alerts, moves, changed)
}

// notice writes an entry together with the changes that it tells of.
// The caller holds watchMu.
func (s *Store) notice(e Entry, alerts []capture.Alert, moves []move, changed map[string]watch) error {
	put, told := s.noting(e, alerts)
	err := s.commitMoves(moves, changed, s.beat, put)
	if err == nil {
		told()
	}
	return err
}

func (s *Store) timeOf(e Entry) time.Time {
	if e.Time.IsZero() {
		return s.now()
	}
	return e.Time.UTC()
}
