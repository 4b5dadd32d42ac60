package store

import (
	"context"
	"time"

	bolt "go.etcd.io/bbolt"
)

// Visit is when who last looked; zero if never.
func (s *Store) Visit(ctx context.Context, who string) (time.Time, error) {
	var t time.Time
	err := s.view(ctx, func(tx *bolt.Tx) error {
		key := []byte(who)
		v := tx.Bucket(bVisits).Get(key)
		if v == nil {
			return nil
		}
		return unseal(key, v, &t)
	})
	return t, err
}

// SetVisit notes that who looked at time t.
func (s *Store) SetVisit(ctx context.Context, who string, t time.Time) error {
	if err := checkName("visitor", who); err != nil {
		return err
	}
	return s.update("note the visit", func(tx *bolt.Tx) error {
		return putSealed(tx.Bucket(bVisits), []byte(who), t.UTC())
	})
}
