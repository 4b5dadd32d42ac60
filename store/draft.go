package store

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"sync"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Draft is a capture still being pulled. What Append made durable survives a
// crash, and the next Draft of the same recording goes on from there. The
// draft itself is durable from its first Append on.
// A Draft is safe for concurrent use; every handle of one draft is the same.
type Draft struct {
	s       *Store
	opening capture.Capture

	mu    sync.Mutex
	epoch int
	there bool  // the store has it
	runs  []run // durable chunks, by part and offset
	gone  bool  // kept or dropped
}

// Draft begins a capture, or resumes the open draft with the same drive,
// identity and encoding. opening holds what is known before the data is read;
// a resumed draft's Opening is the one it was begun with. It returns ErrKept
// where opening.ID is a capture already, which then was read back once more.
func (s *Store) Draft(ctx context.Context, opening capture.Capture) (*Draft, error) {
	if opening.ID == "" {
		opening.ID = capture.NewID(opening.Trigger.Time, opening.Drive, opening.Provenance.Identity)
	}
	if err := checkOpening(opening); err != nil {
		return nil, err
	}
	opening.Schema = capture.Schema
	if opening.Site == "" {
		opening.Site = s.opt.Site
	}
	open, err := s.Drafts(ctx, opening.Drive)
	if err != nil {
		return nil, err
	}
	for _, d := range open {
		if sameRecording(d.opening, opening) {
			return d, nil
		}
	}
	wanted := opening.ID
	for n := 2; ; n++ {
		taken, err := s.taken(ctx, opening)
		if err != nil {
			return nil, err
		}
		if !taken {
			break
		}
		opening.ID = another(opening, wanted, n)
	}
	epoch := s.currentEpoch()
	s.draftsMu.Lock()
	defer s.draftsMu.Unlock()
	for _, d := range s.drafts { // begun, but without data so far
		if sameRecording(d.opening, opening) {
			return d, nil
		}
	}
	d := &Draft{s: s, opening: opening, epoch: epoch}
	s.drafts[opening.ID] = d
	return d, nil
}

func checkOpening(c capture.Capture) error {
	if err := checkName("drive", c.Drive); err != nil {
		return err
	}
	return checkName("ID", string(c.ID))
}

func sameRecording(a, b capture.Capture) bool {
	return a.Drive == b.Drive && a.Provenance.Identity == b.Provenance.Identity && reflect.DeepEqual(a.Encoding, b.Encoding)
}

// taken tells whether another recording has opening's ID: a draft with the
// same identity and another encoding, since the map was changed in between, or
// once in a million a capture in the same second. It returns ErrKept if the
// recording itself is a capture that reads back. Where that doesn't read back
// it is discarded, since its recording is in the drive right now.
func (s *Store) taken(ctx context.Context, opening capture.Capture) (bool, error) {
	id := opening.ID
	s.draftsMu.Lock()
	taken := s.drafts[id] != nil && !sameRecording(s.drafts[id].opening, opening)
	s.draftsMu.Unlock()
	if taken {
		return true, nil
	}
	kept := false
	var c capture.Capture
	err := s.view(ctx, func(tx *bolt.Tx) (err error) {
		if kept = isKept(tx, id); kept {
			c, err = checkCapture(tx, id)
		}
		return err
	})
	switch {
	case !kept:
		return false, err
	case err == nil && c.Drive == opening.Drive && c.Provenance.Identity == opening.Provenance.Identity:
		return false, fmt.Errorf("%s: %w", id, ErrKept)
	case err == nil:
		return true, nil
	case !errors.Is(err, ErrDamaged):
		return false, err
	}
	s.log.Error("a kept capture is damaged and its recording is still there; it is read again", "id", id, "err", err)
	if derr := s.discard(id, err); derr != nil {
		s.log.Error("it can't be taken out, and is kept under another ID", "id", id, "err", derr)
		return true, nil
	}
	return false, nil
}

// another is the nth ID for a recording whose ID is taken.
func another(c capture.Capture, wanted capture.ID, n int) capture.ID {
	return capture.NewID(c.Trigger.Time, c.Drive, fmt.Sprintf("%s\x00%s\x00%d", c.Provenance.Identity, wanted, n))
}

// Drafts are the open drafts that hold data, of one drive or with drive "" of
// all, oldest first.
func (s *Store) Drafts(ctx context.Context, drive string) ([]*Draft, error) {
	type found struct {
		opening capture.Capture
		runs    []run
	}
	var list []found
	epoch := s.currentEpoch()
	err := s.view(ctx, func(tx *bolt.Tx) error {
		return tx.Bucket(bDrafts).ForEach(func(k, v []byte) error {
			var f found
			if err := unseal(k, v, &f.opening); err != nil {
				s.log.Error("a draft is damaged and left out", "id", string(k), "err", err)
				return nil
			}
			if drive != "" && f.opening.Drive != drive {
				return nil
			}
			err := guard(func() (err error) { f.runs, err = runsOf(tx, f.opening.ID); return err })
			if err != nil {
				s.log.Error("a draft is damaged and left out", "id", string(k), "err", err)
				return nil
			}
			list = append(list, f)
			return nil
		})
	})
	if err != nil {
		return nil, err
	}
	s.draftsMu.Lock()
	defer s.draftsMu.Unlock()
	drafts := make([]*Draft, 0, len(list))
	for _, f := range list {
		d := s.drafts[f.opening.ID]
		if d == nil {
			d = &Draft{s: s, opening: f.opening, epoch: epoch, there: true, runs: f.runs}
			s.drafts[f.opening.ID] = d
		}
		drafts = append(drafts, d)
	}
	return drafts, nil
}

