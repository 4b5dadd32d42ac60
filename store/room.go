package store

import (
	"bytes"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// KindOutbox is the ledger's line about alerts that a full outbox dropped.
const KindOutbox = "outbox"

const (
	mostWaiting = 10_000 // messages that wait for one sink
	atATime     = mostWaiting / 100
)

// bound keeps the outbox of a sink that doesn't answer from growing for ever.
// First the oldest messages go of which a later one tells too: it counts them.
// Only where each is of something else the oldest of the least severity go,
// and the ledger tells.
func (s *Store) bound(tx *bolt.Tx, sink string) error {
	most, some := mostWaiting, atATime
	if s.mostWaiting > 0 {
		most, some = s.mostWaiting, 1
	}
	if n, err := waitingOf(tx, sink); err != nil || n <= most { // alerts; there are no more messages than these
		return err
	}
	var all []Message
	box := tx.Bucket(bOutbox)
	prefix := joined(sink, "")
	c := box.Cursor()
	for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
		var m Message
		if unseal(k, v, &m) == nil {
			all = append(all, m)
		}
	}
	if len(all) <= most {
		return nil
	}
	excess := len(all) - most + some - 1
	left, dropped, err := dropRepeats(box, all, excess)
	if err != nil || dropped >= excess {
		return err
	}
	return s.dropLeast(tx, sink, left, excess-dropped)
}

func waitingOf(tx *bolt.Tx, sink string) (int, error) {
	key := []byte(sink)
	var c Counts
	if v := tx.Bucket(bCounts).Get(key); v != nil {
		if err := unseal(key, v, &c); err != nil {
			return 0, err
		}
	}
	return c.Raised - c.Accepted - c.Aside - c.Dropped, nil
}

// dropRepeats takes away up to n messages, the oldest first, that a later one
// can count as well.
func dropRepeats(box *bolt.Bucket, all []Message, n int) (left []Message, dropped int, err error) {
	last := map[string]int{} // the newest message of a condition that can take others in
	for i, m := range all {
		if !m.Sealed && m.Tries == 0 && m.Alert.Reminder == 0 {
			last[m.Alert.Condition()] = i
		}
	}
	changed := map[int]bool{}
	for i, m := range all {
		to, has := last[m.Alert.Condition()]
		if dropped == n || !has || to <= i || m.Sealed || m.Tries > 0 {
			left = append(left, m)
			continue
		}
		countIn(&all[to], m)
		changed[to] = true
		if err := box.Delete(messageKey(m.Sink, m.Seq)); err != nil {
			return nil, dropped, err
		}
		dropped++
	}
	for i := range changed {
		if err := putMessage(box, all[i]); err != nil {
			return nil, dropped, err
		}
	}
	return left, dropped, nil
}

// countIn makes a message count those of an earlier one, which is dropped.
func countIn(m *Message, earlier Message) {
	if m.Kinds == nil {
		m.Kinds = map[capture.Kind]int{m.Alert.Kind: 1}
	}
	kinds, first := earlier.Kinds, earlier.Alert.First
	if kinds == nil {
		kinds, first = map[capture.Kind]int{earlier.Alert.Kind: 1}, earlier.Alert.Time
	}
	for kind, n := range kinds {
		m.Kinds[kind] += n
	}
	if m.Alert.First.IsZero() {
		m.Alert.First = m.Alert.Time
	}
	if first.Before(m.Alert.First) {
		m.Alert.First = first
	}
	m.Alert.Count = m.Total()
	m.Lost += max(earlier.Total(), 1)
}

// dropLeast takes away n messages, of the least severity and the oldest first.
func (s *Store) dropLeast(tx *bolt.Tx, sink string, all []Message, n int) error {
	box, alerts := tx.Bucket(bOutbox), 0
	for _, severity := range capture.Severities {
		for _, m := range all {
			if n == 0 || m.Alert.Severity != severity || m.Sealed || m.Tries > 0 {
				continue
			}
			if err := box.Delete(messageKey(m.Sink, m.Seq)); err != nil {
				return err
			}
			alerts += m.Total()
			n--
		}
	}
	if alerts == 0 {
		return nil
	}
	if err := count(tx, sink, func(c *Counts) { c.Dropped += alerts }); err != nil {
		return err
	}
	noun, were := "alerts", "were"
	if alerts == 1 {
		noun, were = "alert", "was"
	}
	_, err := putEntry(tx, Entry{Time: s.now(), Kind: KindOutbox,
		Text: fmt.Sprintf("%s takes nothing and its outbox is full: %d %s, the oldest of the least severity, %s dropped unsent. What they told of is kept.", sink, alerts, noun, were)})
	return err
}
