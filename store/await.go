package store

import (
	"context"
	"slices"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// awaited is an alert about a capture that was just kept, of which the
// analyses can still tell more: what moved first, and its family, by which
// further sinks may want to hear of it. It is there until the capture was
// studied, also over a restart; the messages don't wait that long.
type awaited struct {
	Alert  capture.Alert `json:"alert"`
	Placed []placed      `json:"placed,omitempty"`
}

// raiseKept raises the alert about a capture; it waits a little for what the
// analyses find.
func (s *Store) raiseKept(tx *bolt.Tx, c capture.Capture, a capture.Alert, to []capture.Delivery) error {
	if s.opt.Await <= 0 || c.Origin != capture.Recorded || to == nil {
		return s.raise(tx, a, to)
	}
	until := s.now().Add(s.opt.Await)
	held := slices.Clone(to)
	for i := range held {
		if held[i].Hold.Before(until) {
			held[i].Hold = until
		}
	}
	out, err := s.deliver(tx, a, held)
	if err != nil {
		return err
	}
	box := tx.Bucket(bOutbox)
	for i := range out {
		m, there := messageAt(box, out[i].Sink, out[i].Seq)
		if !there || m.Kinds != nil || !m.Hold.Equal(until) {
			continue // it waits for something else as well
		}
		out[i].Hold = to[i].Hold
		m.Within = s.opt.Await
		if err := putMessage(box, m); err != nil {
			return err
		}
	}
	if err := putSealed(tx.Bucket(bTelling), tellingKey(inAwaits, string(a.Capture)), awaited{a, out}); err != nil {
		return err
	}
	if len(to) == 0 {
		return nil
	}
	return renewAlarm(tx, a, to, s.now())
}

// found is what the analyses add to the alert about a capture.
type found struct {
	awaited
	alert capture.Alert
	extra []capture.Delivery // sinks that only its family concerns
}

// awaiting are the alerts about captures that can be told more of now.
func (s *Store) awaiting(studies map[capture.ID]Studied) (map[capture.ID]found, error) {
	out := map[capture.ID]found{}
	err := s.view(context.Background(), func(tx *bolt.Tx) error {
		for id := range studies {
			var w awaited
			if telling(tx, tellingKey(inAwaits, string(id)), &w) {
				out[id] = found{awaited: w}
			}
		}
		return nil
	})
	for id, f := range out {
		f.alert = f.Alert
		st := studies[id]
		f.alert.Finding, f.alert.Family, f.alert.Seen, f.alert.Since = st.Headline(), st.Family, st.Seen, st.Since
		if f.alert.Finding != "" {
			f.alert.Text += " " + endStop(f.alert.Finding)
		}
		before := s.announce(f.Alert)
		for _, d := range s.announce(f.alert) {
			if !slices.ContainsFunc(before, func(b capture.Delivery) bool { return b.Sink == d.Sink }) {
				f.extra = append(f.extra, d)
			}
		}
		out[id] = f
	}
	return out, err
}

// tellMore adds what was found to alerts that nobody has seen yet, and lets
// them go.
func (s *Store) tellMore(tx *bolt.Tx, all map[capture.ID]found) error {
	box := tx.Bucket(bOutbox)
	for id, f := range all {
		key := tellingKey(inAwaits, string(id))
		if tx.Bucket(bTelling).Get(key) == nil {
			continue // told by another study
		}
		for _, p := range f.Placed {
			m, there := messageAt(box, p.Sink, p.Seq)
			if !there || m.Sealed || m.Tries > 0 {
				continue
			}
			if m.Alert.Capture == id {
				a := f.alert
				a.ID, a.First, a.Count, a.Severity = m.Alert.ID, m.Alert.First, m.Alert.Count, m.Alert.Severity
				m.Alert = a
			}
			if m.Hold.After(p.Hold) {
				m.Hold = p.Hold
			}
			if err := putMessage(box, m); err != nil {
				return err
			}
		}
		if len(f.extra) > 0 {
			if err := s.raise(tx, f.alert, f.extra); err != nil {
				return err
			}
		}
		if err := tellAlarm(tx, f.alert); err != nil {
			return err
		}
		if err := tx.Bucket(bTelling).Delete(key); err != nil {
			return err
		}
	}
	return nil
}

// Due are a sink's first messages that may be sent now, in order, at most
// limit, and when the next of those that are held may be; zero: none is.
func (s *Store) Due(ctx context.Context, sink string, now time.Time, limit int) (due []Message, next time.Time, err error) {
	all, err := s.Outbox(ctx, sink, 0)
	if err != nil {
		return nil, next, err
	}
	for _, m := range all {
		wait := m.Hold.Sub(now)
		switch {
		case m.Hold.IsZero() || wait <= 0 || m.Within > 0 && wait > m.Within:
			if len(due) < limit {
				due = append(due, m)
			}
		case next.IsZero() || m.Hold.Before(next):
			next = m.Hold
		}
	}
	return due, next, nil
}

// Seal is asked for before a message that others may be added to is sent for
// the first time: from then on it stays as it is. It gives the message as it
// is now; false where it isn't there any more.
func (s *Store) Seal(ctx context.Context, sink string, seq uint64) (m Message, there bool, err error) {
	if err := ctx.Err(); err != nil {
		return m, false, err
	}
	err = s.update("write the outbox", func(tx *bolt.Tx) error {
		box := tx.Bucket(bOutbox)
		if m, there = messageAt(box, sink, seq); !there || m.Sealed {
			return nil
		}
		m.Sealed = true
		if err := putMessage(box, m); err != nil {
			return err
		}
		if strings.HasPrefix(m.Fold, inQuiet) { // nothing of it comes any more
			return tx.Bucket(bTelling).Delete(tellingKey(inFolds, sink, m.Fold))
		}
		return nil
	})
	return m, there, err
}