func (s *Store) currentEpoch() int {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.epoch
}

// forget drops the handle of a draft that is no more.
func (s *Store) forget(d *Draft) {
	s.draftsMu.Lock()
	defer s.draftsMu.Unlock()
	if s.drafts[d.opening.ID] == d {
		delete(s.drafts, d.opening.ID)
	}
}

// Opening is what was known when the draft was begun.
func (d *Draft) Opening() capture.Capture { return d.opening }

// Have are the byte ranges of part capture.Data that are durable, ascending.
func (d *Draft) Have() []capture.Range {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fresh()
	return rangesOf(d.runs, capture.Data)
}

// fresh forgets what was lost with a damaged file. The caller holds mu.
func (d *Draft) fresh() {
	if epoch := d.s.currentEpoch(); epoch != d.epoch {
		d.epoch, d.there, d.runs = epoch, false, nil
	}
}

// Bytes reads n original bytes of a part back; ok is false where any is missing.
func (d *Draft) Bytes(part string, offset int64, n int) (b []byte, ok bool, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fresh()
	err = d.s.view(context.Background(), func(tx *bolt.Tx) error {
		b, ok, err = readBytes(tx, d.opening.ID, d.runs, part, offset, n)
		return err
	})
	return b, ok, err
}

// Append makes chunks durable. Bytes that are stored already must be the same
// (ErrMixed) and are not stored again. Chunks of one call that touch are
// stored as one, so give as many as there are.
func (d *Draft) Append(ctx context.Context, chunks ...capture.Chunk) error {
	if err := ctx.Err(); err != nil && len(chunks) == 0 {
		return err
	}
	merged, err := merge(chunks)
	if err != nil {
		return d.wrap(err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone {
		return d.wrap(ErrGone)
	}
	d.fresh()
	var made []run
	if len(merged) == 0 || d.covered(merged) {
		return d.same(merged)
	}
	op := "store data of " + string(d.opening.ID)
	if err := d.s.admit(op); err != nil {
		return d.wrap(err)
	}
	err = d.s.update(op, func(tx *bolt.Tx) error {
		d.s.touch(d.opening.ID)
		if err := d.begin(tx); err != nil {
			return err
		}
		var err error
		made, err = add(tx, d.opening.ID, nextBatch(d.runs), d.runs, merged)
		return err
	})
	if err != nil {
		return d.lost(err)
	}
	d.there = true
	d.runs = append(d.runs, made...)
	sortRuns(d.runs)
	return nil
}

// covered tells whether every byte of the chunks is stored already.
func (d *Draft) covered(chunks []capture.Chunk) bool {
	for _, c := range chunks {
		if !holds(rangesOf(d.runs, c.Part), c.Offset, c.Offset+int64(len(c.Bytes))) {
			return false
		}
	}
	return true
}

// same compares chunks with what is stored, without writing.
func (d *Draft) same(chunks []capture.Chunk) error {
	for _, c := range chunks {
		err := d.s.view(context.Background(), func(tx *bolt.Tx) error {
			b, ok, err := readBytes(tx, d.opening.ID, d.runs, c.Part, c.Offset, len(c.Bytes))
			if err == nil && (!ok || string(b) != string(c.Bytes)) {
				err = mixed(c.Part, c.Offset, int64(len(c.Bytes)))
			}
			return err
		})
		if err != nil {
			return d.wrap(err)
		}
	}
	return nil
}

// begin writes the draft's opening if it isn't there, and makes sure that the
// store and the handle agree.
func (d *Draft) begin(tx *bolt.Tx) error {
	key := []byte(d.opening.ID)
	drafts := tx.Bucket(bDrafts)
	if there := drafts.Get(key) != nil; there != d.there {
		if d.there {
			return fmt.Errorf("its data was lost with a damaged file; read it again: %w", ErrGone)
		}
		return fmt.Errorf("another draft has its ID: %w", ErrMixed)
	}
	if d.there {
		return nil
	}
	v, err := seal(key, d.opening)
	if err != nil {
		return err
	}
	return drafts.Put(key, v)
}

// Drop removes a draft that holds no data.
func (d *Draft) Drop(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fresh()
	if d.gone {
		return nil
	}
	if len(d.runs) > 0 {
		return d.wrap(errors.New("it holds data, so it can only be kept"))
	}
	if d.there {
		err := d.s.update("drop "+string(d.opening.ID), func(tx *bolt.Tx) error {
			d.s.touch(d.opening.ID)
			return tx.Bucket(bDrafts).Delete([]byte(d.opening.ID))
		})
		if err != nil {
			return d.wrap(err)
		}
	}
	d.gone = true
	d.s.forget(d)
	return nil
}

// lost lets go of a draft that isn't in the store any more.
func (d *Draft) lost(err error) error {
	if errors.Is(err, ErrGone) {
		d.gone = true
		d.s.forget(d)
	}
	return d.wrap(err)
}

func (d *Draft) wrap(err error) error {
	if _, ok := err.(*Error); ok || err == nil {
		return err
	}
	return fmt.Errorf("draft %s: %w", d.opening.ID, err)
}

func holds(ranges []capture.Range, from, to int64) bool {
	for _, r := range ranges {
		if r.Start <= from && to <= r.End {
			return true
		}
	}
	return false
}
