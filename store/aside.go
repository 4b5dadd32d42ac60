package store

import (
	"bytes"
	"context"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// mostAside bounds what is kept of refused messages, for one sink.
const mostAside = 500

// SinkBox is how far one sink's messages have come.
type SinkBox = capture.SinkBox

// Boxes are all sinks of which something is known, by name.
func (s *Store) Boxes(ctx context.Context) (out []SinkBox, err error) {
	now := s.now()
	err = s.view(ctx, func(tx *bolt.Tx) error {
		at := map[string]int{}
		box := func(sink string) *SinkBox {
			i, known := at[sink]
			if !known {
				i = len(out)
				at[sink] = i
				out = append(out, SinkBox{Sink: sink})
			}
			return &out[i]
		}
		if err := tx.Bucket(bCounts).ForEach(func(k, v []byte) error {
			var c Counts
			if unseal(k, v, &c) == nil {
				b := box(string(k))
				b.Accepted, b.Refused, b.Dropped = c.Accepted, c.Aside, c.Dropped
			}
			return nil
		}); err != nil {
			return err
		}
		if err := eachMessage(tx, bOutbox, func(m Message) {
			b := box(m.Sink)
			if m.Hold.After(now) {
				b.Held += m.Total()
				return
			}
			b.Waiting += m.Total()
			if b.Oldest.IsZero() {
				b.Oldest = m.Alert.Time
			}
			if m.Tries > 0 && b.Tries == 0 {
				b.Tries, b.Next, b.LastError = m.Tries, m.Next, m.LastError
			}
		}); err != nil {
			return err
		}
		return eachMessage(tx, bAside, func(m Message) { b := box(m.Sink); b.Aside = append(b.Aside, m) })
	})
	return out, err
}

func eachMessage(tx *bolt.Tx, name []byte, visit func(Message)) error {
	return tx.Bucket(name).ForEach(func(k, v []byte) error {
		var m Message
		if unseal(k, v, &m) == nil { // Verify tells of damaged ones
			visit(m)
		}
		return nil
	})
}

// SendAgain puts a message that was set aside back into the outbox, once what
// made the sink refuse it was mended. ErrNotFound where there is none.
func (s *Store) SendAgain(ctx context.Context, sink string, seq uint64) error {
	return s.fromAside(ctx, sink, seq, "send a message again", func(tx *bolt.Tx, m Message) error {
		m.Tries, m.Next, m.LastError, m.Hold = 0, time.Time{}, "", time.Time{}
		if err := count(tx, sink, func(c *Counts) { c.Aside -= m.Total() }); err != nil {
			return err
		}
		return putMessage(tx.Bucket(bOutbox), m)
	})
}

// Forget takes a message away that was set aside. ErrNotFound where there is none.
func (s *Store) Forget(ctx context.Context, sink string, seq uint64) error {
	return s.fromAside(ctx, sink, seq, "forget a message", func(*bolt.Tx, Message) error { return nil })
}

func (s *Store) fromAside(ctx context.Context, sink string, seq uint64, op string, then func(*bolt.Tx, Message) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	err := s.update(op, func(tx *bolt.Tx) error {
		m, there := messageAt(tx.Bucket(bAside), sink, seq)
		if !there {
			return &said{fmt.Sprintf("no message %d to %q was set aside", seq, sink), ErrNotFound}
		}
		if err := tx.Bucket(bAside).Delete(messageKey(sink, seq)); err != nil {
			return err
		}
		return then(tx, m)
	})
	if err == nil {
		s.wake()
	}
	return err
}

// shelveRefused keeps a message for inspection, and lets go of the oldest where
// there are too many.
func shelveRefused(tx *bolt.Tx, m Message) error {
	aside := tx.Bucket(bAside)
	if err := putMessage(aside, m); err != nil {
		return err
	}
	prefix := joined(m.Sink, "")
	var keys [][]byte
	c := aside.Cursor()
	for k, _ := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, _ = c.Next() {
		keys = append(keys, bytes.Clone(k))
	}
	for i := 0; i < len(keys)-mostAside; i++ {
		if err := aside.Delete(keys[i]); err != nil {
			return err
		}
	}
	return nil
}

// SetAsideOthers gives up what waits for sinks that aren't among those there
// are any more; nobody would ever send it.
func (s *Store) SetAsideOthers(ctx context.Context, there func(sink string) bool, why string) error {
	var gone []Message
	err := s.view(ctx, func(tx *bolt.Tx) error {
		return eachMessage(tx, bOutbox, func(m Message) {
			if !there(m.Sink) {
				gone = append(gone, m)
			}
		})
	})
	for _, m := range gone {
		if err == nil {
			err = s.SetAside(ctx, m.Sink, m.Seq, why)
		}
	}
	return err
}
