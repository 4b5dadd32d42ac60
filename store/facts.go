package store

import (
	"context"
	"sort"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

// Spells lists the blind spells that overlap the query's period, newest first.
func (s *Store) Spells(ctx context.Context, q Query) ([]capture.Spell, error) {
	var out []capture.Spell
	err := s.view(ctx, func(tx *bolt.Tx) error {
		drives, err := blindLine.drives(tx)
		for _, drive := range drives {
			if q.drive(drive) {
				out = append(out, blindLine.between(tx, drive, q.Since, q.Until, s.broken)...)
			}
		}
		return err
	})
	sort.SliceStable(out, func(i, j int) bool { return out[i].From.After(out[j].From) })
	if q.Limit > 0 && len(out) > q.Limit {
		out = out[:q.Limit]
	}
	return out, err
}

// Facts are what the ledger knows of how well drives were watched in the
// query's period, by their names. Drives that were never watched have none.
func (s *Store) Facts(ctx context.Context, q Query) ([]coverage.Facts, error) {
	now := s.now()
	alive := now
	if s.opt.ReadOnly { // nobody is watching
		s.watchMu.Lock()
		alive = s.lived(now)
		s.watchMu.Unlock()
	}
	out := []coverage.Facts{}
	err := s.view(ctx, func(tx *bolt.Tx) error {
		drives, err := knownLine.drives(tx)
		for _, drive := range drives {
			if !q.drive(drive) {
				continue
			}
			out = append(out, coverage.Facts{
				Drive: drive, Alive: alive, Now: now,
				Known: knownLine.between(tx, drive, time.Time{}, time.Time{}, s.broken),
				Blind: blindLine.between(tx, drive, q.Since, q.Until, s.broken),
				Drift: driftLine.between(tx, drive, q.Since, q.Until, s.broken),
			})
		}
		return err
	})
	sort.Slice(out, func(i, j int) bool { return out[i].Drive < out[j].Drive })
	return out, err
}

func (s *Store) broken(err error) {
	s.log.Error("a spell is damaged and left out", "err", err)
}
