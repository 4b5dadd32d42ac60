package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// mostAlarms bounds how many there are; names of drives can come from files.
const mostAlarms = 1000

// renewAlarm begins the alarm that an alert is about, or says that its
// condition is there again. What nobody has to look at makes none.
func renewAlarm(tx *bolt.Tx, a capture.Alert, to []capture.Delivery, now time.Time) error {
	if a.Severity.Rank() < capture.Warning.Rank() {
		return nil
	}
	key := tellingKey(inAlarms, a.Condition())
	al := capture.OpenAlarm{Key: a.Condition(), Since: a.Time}
	if !telling(tx, key, &al) {
		if err := roomForAlarm(tx); err != nil {
			return err
		}
	}
	al.Alert, al.Cleared, al.Acked, al.AckedBy = a, time.Time{}, time.Time{}, ""
	al.Count++
	for _, d := range to {
		if d.Remind > 0 {
			if al.Told == nil {
				al.Told = map[string]time.Time{}
			}
			al.Told[d.Sink] = later(now, d.Hold).UTC()
		}
	}
	return putSealed(tx.Bucket(bTelling), key, al)
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// tellAlarm notes what was found in the capture that the alarm tells of.
func tellAlarm(tx *bolt.Tx, a capture.Alert) error {
	key := tellingKey(inAlarms, a.Condition())
	var al capture.OpenAlarm
	if !telling(tx, key, &al) || al.Alert.Capture != a.Capture {
		return nil
	}
	al.Alert = a
	return putSealed(tx.Bucket(bTelling), key, al)
}

// roomForAlarm takes the oldest alarms away where there are too many, those
// that have returned to normal first.
func roomForAlarm(tx *bolt.Tx) error {
	all, err := alarms(tx)
	if err != nil || len(all) < mostAlarms {
		return err
	}
	slices.SortStableFunc(all, func(a, b capture.OpenAlarm) int {
		if here := a.Cleared.IsZero(); here != b.Cleared.IsZero() {
			if here {
				return 1
			}
			return -1
		}
		return a.Alert.Time.Compare(b.Alert.Time)
	})
	for _, a := range all[:len(all)-mostAlarms+1] {
		if err := tx.Bucket(bTelling).Delete(tellingKey(inAlarms, a.Key)); err != nil {
			return err
		}
	}
	return nil
}

func alarms(tx *bolt.Tx) (out []capture.OpenAlarm, err error) {
	err = eachTelling(tx, inAlarms, func(_ []byte, a capture.OpenAlarm) error {
		out = append(out, a)
		return nil
	})
	return out, err
}

// Alarms are all that aren't normal: what nobody has acknowledged first, the
// newest first.
func (s *Store) Alarms(ctx context.Context) (out []capture.OpenAlarm, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) (err error) {
		out, err = alarms(tx)
		return err
	})
	slices.SortStableFunc(out, func(a, b capture.OpenAlarm) int {
		if acked := !a.Acked.IsZero(); acked == b.Acked.IsZero() {
			if acked {
				return 1
			}
			return -1
		}
		return b.Alert.Time.Compare(a.Alert.Time)
	})
	return out, err
}

// Acknowledge says that somebody knows of alarms, named by their keys; of
// these nobody is reminded any more until they come again. Saying it again
// changes nothing. ErrNotFound where there is one that isn't there; then none
// is acknowledged.
func (s *Store) Acknowledge(ctx context.Context, who string, keys ...string) error {
	if err := ctx.Err(); err != nil || len(keys) == 0 {
		return err
	}
	now := s.now().UTC()
	return s.update("acknowledge alarms", func(tx *bolt.Tx) error {
		for _, k := range keys {
			var a capture.OpenAlarm
			if !telling(tx, tellingKey(inAlarms, k), &a) {
				return &said{fmt.Sprintf("there is no alarm %q", k), ErrNotFound}
			}
			if err := acknowledge(tx, a, who, now); err != nil {
				return err
			}
		}
		return nil
	})
}

func acknowledge(tx *bolt.Tx, a capture.OpenAlarm, who string, now time.Time) error {
	if !a.Acked.IsZero() {
		return nil
	}
	a.Acked, a.AckedBy = now, who
	if err := recallReminders(tx, a.Key); err != nil {
		return err
	}
	return settleAlarm(tx, a)
}

// settleAlarm stores an alarm, or ends it where it is normal again.
func settleAlarm(tx *bolt.Tx, a capture.OpenAlarm) error {
	key := tellingKey(inAlarms, a.Key)
	if a.State() == capture.Normal {
		return tx.Bucket(bTelling).Delete(key)
	}
	return putSealed(tx.Bucket(bTelling), key, a)
}

// acknowledgeReviewed acknowledges trips whose newest capture was reviewed.
func acknowledgeReviewed(tx *bolt.Tx, ids []capture.ID, now time.Time) error {
	all, err := alarms(tx)
	if err != nil {
		return err
	}
	for _, a := range all {
		if a.Alert.Capture != "" && slices.Contains(ids, a.Alert.Capture) {
			if err := acknowledge(tx, a, "", now.UTC()); err != nil {
				return err
			}
		}
	}
	return nil
}

