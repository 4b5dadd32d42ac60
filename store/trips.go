package store

import (
	"context"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Trip is a kept capture as far as counting needs it.
type Trip struct {
	ID      capture.ID
	Time    time.Time // of the trigger
	Drive   string
	Code    uint32
	Shown   string // the fault code as the drive shows it
	IsTrace bool   // there is no recording, only what faultkeep sampled
}

// Trips lists captures as Captures does, without decoding them: a hundred
// thousand take a few hundredths of a second.
func (s *Store) Trips(ctx context.Context, q Query) ([]Trip, error) {
	var out []Trip
	err := s.view(ctx, func(tx *bolt.Tx) error {
		index := tx.Bucket(bIndex)
		return walkIndex(tx, q, func(id capture.ID) (bool, error) {
			sm, ok := summaryAt(tx, []byte(id), index.Get([]byte(id)))
			if ok {
				_, trace := id.Trace()
				out = append(out, Trip{id, sm.Trigger, sm.Drive, sm.Code, sm.Shown, trace})
			}
			return q.Limit <= 0 || len(out) < q.Limit, ctx.Err()
		})
	})
	return out, err
}
