package store

import (
	"bytes"
	"context"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Message is one alert on its way to one sink.
type Message = capture.Message

// Counts say what became of alerts, counted once for every sink.
type Counts struct {
	Raised   int `json:"raised"`
	Accepted int `json:"accepted"`
	Waiting  int `json:"waiting"`
	Aside    int `json:"aside"`   // given up: refused for good
	Dropped  int `json:"dropped"` // given up: the outbox was full
}

func putMessage(box *bolt.Bucket, m Message) error {
	return putSealed(box, messageKey(m.Sink, m.Seq), m)
}

// count changes a sink's counts. Waiting isn't kept: it is what the outbox holds.
func count(tx *bolt.Tx, sink string, change func(*Counts)) error {
	b := tx.Bucket(bCounts)
	key := []byte(sink)
	var c Counts
	if v := b.Get(key); v != nil {
		if err := unseal(key, v, &c); err != nil {
			return err
		}
	}
	change(&c)
	c.Waiting = 0
	return putSealed(b, key, c)
}

// wake nudges who waits for something in the outbox.
func (s *Store) wake() {
	select {
	case s.nudge <- struct{}{}:
	default:
	}
}

// Waiting receives when something was added to the outbox. There is one
// nudge for any number of messages, and one receiver; what is in the
// outbox at Open isn't announced.
func (s *Store) Waiting() <-chan struct{} { return s.nudge }

// Outbox lists a sink's messages in order, at most limit (0: all). Every one
// of them comes again until it is accepted or set aside.
func (s *Store) Outbox(ctx context.Context, sink string, limit int) ([]Message, error) {
	var out []Message
	err := s.view(ctx, func(tx *bolt.Tx) error {
		prefix := joined(sink, "")
		c := tx.Bucket(bOutbox).Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix) && (limit <= 0 || len(out) < limit); k, v = c.Next() {
			var m Message
			if err := unseal(k, v, &m); err != nil {
				s.log.Error("a message is damaged and left out", "sink", sink, "err", err)
				continue
			}
			out = append(out, m)
		}
		return nil
	})
	return out, err
}

// Accepted says that the sink took the message. Saying it again is harmless.
func (s *Store) Accepted(ctx context.Context, sink string, seq uint64) error {
	return s.update("write the outbox", func(tx *bolt.Tx) error {
		m, err := take(tx, sink, seq)
		if err != nil {
			return ignoreNone(err)
		}
		return count(tx, sink, func(c *Counts) { c.Accepted += m.Total() })
	})
}

// Retry says that the sink didn't take the message, why, and when to try again.
func (s *Store) Retry(ctx context.Context, sink string, seq uint64, next time.Time, why string) error {
	return s.update("write the outbox", func(tx *bolt.Tx) error {
		m, err := take(tx, sink, seq)
		if err != nil {
			return ignoreNone(err)
		}
		m.Tries++
		m.Next, m.LastError = next.UTC(), why
		return putMessage(tx.Bucket(bOutbox), m)
	})
}

// SetAside gives a message up, such as one that the sink will never take. It
// is kept for inspection.
func (s *Store) SetAside(ctx context.Context, sink string, seq uint64, why string) error {
	return s.update("write the outbox", func(tx *bolt.Tx) error {
		m, err := take(tx, sink, seq)
		if err != nil {
			return ignoreNone(err)
		}
		m.Tries++
		m.LastError = why
		if err := shelveRefused(tx, m); err != nil {
			return err
		}
		return count(tx, sink, func(c *Counts) { c.Aside += m.Total() })
	})
}

type noMessage struct{}

func (noMessage) Error() string { return "no such message" }

func ignoreNone(err error) error {
	if _, ok := err.(noMessage); ok {
		return nil
	}
	return err
}

// take removes a message from its outbox.
func take(tx *bolt.Tx, sink string, seq uint64) (Message, error) {
	var m Message
	box := tx.Bucket(bOutbox)
	key := messageKey(sink, seq)
	v := box.Get(key)
	if v == nil {
		return m, noMessage{}
	}
	if err := unseal(key, v, &m); err != nil {
		return m, err
	}
	return m, box.Delete(key)
}

// recall removes what is waiting about a capture.
func recall(tx *bolt.Tx, id capture.ID) error {
	var stale []Message
	err := tx.Bucket(bOutbox).ForEach(func(k, v []byte) error {
		var m Message
		if unseal(k, v, &m) == nil && m.Alert.Capture == id && m.Kinds == nil { // one of several is told of all the same
			stale = append(stale, m)
		}
		return nil
	})
	if err == nil {
		err = tx.Bucket(bTelling).Delete(tellingKey(inAwaits, string(id)))
	}
	for _, m := range stale {
		if err == nil {
			_, err = take(tx, m.Sink, m.Seq)
		}
		if err == nil {
			err = count(tx, m.Sink, func(c *Counts) { c.Raised-- })
		}
	}
	return err
}

// AlertCounts sums up over all sinks.
func (s *Store) AlertCounts(ctx context.Context) (Counts, error) {
	var sum Counts
	err := s.view(ctx, func(tx *bolt.Tx) error {
		err := tx.Bucket(bCounts).ForEach(func(k, v []byte) error {
			var c Counts
			if err := unseal(k, v, &c); err != nil {
				return err
			}
			sum.Raised += c.Raised
			sum.Accepted += c.Accepted
			sum.Aside += c.Aside
			sum.Dropped += c.Dropped
			return nil
		})
		if err != nil {
			return err
		}
		return tx.Bucket(bOutbox).ForEach(func(_, _ []byte) error {
			sum.Waiting++
			return nil
		})
	})
	return sum, err
}

// tellDamage raises an alert for every file that was set aside, once.
func (s *Store) tellDamage() {
	if err := s.raiseDamage(); err != nil {
		s.log.Error("the alert about the damaged store couldn't be kept", "err", err)
	}
}

// raiseDamage tries again with the next read or write where it fails.
func (s *Store) raiseDamage() error {
	if !s.telling.CompareAndSwap(false, true) {
		return nil
	}
	defer s.telling.Store(false)
	s.mu.RLock()
	fresh := s.damaged[s.told:]
	s.mu.RUnlock()
	for _, d := range fresh {
		text := fmt.Sprintf("The store was %s. It was set aside as %s with the captures kept until then; a fresh one was begun and watching goes on.", d.Why, d.Path)
		if d.Path == "" {
			text = fmt.Sprintf("The store at %s was %s. A fresh one was begun and watching goes on.", s.opt.Path, d.Why)
		}
		err := s.Note(context.Background(), Entry{Time: d.Time, Kind: KindDamage, Text: text},
			capture.Alert{Kind: capture.KindDamage, Severity: capture.Alarm, Text: text})
		if err != nil {
			return err
		}
		s.mu.Lock()
		s.told++
		s.mu.Unlock()
	}
	return nil
}
