package store

import (
	"context"
	"slices"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"
)

// Undelivered is what one sink hasn't taken.
type Undelivered struct {
	Sink    string    `json:"sink"`
	Waiting int       `json:"waiting"`           // alerts in the outbox
	Since   time.Time `json:"since,omitzero"`    // of the oldest of them
	Why     string    `json:"why,omitempty"`     // why that one wasn't taken; "": it wasn't tried yet
	Refused int       `json:"refused,omitempty"` // alerts of the period that were given up
	Because string    `json:"because,omitempty"` // why the last of these was
}

// onItsWay is how old an alert is at most that nobody has tried to send yet.
const onItsWay = time.Minute

// Undelivered lists, by name, the sinks that have alerts waiting for another
// reason than that they are held or quite new, or refused alerts that were raised at since
// or later.
func (s *Store) Undelivered(ctx context.Context, since time.Time) ([]Undelivered, error) {
	of := map[string]*Undelivered{}
	at := func(sink string) *Undelivered {
		if of[sink] == nil {
			of[sink] = &Undelivered{Sink: sink}
		}
		return of[sink]
	}
	err := s.view(ctx, func(tx *bolt.Tx) error {
		clear(of)
		each := func(name []byte, see func(Message)) error {
			return tx.Bucket(name).ForEach(func(k, v []byte) error {
				var m Message
				if err := unseal(k, v, &m); err != nil {
					s.log.Error("a message is damaged and left out", "err", err)
					return nil
				}
				see(m)
				return ctx.Err()
			})
		}
		if err := each(bOutbox, func(m Message) {
			if now := s.now(); m.Tries == 0 && (m.Hold.After(now) || now.Sub(m.Alert.Time) < onItsWay) {
				return // nothing is amiss
			}
			u := at(m.Sink)
			if u.Waiting++; u.Waiting == 1 {
				u.Since, u.Why = m.Alert.Time, m.LastError
			}
		}); err != nil {
			return err
		}
		return each(bAside, func(m Message) {
			if !m.Alert.Time.Before(since) {
				u := at(m.Sink)
				u.Refused++
				u.Because = m.LastError
			}
		})
	})
	out := make([]Undelivered, 0, len(of))
	for _, u := range of {
		out = append(out, *u)
	}
	slices.SortFunc(out, func(a, b Undelivered) int { return strings.Compare(a.Sink, b.Sink) })
	return out, err
}
