package store

import (
	"context"
	"fmt"
	"math"
	"sort"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// KindDropped is the ledger's line about a capture that retention dropped.
const KindDropped = "dropped"

// Retention says how long captures stay. Its zero value keeps everything.
//
// Captures are dropped oldest first: those that somebody reviewed, then those
// that nobody did, pinned ones last. Drafts, and of each drive the newest
// capture and the newest recording, are never dropped.
type Retention struct {
	// KeepFor is the age, from its trigger, at which a capture is dropped; 0:
	// none. What nobody has reviewed stays twice as long, what is pinned for ever.
	KeepFor time.Duration
	// MaxSize is how many bytes of the file may be in use; 0: no limit.
	MaxSize int64
}

// Dropped is what a round of retention came to.
type Dropped struct {
	Captures int   `json:"captures"`
	Bytes    int64 `json:"bytes"` // of the file that got free
}

// oneDrop is how many captures are dropped in one transaction at most, so that
// a recording that comes meanwhile needn't wait.
const oneDrop = 32

// Retain drops what the retention doesn't want to keep. Each capture goes in
// one transaction with its original bytes and its marks, and leaves a line in
// the ledger.
func (s *Store) Retain(ctx context.Context, r Retention) (Dropped, error) {
	return s.retain(ctx, r, 0)
}

// retain is Retain that goes on until also spare bytes of the file's pages are free.
func (s *Store) retain(ctx context.Context, r Retention, spare int64) (out Dropped, err error) {
	space, err := s.space()
	if err != nil {
		return out, err
	}
	before := space.used
	now := s.now()
	long := r.MaxSize > 0 && space.used > r.MaxSize || space.free() < spare
	if r.KeepFor <= 0 && !long {
		return out, nil
	}
	list, err := s.expendable(ctx)
	if err != nil {
		return out, err
	}
	var old, rest []expendable
	for _, e := range list {
		if r.aged(e, now) {
			old = append(old, e)
		} else {
			rest = append(rest, e)
		}
	}
	for ctx.Err() == nil {
		over := max(0, spare-space.free())
		if r.MaxSize > 0 {
			over = max(over, space.used-r.MaxSize)
		}
		// The ledger's lines are a nanosecond apart, so that each has a key of its own.
		at := now.Add(time.Duration(out.Captures))
		var n int
		switch {
		case len(old) > 0:
			n, old, err = s.drop(old, math.MaxInt64, at, "it is older than "+seconds(r.KeepFor))
		case over > 0 && len(rest) > 0 && spare > 0:
			n, rest, err = s.drop(rest, over, at, "the disk is nearly full")
		case over > 0 && len(rest) > 0:
			n, rest, err = s.drop(rest, over, at, "the store is to stay below "+size(r.MaxSize))
		default:
			return out, nil
		}
		if err != nil {
			return out, err
		}
		if space, err = s.space(); err != nil {
			return out, err
		}
		out.Captures += n
		out.Bytes = max(0, before-space.used)
	}
	return out, ctx.Err()
}

// expendable is a capture that could be dropped.
type expendable struct {
	id    capture.ID
	at    time.Time
	marks Marks
}

// class orders what goes first.
func (e expendable) class() int {
	switch {
	case !e.marks.Pinned.IsZero():
		return 2
	case e.marks.Reviewed.IsZero():
		return 1
	}
	return 0
}

func (r Retention) aged(e expendable, now time.Time) bool {
	age := now.Sub(e.at)
	return r.KeepFor > 0 && (e.class() == 0 && age > r.KeepFor || e.class() == 1 && age > 2*r.KeepFor)
}

// expendable lists the captures that may be dropped, in the order of dropping.
func (s *Store) expendable(ctx context.Context) (list []expendable, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		spared, err := spared(tx)
		if err != nil {
			return err
		}
		return tx.Bucket(bIndex).ForEach(func(k, v []byte) error {
			id := capture.ID(k)
			sm, ok := summaryAt(tx, k, v)
			if of, trace := id.Trace(); trace && isKept(tx, of) {
				return nil // it goes with its recording
			}
			if !ok || spared[id] {
				return nil // a damaged capture is left to Verify, and to whoever restores a backup
			}
			list = append(list, expendable{id: id, at: sm.Trigger, marks: marksOf(tx, id)})
			return nil
		})
	})
	sort.SliceStable(list, func(i, j int) bool {
		a, b := list[i], list[j]
		if a.class() != b.class() {
			return a.class() < b.class()
		}
		return a.at.Before(b.at)
	})
	return list, err
}

