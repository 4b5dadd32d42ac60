package store

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Query narrows what is listed. Its zero value lists everything. Lists are
// newest first.
type Query struct {
	Since  time.Time  // zero: from the beginning
	Until  time.Time  // exclusive; zero: without end
	Drives []string   // empty: all
	Fault  string     // captures and misses: the code as shown ("2311", "F07") or as a number; empty: any
	Kinds  []string   // ledger: kinds of entries; empty: all
	Limit  int        // most to list; 0: all
	Unread bool       // captures: files that couldn't be read so far, and nothing else; else those are left out
	Before capture.ID // captures: only IDs that sort before, to page on
}

const (
	page = 200 // captures decoded in one read transaction

	// slack is how far a capture's trigger time may lie from the time in its
	// ID: the estimate at the pull's beginning against the one at its end.
	slack = time.Hour
)

func (q Query) drive(name string) bool {
	if len(q.Drives) == 0 {
		return true
	}
	for _, d := range q.Drives {
		if d == name {
			return true
		}
	}
	return false
}

func (q Query) fault(code uint32, shown string) bool {
	return q.Fault == "" || strings.EqualFold(q.Fault, shown) || code != 0 && q.Fault == fmt.Sprint(code)
}

func (q Query) time(t time.Time) bool {
	return !t.Before(q.Since) && (q.Until.IsZero() || t.Before(q.Until))
}

func (q Query) kind(k string) bool {
	if len(q.Kinds) == 0 {
		return true
	}
	for _, want := range q.Kinds {
		if k == want {
			return true
		}
	}
	return false
}

// Captures lists captures by their ID, newest first; traces only where there
// is no recording of the same trip, files that couldn't be read only where the
// query asks for them. A capture whose
// description is damaged is left out and logged; Verify tells of it.
func (s *Store) Captures(ctx context.Context, q Query) ([]capture.Capture, error) {
	var out []capture.Capture
	for {
		n := page
		if q.Limit > 0 {
			n = min(n, q.Limit-len(out))
		}
		var last capture.ID
		more := false
		err := s.view(ctx, func(tx *bolt.Tx) error {
			return walkIndex(tx, q, func(id capture.ID) (bool, error) {
				last = id
				c, err := tryCapture(tx, id)
				if err != nil {
					s.log.Error("a capture can't be listed", "id", id, "err", err)
					return true, nil
				}
				out = append(out, c)
				n--
				more = n == 0
				return !more, nil
			})
		})
		if err != nil || !more || q.Limit > 0 && len(out) >= q.Limit {
			return out, err
		}
		q.Before = last
	}
}

// walkIndex calls fn for every capture that the query wants, newest first,
// until it returns false. It decodes no capture.
func walkIndex(tx *bolt.Tx, q Query, fn func(capture.ID) (bool, error)) error {
	end := []byte{0xff} // above every ID
	if !q.Until.IsZero() {
		end = idTime(q.Until.Add(slack + time.Second))
	}
	if q.Before != "" && string(q.Before) < string(end) {
		end = []byte(q.Before)
	}
	var begin []byte
	if !q.Since.IsZero() {
		begin = idTime(q.Since.Add(-slack))
	}
	c := tx.Bucket(bIndex).Cursor()
	k, v := before(c, end)
	for ; k != nil && bytes.Compare(k, begin) >= 0; k, v = c.Prev() {
		if of, trace := capture.ID(k).Trace(); trace && isKept(tx, of) {
			continue // it is shown with its recording
		}
		if id := capture.ID(k); id.IsUnread() != q.Unread || q.Unread && !isUnread(tx, id) {
			continue
		}
		sm, ok := summaryAt(tx, k, v)
		if !ok || !q.drive(sm.Drive) || !q.fault(sm.Code, sm.Shown) || !q.time(sm.Trigger) {
			continue
		}
		on, err := fn(capture.ID(k))
		if err != nil || !on {
			return err
		}
	}
	return nil
}

// summaryAt is an index entry, or where that is damaged what it should say.
// ok is false where the capture's own description is damaged too.
func summaryAt(tx *bolt.Tx, key, value []byte) (sm summary, ok bool) {
	if packed, err := opened(key, value); err == nil {
		if sm, err := parseSummary(packed); err == nil {
			return sm, true
		}
	}
	c, err := tryCapture(tx, capture.ID(key))
	return summaryOf(c, 0), err == nil
}

// tryCapture is getCapture for lists, where a page that can't be read must
// not cost the other captures.
func tryCapture(tx *bolt.Tx, id capture.ID) (c capture.Capture, err error) {
	err = guard(func() error { c, err = getCapture(tx, id); return err })
	return c, err
}

// before moves to the last key below end; k is nil where there is none.
func before(c *bolt.Cursor, end []byte) (k, v []byte) {
	if k, _ := c.Seek(end); k == nil {
		return c.Last()
	}
	return c.Prev()
}

// idTime is a time as an ID begins with it.
func idTime(t time.Time) []byte { return t.UTC().AppendFormat(nil, "20060102-150405") }

// Find is the capture whose ID begins with prefix: ErrNotFound where there is
// none, *Ambiguous where there are several.
func (s *Store) Find(ctx context.Context, prefix string) (capture.Capture, error) {
	var c capture.Capture
	err := s.view(ctx, func(tx *bolt.Tx) error {
		want := []byte(strings.TrimSpace(prefix))
		if len(want) == 0 {
			return fmt.Errorf("no capture was named. Any unique beginning of an ID does: %w", ErrNotFound)
		}
		const show = 5
		found := &Ambiguous{Prefix: string(want)}
		cur := tx.Bucket(bIndex).Cursor()
		for k, _ := cur.Seek(want); bytes.HasPrefix(k, want); k, _ = cur.Next() {
			if len(k) == len(want) { // the whole ID, even if another continues it
				found.IDs, found.More = []capture.ID{capture.ID(k)}, false
				break
			}
			if of, trace := capture.ID(k).Trace(); trace && len(want) <= len(of) && isKept(tx, of) {
				continue // the prefix means its recording
			}
			if len(found.IDs) == show {
				found.More = true
				break
			}
			found.IDs = append(found.IDs, capture.ID(k))
		}
		switch len(found.IDs) {
		case 0:
			return notFound(string(want))
		case 1:
			var err error
			c, err = getCapture(tx, found.IDs[0])
			return err
		}
		return found
	})
	return c, err
}
