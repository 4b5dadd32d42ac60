package store

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Entry is one line of the ledger: something that was seen, kept or written.
type Entry struct {
	Time    time.Time     `json:"time"`
	Drive   string        `json:"drive,omitempty"`
	Kind    string        `json:"kind"`
	Text    string        `json:"text"` // one sentence
	Capture capture.ID    `json:"capture,omitempty"`
	Fault   capture.Fault `json:"fault"`
}

// The kinds of entries that the store itself writes; sources add their own.
const (
	KindKept    = "kept"
	KindTrace   = "trace"
	KindMissed  = "missed"
	KindDamage  = "damage"
	KindTrouble = "trouble"

	KindDrift       = "drift"        // a recorder's settings aren't the wanted ones
	KindAsWanted    = "as wanted"    // they are again
	KindClockJump   = "clock jump"   // the PC's clock was set
	KindClockUnsure = "clock unsure" // the PC's clock isn't synchronised, or is again
	KindReload      = "reload"       // the config file was read again
)

// Note writes an entry, and with it in the same transaction alerts that tell
// of it. Noting the same entry again is harmless and alerts nobody.
func (s *Store) Note(ctx context.Context, e Entry, alerts ...capture.Alert) error {
	e.Time = s.timeOf(e)
	put, told := s.noting(e, alerts)
	err := s.update("write the ledger", put)
	if err == nil {
		told()
	}
	return err
}

// noting gives what writes an entry with its alerts, to be done in a
// transaction, and what to do once that is committed.
func (s *Store) noting(e Entry, alerts []capture.Alert) (put func(*bolt.Tx) error, told func()) {
	sinks := make([][]capture.Delivery, len(alerts))
	n := 0
	for i := range alerts {
		s.complete(&alerts[i], e.Time, e.Drive)
		sinks[i] = s.announce(alerts[i])
		n += len(sinks[i])
	}
	put = func(tx *bolt.Tx) error {
		made, err := putEntry(tx, e)
		if err != nil || !made {
			return err
		}
		for i, a := range alerts {
			if err := s.raise(tx, a, sinks[i]); err != nil {
				return err
			}
		}
		return nil
	}
	return put, func() {
		if n > 0 {
			s.wake()
		}
	}
}

// complete fills what every alert has.
func (s *Store) complete(a *capture.Alert, at time.Time, drive string) {
	if a.Time.IsZero() {
		a.Time = at
	}
	if a.Drive == "" {
		a.Drive = drive
	}
	if a.Site == "" {
		a.Site = s.opt.Site
	}
	if a.ID == "" {
		// With its text: two trips that only the drive's count tells of have one time.
		a.ID = fmt.Sprintf("%s-%s/%s-%08x", a.Time.UTC().Format("20060102-150405.000000000"), capture.Slug(a.Drive), a.Kind,
			crc32.Checksum([]byte(a.Text), castagnoli))
	}
}

// Miss writes that a fault was seen and no recording kept, and its alert, in
// one transaction. Writing the same miss again is harmless and alerts nobody.
func (s *Store) Miss(ctx context.Context, m capture.Miss, severity capture.Severity) error {
	if m.Time.IsZero() {
		m.Time = s.now()
	}
	m.Time = m.Time.UTC()
	alert := capture.Alert{Kind: capture.KindMiss, Severity: severity, Title: m.Title, Fault: m.Fault, Text: missed(m)}
	if alert.Severity == "" {
		alert.Severity = capture.Warning
	}
	s.complete(&alert, m.Time, m.Drive)
	sinks := s.announce(alert)
	err := s.update("write a miss", func(tx *bolt.Tx) error {
		made, err := putOnce(tx.Bucket(bMisses), append(stamp(m.Time), m.Drive...), m)
		if err != nil || !made {
			return err
		}
		if _, err := putEntry(tx, Entry{Time: m.Time, Drive: m.Drive, Kind: KindMissed, Text: alert.Text, Fault: m.Fault}); err != nil {
			return err
		}
		return s.raise(tx, alert, sinks)
	})
	if err == nil && len(sinks) > 0 {
		s.wake()
	}
	return err
}

// missed tells of a miss: who, what, why, and what would have prevented it.
func missed(m capture.Miss) string {
	name := m.Title
	if name == "" {
		name = m.Drive
	}
	text := m.Text
	if text == "" {
		text = fmt.Sprintf("Missed: %s", m.Cause)
	}
	out := fmt.Sprintf("%s tripped: %s. %s", name, m.Fault, endStop(text))
	if m.Advice != "" {
		out += " " + endStop(m.Advice)
	}
	return out
}

func putEntry(tx *bolt.Tx, e Entry) (made bool, err error) {
	key := append(stamp(e.Time), joined(e.Drive, e.Kind)...)
	return putOnce(tx.Bucket(bLedger), key, e)
}

// putOnce puts v under key, or key with a number where another value has it.
// made is false where v itself is there already.
func putOnce(b *bolt.Bucket, key []byte, v any) (made bool, err error) {
	plain, err := json.Marshal(v)
	if err != nil {
		return false, err
	}
	base := key
	for n := 2; ; n++ {
		there := b.Get(key)
		if there == nil {
			return true, b.Put(key, sealBytes(key, plain))
		}
		if was, err := opened(key, there); err == nil && bytes.Equal(was, plain) {
			return false, nil
		}
		key = fmt.Appendf(bytes.Clone(base), "\x00%06d", n)
	}
}

// Ledger lists entries, newest first.
func (s *Store) Ledger(ctx context.Context, q Query) ([]Entry, error) {
	var out []Entry
	err := s.back(ctx, bLedger, q, func(k, v []byte) (on bool, err error) {
		var e Entry
		if err := unseal(k, v, &e); err != nil {
			return true, err
		}
		if q.drive(e.Drive) && q.kind(e.Kind) && q.fault(e.Fault.Code, e.Fault.Shown) {
			out = append(out, e)
		}
		return q.Limit <= 0 || len(out) < q.Limit, nil
	})
	return out, err
}

// Misses lists misses, newest first.
func (s *Store) Misses(ctx context.Context, q Query) ([]capture.Miss, error) {
	var out []capture.Miss
	err := s.back(ctx, bMisses, q, func(k, v []byte) (on bool, err error) {
		var m capture.Miss
		if err := unseal(k, v, &m); err != nil {
			return true, err
		}
		if q.drive(m.Drive) && q.fault(m.Fault.Code, m.Fault.Shown) {
			out = append(out, m)
		}
		return q.Limit <= 0 || len(out) < q.Limit, nil
	})
	return out, err
}

// back calls fn for the values of a bucket keyed by time, newest first, in
// several short read transactions, until fn says not to go on. Values that
// fn can't read are logged and passed over.
func (s *Store) back(ctx context.Context, bucket []byte, q Query, fn func(k, v []byte) (on bool, err error)) error {
	end := bytes.Repeat([]byte{0xff}, 9)
	if !q.Until.IsZero() {
		end = stamp(q.Until)
	}
	var begin []byte
	if !q.Since.IsZero() {
		begin = stamp(q.Since)
	}
	for end != nil {
		err := s.view(ctx, func(tx *bolt.Tx) error {
			c := tx.Bucket(bucket).Cursor()
			k, v := before(c, end)
			end = nil
			for n := 0; k != nil && bytes.Compare(k, begin) >= 0; k, v = c.Prev() {
				on, err := fn(k, v)
				if err != nil {
					s.log.Error("an entry is damaged and left out", "bucket", string(bucket), "err", err)
				}
				if !on {
					return nil
				}
				if n++; n == 1000 {
					end = bytes.Clone(k)
					return nil
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}