// spared are the newest captures of each drive: by the order of keeping, by
// their triggers, and the newest that isn't a trace.
func spared(tx *bolt.Tx) (map[capture.ID]bool, error) {
	type newest struct {
		kept, recorded, triggered capture.ID
		keptSeq, recordedSeq      uint64
		at                        time.Time
	}
	of := map[string]*newest{}
	err := tx.Bucket(bIndex).ForEach(func(k, v []byte) error {
		sm, ok := summaryAt(tx, k, v)
		if !ok {
			return nil
		}
		n := of[sm.Drive]
		if n == nil {
			n = &newest{at: sm.Trigger}
			of[sm.Drive] = n
		}
		id := capture.ID(k)
		if sm.Seq >= n.keptSeq {
			n.kept, n.keptSeq = id, sm.Seq
		}
		if _, trace := id.Trace(); !trace && !id.IsUnread() && sm.Seq >= n.recordedSeq {
			n.recorded, n.recordedSeq = id, sm.Seq
		}
		if !sm.Trigger.Before(n.at) {
			n.triggered, n.at = id, sm.Trigger
		}
		return nil
	})
	out := map[capture.ID]bool{}
	for _, n := range of {
		out[n.kept], out[n.recorded], out[n.triggered] = true, true, true
	}
	return out, err
}

// footprint is what a capture's chunks take in the file, roughly.
func footprint(tx *bolt.Tx, id capture.ID) int64 {
	n := int64(0)
	_ = guard(func() error {
		runs, err := runsOf(tx, id)
		for _, r := range runs {
			n += int64(r.size)
		}
		return err
	})
	page := int64(tx.DB().Info().PageSize)
	return (n/page + 2) * page
}

// drop drops the first captures of the list in one transaction: at most
// oneDrop, and no more than free over bytes or so. It returns how many, and
// the rest of the list. Those whose marks have changed since they were listed stay.
func (s *Store) drop(list []expendable, over int64, at time.Time, why string) (n int, rest []expendable, err error) {
	err = s.update("drop old captures", func(tx *bolt.Tx) error {
		rest = list
		for n < oneDrop && over > 0 && len(rest) > 0 {
			e := rest[0]
			rest = rest[1:]
			if !isKept(tx, e.id) || marksOf(tx, e.id) != e.marks {
				continue
			}
			over -= footprint(tx, e.id) + footprint(tx, e.id.TraceID())
			if err := s.dropOne(tx, e, at.Add(time.Duration(n)), why); err != nil {
				return err
			}
			n++
		}
		return nil
	})
	return n, rest, err
}

// dropOne drops a capture, and the trace of the same trip with it.
func (s *Store) dropOne(tx *bolt.Tx, e expendable, at time.Time, why string) error {
	entry := Entry{Time: at, Kind: KindDropped, Capture: e.id}
	c, err := tryCapture(tx, e.id)
	if err == nil {
		entry.Drive, entry.Fault = c.Drive, c.Fault
	}
	trace := e.id.TraceID()
	entry.Text = obituary(c, e, why, isKept(tx, trace))
	for _, id := range []capture.ID{e.id, trace} {
		if !isKept(tx, id) {
			continue
		}
		if _, err := s.dropCapture(tx, id); err != nil {
			return err
		}
	}
	_, err = putEntry(tx, entry)
	return err
}

// obituary tells what was dropped and why.
func obituary(c capture.Capture, e expendable, why string, trace bool) string {
	what := "a damaged capture"
	if c.ID != "" {
		var bytes int64
		for _, p := range c.Integrity.Parts {
			bytes += p.Size
		}
		what = fmt.Sprintf("%s, %s, %s, %s, SHA-256 %.16s…", c.Name(), c.Fault, c.Wholeness(), size(bytes), c.Integrity.SHA256)
		switch {
		case c.Origin == capture.Trace:
			what += ", a trace"
		case trace:
			what += ", with its trace"
		}
	}
	return fmt.Sprintf("Dropped, since %s: %s of %s (%s).", why, e.id, e.at.Format("2 Jan 2006 15:04:05 UTC"), what)
}

// size shows an amount of data.
func size(n int64) string {
	switch {
	case n < 10<<10:
		return fmt.Sprintf("%d bytes", n)
	case n < 10<<20:
		return fmt.Sprintf("%d KiB", n>>10)
	case n < 10<<30:
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d GiB", n>>30)
}
