package store

import (
	"context"
	"maps"
	"time"

	bolt "go.etcd.io/bbolt"
)

// FaultCount is a drive's own count of its faults, up to which each of them
// was told. What it counts beyond that came while nobody watched.
type FaultCount struct {
	Count int64     `json:"count"`
	At    time.Time `json:"at"` // when the drive showed it, UTC
}

// CountFaults notes a drive's fault count. The same count again writes nothing.
func (s *Store) CountFaults(ctx context.Context, drive string, c FaultCount) error {
	if err := checkName("drive", drive); err != nil {
		return err
	}
	c.At = c.At.UTC()
	var there map[string]FaultCount
	if err := s.view(ctx, func(tx *bolt.Tx) (err error) {
		there, err = faultCounts(tx)
		return err
	}); err == nil && there[drive].Count == c.Count && !there[drive].At.IsZero() {
		return nil
	}
	return s.update("write the fault count", func(tx *bolt.Tx) error {
		counts, err := faultCounts(tx)
		if err != nil {
			s.broken(err) // begun anew: a count that is lost must not keep others from being noted
		}
		counts = maps.Clone(counts)
		if counts == nil {
			counts = map[string]FaultCount{}
		}
		counts[drive] = c
		return putSealed(tx.Bucket(bMeta), kFaults, counts)
	})
}

// FaultCount is the fault count noted last; found is false where none was.
func (s *Store) FaultCount(ctx context.Context, drive string) (c FaultCount, found bool, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		counts, err := faultCounts(tx)
		if err != nil {
			s.broken(err)
			return nil
		}
		c, found = counts[drive]
		return nil
	})
	return c, found, err
}

func faultCounts(tx *bolt.Tx) (map[string]FaultCount, error) {
	v := tx.Bucket(bMeta).Get(kFaults)
	if v == nil {
		return nil, nil
	}
	var counts map[string]FaultCount
	return counts, unseal(kFaults, v, &counts)
}
