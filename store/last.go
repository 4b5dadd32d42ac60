package store

import (
	"context"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// lasts remembers which capture of each drive was kept last, so that finding
// out needn't cost every commit a page of its own. It is right as long as no
// capture was kept or discarded since.
type lasts struct {
	valid bool
	epoch int    // of the file
	seq   uint64 // of the newest capture
	ids   map[string]capture.ID
}

// Last is the drive's newest capture of a recording that it held, not of a
// file, by the order of keeping.
func (s *Store) Last(ctx context.Context, drive string) (c capture.Capture, found bool, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		id, err := s.lastID(tx, drive)
		if err != nil || id == "" {
			return err
		}
		c, err = getCapture(tx, id)
		found = err == nil
		return err
	})
	return c, found, err
}

// lastID is called inside view, which holds mu.
func (s *Store) lastID(tx *bolt.Tx, drive string) (capture.ID, error) {
	index := tx.Bucket(bIndex)
	s.lastMu.Lock()
	defer s.lastMu.Unlock()
	if s.last.valid && s.last.epoch == s.epoch && s.last.seq == index.Sequence() {
		return s.last.ids[drive], nil
	}
	newest, ids := map[string]uint64{}, map[string]capture.ID{}
	files := idsOfFiles(tx)
	err := index.ForEach(func(k, v []byte) error {
		if _, trace := capture.ID(k).Trace(); trace || capture.ID(k).IsUnread() || files[capture.ID(k)] {
			return nil
		}
		if sm, ok := summaryAt(tx, k, v); ok && sm.Seq >= newest[sm.Drive] {
			newest[sm.Drive], ids[sm.Drive] = sm.Seq, capture.ID(k)
		}
		return nil
	})
	s.last = lasts{valid: err == nil, epoch: s.epoch, seq: index.Sequence(), ids: ids}
	return ids[drive], err
}

// idsOfFiles are the captures that were made of files: a drive doesn't hold
// their recordings.
func idsOfFiles(tx *bolt.Tx) map[capture.ID]bool {
	ids := map[capture.ID]bool{}
	if b := tx.Bucket(bArrivals); b != nil {
		_ = b.ForEach(func(k, v []byte) error {
			var a Arrival
			if unseal(k, v, &a) == nil {
				for _, id := range a.IDs {
					ids[id] = true
				}
			}
			return nil
		})
	}
	return ids
}

// setLast follows the keeping of capture number seq.
func (s *Store) setLast(c capture.Capture, seq uint64) {
	s.lastMu.Lock()
	defer s.lastMu.Unlock()
	if s.last.valid && s.last.seq == seq-1 {
		s.last.seq = seq
		if _, trace := c.ID.Trace(); !trace && !fromFiles(c) {
			s.last.ids[c.Drive] = c.ID
		}
	}
}

// forgetLast follows the discarding of a capture.
func (s *Store) forgetLast() {
	s.lastMu.Lock()
	defer s.lastMu.Unlock()
	s.last.valid = false
}
