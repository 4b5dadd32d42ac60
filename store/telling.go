package store

import (
	"bytes"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// What lies in the bucket telling, by the first part of its keys. It is one
// bucket because a commit pays for each that it touches.
//
//	alarm\x00CONDITION   capture.OpenAlarm
//	await\x00ID          awaited: alerts about a capture that the analyses may add to
//	fold\x00SINK\x00FOLD folding: when a sink was last told of what is told together
//	quiet\x00ID          capture.Quiet
const (
	inAlarms = "alarm"
	inAwaits = "await"
	inFolds  = "fold"
	inQuiet  = "quiet"
)

func tellingKey(what string, name ...string) []byte {
	key := []byte(what)
	for _, n := range name {
		key = append(append(key, 0), n...)
	}
	return key
}

// telling reads a value; false where there is none. A damaged one counts as
// none: what is told twice does less harm than what isn't told.
func telling(tx *bolt.Tx, key []byte, v any) bool {
	b := tx.Bucket(bTelling)
	if b == nil { // a file without it that is only read
		return false
	}
	sealed := b.Get(key)
	return sealed != nil && unseal(key, sealed, v) == nil
}

// eachTelling calls visit with every value of one sort that isn't damaged.
func eachTelling[T any](tx *bolt.Tx, what string, visit func(key []byte, v T) error) error {
	b := tx.Bucket(bTelling)
	if b == nil {
		return nil
	}
	prefix := tellingKey(what, "")
	c := b.Cursor()
	for k, sealed := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, sealed = c.Next() {
		var v T
		if unseal(k, sealed, &v) != nil {
			continue
		}
		if err := visit(bytes.Clone(k), v); err != nil {
			return err
		}
	}
	return nil
}

// announce says who hears of an alert, and how: by the rules, unless a quiet
// time makes it wait.
func (s *Store) announce(a capture.Alert) []capture.Delivery {
	to := s.opt.Announce(a)
	q, ok := s.quietFor(a, s.now())
	if !ok {
		return to
	}
	for i := range to {
		to[i] = capture.Delivery{Sink: to[i].Sink, Hold: q.To, Fold: quietFold(q.ID), Why: q.Note}
	}
	return to
}

// raise puts an alert into the outbox of each sink, and begins or renews the
// alarm that it is about.
func (s *Store) raise(tx *bolt.Tx, a capture.Alert, to []capture.Delivery) error {
	if len(to) == 0 {
		return nil
	}
	_, err := s.deliver(tx, a, to)
	if err != nil {
		return err
	}
	return renewAlarm(tx, a, to, s.now())
}

// folding is what is known of alerts that one sink is told of together.
type folding struct {
	Last time.Time `json:"last"` // when its last message went out, or will at the earliest
	Seq  uint64    `json:"seq"`  // of that message
}

// placed is where a delivery lies in the outbox.
type placed struct {
	Sink string    `json:"sink"`
	Seq  uint64    `json:"seq"`
	Hold time.Time `json:"hold,omitzero"` // for how long it would be held if nothing were awaited
}

// deliver puts an alert into the outbox of each sink: as a message of its own,
// or into one that waits for others of its kind.
func (s *Store) deliver(tx *bolt.Tx, a capture.Alert, to []capture.Delivery) (out []placed, err error) {
	now := s.now()
	for _, d := range to {
		if err := checkName("sink", d.Sink); err != nil {
			return nil, err
		}
		p, err := deliverOne(tx, a, d, now)
		if err != nil {
			return nil, err
		}
		if err := s.bound(tx, d.Sink); err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

func deliverOne(tx *bolt.Tx, a capture.Alert, d capture.Delivery, now time.Time) (placed, error) {
	box := tx.Bucket(bOutbox)
	m := Message{Sink: d.Sink, Alert: a, Hold: d.Hold, Fold: d.Fold, Why: d.Why}
	foldKey := tellingKey(inFolds, d.Sink, d.Fold)
	if d.Fold != "" {
		var f folding
		known := telling(tx, foldKey, &f)
		if held, there := messageAt(box, d.Sink, f.Seq); known && there && !held.Sealed && held.Tries == 0 {
			foldIn(&held, a)
			if err := putMessage(box, held); err != nil {
				return placed{}, err
			}
			return placed{d.Sink, held.Seq, held.Hold}, count(tx, d.Sink, func(c *Counts) { c.Raised++ })
		}
		if since := now.Sub(f.Last); known && d.Every > 0 && since < d.Every {
			// A clock that was put back mustn't hold it for longer than Every.
			m.Within = d.Every
			if due := now.Add(min(d.Every-since, d.Every)); due.After(m.Hold) {
				m.Hold = due
			}
		}
	}
	seq, err := box.NextSequence()
	if err != nil {
		return placed{}, err
	}
	m.Seq = seq
	if err := putMessage(box, m); err != nil {
		return placed{}, err
	}
	if d.Fold != "" {
		f := folding{Last: now.UTC(), Seq: seq}
		if m.Hold.After(now) {
			f.Last = m.Hold.UTC()
		}
		if err := putSealed(tx.Bucket(bTelling), foldKey, f); err != nil {
			return placed{}, err
		}
	}
	return placed{d.Sink, seq, m.Hold}, count(tx, d.Sink, func(c *Counts) { c.Raised++ })
}

// foldIn adds an alert to a message of others, as the one to tell of.
func foldIn(m *Message, a capture.Alert) {
	was := m.Alert
	first := was.First
	if m.Kinds == nil {
		m.Kinds, first = map[capture.Kind]int{was.Kind: 1}, was.Time
	}
	m.Kinds[a.Kind]++
	a.ID, a.First, a.Count = was.ID, first, m.Total()
	if was.Severity.Rank() > a.Severity.Rank() {
		a.Severity = was.Severity
	}
	m.Alert = a
}

func messageAt(box *bolt.Bucket, sink string, seq uint64) (m Message, there bool) {
	if seq == 0 {
		return m, false
	}
	key := messageKey(sink, seq)
	v := box.Get(key)
	return m, v != nil && unseal(key, v, &m) == nil
}

// checkTelling is part of Verify.
func checkTelling(tx *bolt.Tx, report func(capture.ID, string)) error {
	b := tx.Bucket(bTelling)
	if b == nil {
		return nil
	}
	what := map[string]string{inAlarms: "An alarm", inAwaits: "A note of what alerts wait for", inFolds: "A note of when a sink was told last", inQuiet: "A quiet time"}
	return b.ForEach(func(k, v []byte) error {
		name, _, _ := bytes.Cut(k, []byte{0})
		if _, known := what[string(name)]; !known {
			report("", "Among what decides how people are told lies something unknown.")
		} else if _, err := opened(k, v); err != nil {
			report("", what[string(name)]+" is "+err.Error()+".")
		}
		return nil
	})
}