// Standing raises an alert about a condition that lasts, once: not where an
// alarm about it is there already, also from before a restart.
func (s *Store) Standing(ctx context.Context, a capture.Alert) error {
	s.complete(&a, a.Time, a.Drive)
	stands := func(tx *bolt.Tx) bool {
		var al capture.OpenAlarm
		return telling(tx, tellingKey(inAlarms, a.Condition()), &al) && al.Cleared.IsZero()
	}
	there := false
	err := s.view(ctx, func(tx *bolt.Tx) error {
		there = stands(tx)
		return nil
	})
	if err != nil || there {
		return err
	}
	to := s.announce(a)
	if len(to) == 0 {
		return nil
	}
	err = s.update("write an alert", func(tx *bolt.Tx) error {
		if stands(tx) {
			return nil
		}
		return s.raise(tx, a, to)
	})
	if err == nil {
		s.wake()
	}
	return err
}

// Cleared says that the conditions that gone picks aren't there any more. It
// writes only where there is one.
func (s *Store) Cleared(ctx context.Context, at time.Time, gone func(capture.OpenAlarm) bool) error {
	pick := func(tx *bolt.Tx) (out []capture.OpenAlarm, err error) {
		all, err := alarms(tx)
		for _, a := range all {
			if a.Cleared.IsZero() && !at.Before(a.Alert.Time) && gone(a) {
				out = append(out, a)
			}
		}
		return out, err
	}
	var some []capture.OpenAlarm
	err := s.view(ctx, func(tx *bolt.Tx) (err error) {
		some, err = pick(tx)
		return err
	})
	if err != nil || len(some) == 0 {
		return err
	}
	return s.update("note that alarms have gone", func(tx *bolt.Tx) error {
		some, err := pick(tx)
		if err != nil {
			return err
		}
		for _, a := range some {
			a.Cleared = at.UTC()
			if err := settleAlarm(tx, a); err != nil {
				return err
			}
		}
		return nil
	})
}

func reminderFold(key string) string { return "remind " + key }

// Remind tells sinks again of alarms that nobody has acknowledged, where the
// rules say so and the time has come. next is when it has something to do
// again; zero: not before another alarm comes.
func (s *Store) Remind(ctx context.Context) (next time.Time, err error) {
	now := s.now()
	all, err := s.Alarms(ctx)
	if err != nil {
		return next, err
	}
	type reminder struct {
		key string
		to  []capture.Delivery
	}
	var due []reminder
	for _, a := range all {
		if !a.Acked.IsZero() {
			continue
		}
		r := reminder{key: a.Key}
		for _, d := range s.announce(a.Alert) {
			if d.Remind <= 0 {
				continue
			}
			told, known := a.Told[d.Sink]
			if !known {
				told = a.Alert.Time
			}
			at := later(told.Add(d.Remind), d.Hold)
			if at.Sub(now) > d.Remind && !d.Hold.After(now) { // the clock was put back
				at = now.Add(d.Remind)
			}
			if at.After(now) {
				if next.IsZero() || at.Before(next) {
					next = at
				}
				continue
			}
			r.to = append(r.to, d)
			if at := now.Add(d.Remind); next.IsZero() || at.Before(next) {
				next = at
			}
		}
		if len(r.to) > 0 {
			due = append(due, r)
		}
	}
	if len(due) == 0 {
		return next, nil
	}
	err = s.update("remind of alarms", func(tx *bolt.Tx) error {
		for _, r := range due {
			var a capture.OpenAlarm
			if !telling(tx, tellingKey(inAlarms, r.key), &a) || !a.Acked.IsZero() {
				continue
			}
			if err := remind(tx, a, r.to, now); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		s.wake()
	}
	return next, err
}

func remind(tx *bolt.Tx, a capture.OpenAlarm, to []capture.Delivery, now time.Time) error {
	again := a.Alert
	a.Reminded++
	again.Reminder = a.Reminded
	again.ID = fmt.Sprintf("%s/reminder-%d", a.Alert.ID, a.Reminded)
	again.Text = fmt.Sprintf("Not acknowledged for %s: %s", seconds(now.Sub(a.Alert.Time)), a.Alert.Text)
	if a.State() == capture.ReturnedToNormal {
		again.Text = endStop(again.Text) + " It has returned to normal since."
	}
	for _, d := range to {
		if a.Told == nil {
			a.Told = map[string]time.Time{}
		}
		a.Told[d.Sink] = now.UTC()
		var f folding
		if telling(tx, tellingKey(inFolds, d.Sink, reminderFold(a.Key)), &f) {
			if _, waits := messageAt(tx.Bucket(bOutbox), d.Sink, f.Seq); waits {
				continue // the one before hasn't got through
			}
		}
		if _, err := deliverOne(tx, again, capture.Delivery{Sink: d.Sink, Fold: reminderFold(a.Key)}, now); err != nil {
			return err
		}
	}
	return putSealed(tx.Bucket(bTelling), tellingKey(inAlarms, a.Key), a)
}

// recallReminders takes back reminders that nobody has seen yet.
func recallReminders(tx *bolt.Tx, key string) error {
	var keys [][]byte
	fold := reminderFold(key)
	err := eachTelling(tx, inFolds, func(k []byte, f folding) error {
		parts := strings.SplitN(string(k), "\x00", 3)
		if len(parts) != 3 || parts[2] != fold {
			return nil
		}
		keys = append(keys, k)
		m, there := messageAt(tx.Bucket(bOutbox), parts[1], f.Seq)
		if !there || m.Sealed || m.Tries > 0 {
			return nil
		}
		if _, err := take(tx, m.Sink, m.Seq); err != nil {
			return err
		}
		return count(tx, m.Sink, func(c *Counts) { c.Raised-- })
	})
	for _, k := range keys {
		if err == nil {
			err = tx.Bucket(bTelling).Delete(k)
		}
	}
	return err
}
