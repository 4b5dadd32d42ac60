package store

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Brief is a brief as it was told: what is kept of it is what its sinks send,
// so that a brief that waits in the outbox for days says what it said at first.
type Brief struct {
	ID       string    // the same over every attempt; "brief-2026-11-26"
	Slot     time.Time // when it was due
	From     time.Time // the period that it tells of
	To       time.Time
	Headline string
	Text     string
	HTML     string
	JSON     string
}

// mostBriefs is how many briefs are kept, the newest.
const mostBriefs = 60

// mostPage is the most that a packed text may unpack to; far above any brief.
const mostPage = 64 << 20

// shelvedBrief is a Brief as it lies in its bucket. Without an ID it only says from
// when on briefs are to be made.
type shelvedBrief struct {
	ID       string    `json:"id,omitempty"`
	Slot     time.Time `json:"slot"`
	From     time.Time `json:"from,omitzero"`
	To       time.Time `json:"to"`
	Headline string    `json:"headline,omitempty"`
	Text     []byte    `json:"text,omitempty"` // these three packed with gzip
	HTML     []byte    `json:"html,omitempty"`
	JSON     []byte    `json:"json,omitempty"`
}

// KeepBrief keeps a brief and puts an alert about it into the outbox of each
// sink, in one transaction. made is false, and nothing happens, where the
// brief of that slot is there already.
func (s *Store) KeepBrief(ctx context.Context, b Brief, alert capture.Alert, sinks []string) (made bool, err error) {
	if err := checkName("brief", b.ID); err != nil {
		return false, err
	}
	if err := ctx.Err(); err != nil {
		return false, err
	}
	shelf := shelvedBrief{ID: b.ID, Slot: b.Slot.UTC(), From: b.From.UTC(), To: b.To.UTC(), Headline: b.Headline,
		Text: packed(b.Text), HTML: packed(b.HTML), JSON: packed(b.JSON)}
	s.complete(&alert, b.Slot.UTC(), "")
	err = s.update("keep a brief", func(tx *bolt.Tx) error {
		made = false
		bucket, key := tx.Bucket(bBriefs), stamp(b.Slot)
		var there shelvedBrief
		if v := bucket.Get(key); v != nil && (unseal(key, v, &there) != nil || there.ID != "") {
			return nil
		}
		if err := putSealed(bucket, key, shelf); err != nil {
			return err
		}
		made = true
		if err := dropOldBriefs(bucket); err != nil {
			return err
		}
		return s.raise(tx, alert, capture.To(sinks...))
	})
	if err != nil {
		return false, err
	}
	if made && len(sinks) > 0 {
		s.wake()
	}
	return made, nil
}

// dropOldBriefs leaves the newest.
func dropOldBriefs(b *bolt.Bucket) error {
	var old [][]byte
	n := 0
	c := b.Cursor()
	for k, _ := c.Last(); k != nil; k, _ = c.Prev() {
		if n++; n > mostBriefs {
			old = append(old, bytes.Clone(k))
		}
	}
	for _, k := range old {
		if err := b.Delete(k); err != nil {
			return err
		}
	}
	return nil
}

// BriefsFrom says that briefs are to be made for times after at, where nothing
// says so yet; a brief whose time passed before anybody wanted one isn't owed.
func (s *Store) BriefsFrom(ctx context.Context, at time.Time) error {
	if _, found, err := s.LastBrief(ctx, at); err != nil || found {
		return err
	}
	return s.update("note from when on briefs are made", func(tx *bolt.Tx) error {
		return putSealed(tx.Bucket(bBriefs), stamp(at), shelvedBrief{Slot: at.UTC(), To: at.UTC()})
	})
}

// LastBrief is the newest brief due at now or before, without its texts; its
// ID is empty where none was made yet and it only says from when on briefs are
// made. Briefs of a clock that stood ahead don't count.
func (s *Store) LastBrief(ctx context.Context, now time.Time) (last Brief, found bool, err error) {
	err = s.eachBrief(ctx, func(b shelvedBrief) bool {
		if b.Slot.After(now) {
			return true
		}
		last, found = Brief{ID: b.ID, Slot: b.Slot, From: b.From, To: b.To, Headline: b.Headline}, true
		return false
	})
	return last, found, err
}

// Brief is the brief of that ID, or with "" the newest. ErrNotFound where there is none.
func (s *Store) Brief(ctx context.Context, id string) (out Brief, err error) {
	var found *shelvedBrief
	err = s.eachBrief(ctx, func(b shelvedBrief) bool {
		if b.ID != "" && (id == "" || b.ID == id) {
			found = &b
		}
		return found == nil
	})
	switch {
	case err != nil:
		return out, err
	case found == nil && id == "":
		return out, &said{"no brief was made yet", ErrNotFound}
	case found == nil:
		return out, &said{fmt.Sprintf("there is no brief %q any more: the last %d are kept", id, mostBriefs), ErrNotFound}
	}
	out = Brief{ID: found.ID, Slot: found.Slot, From: found.From, To: found.To, Headline: found.Headline}
	for _, text := range []struct {
		to   *string
		from []byte
	}{{&out.Text, found.Text}, {&out.HTML, found.HTML}, {&out.JSON, found.JSON}} {
		if *text.to, err = unpacked(text.from); err != nil {
			return Brief{}, damagef("brief %q can't be read: %v", out.ID, err)
		}
	}
	return out, nil
}

// eachBrief gives briefs, newest first, until see is false.
func (s *Store) eachBrief(ctx context.Context, see func(shelvedBrief) bool) error {
	return s.view(ctx, func(tx *bolt.Tx) error {
		b := tx.Bucket(bBriefs)
		if b == nil {
			return nil
		}
		c := b.Cursor()
		for k, v := c.Last(); k != nil; k, v = c.Prev() {
			var one shelvedBrief
			if err := unseal(k, v, &one); err != nil {
				s.log.Error("a brief is damaged and left out", "err", err)
				continue
			}
			if !see(one) {
				return nil
			}
		}
		return nil
	})
}

// checkBriefs is part of Verify.
func checkBriefs(tx *bolt.Tx, report func(capture.ID, string)) error {
	b := tx.Bucket(bBriefs)
	if b == nil {
		return nil
	}
	return b.ForEach(func(k, v []byte) error {
		var one shelvedBrief
		err := unseal(k, v, &one)
		for _, text := range [][]byte{one.Text, one.HTML, one.JSON} {
			if err == nil {
				_, err = unpacked(text)
			}
		}
		if err == nil && !bytes.Equal(stamp(one.Slot), k) {
			err = damagef("it says that it was due %s", one.Slot.Format(time.RFC3339))
		}
		if err != nil {
			report("", fmt.Sprintf("A brief is %v.", err))
		}
		return nil
	})
}

func packed(text string) []byte {
	if text == "" {
		return nil
	}
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	_, _ = io.WriteString(w, text) // a Buffer doesn't fail
	_ = w.Close()
	return b.Bytes()
}

func unpacked(b []byte) (string, error) {
	if len(b) == 0 {
		return "", nil
	}
	r, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		return "", err
	}
	text, err := io.ReadAll(io.LimitReader(r, mostPage+1))
	if err == nil && len(text) > mostPage {
		err = fmt.Errorf("it unpacks to more than %s", size(mostPage))
	}
	return string(text), err
}
