package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"reflect"
	"sort"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// hashes are the SHA-256 of each part, over its present bytes in order.
type hashes struct {
	of   map[string]hash.Hash
	size map[string]int64
}

func newHashes() hashes {
	return hashes{map[string]hash.Hash{}, map[string]int64{}}
}

func (h hashes) add(part string, b []byte) {
	if h.of[part] == nil {
		h.of[part] = sha256.New()
	}
	h.of[part].Write(b)
	h.size[part] += int64(len(b))
}

// begin hashes merged chunks in the background; the result waits for it.
func (h hashes) begin(merged []capture.Chunk) (wait func()) {
	done := make(chan struct{})
	go func() {
		defer close(done)
		for _, c := range merged {
			h.add(c.Part, c.Bytes)
		}
	}()
	return func() { <-done }
}

// stored hashes stored chunks, each checked against its own checksum.
func (h hashes) stored(tx *bolt.Tx, id capture.ID, runs []run) error {
	for _, r := range runs {
		b, err := bytesOf(tx, id, r)
		if err != nil {
			return err
		}
		h.add(r.part, b)
	}
	return nil
}

// sum gives the parts, Data first, then the others by name, and the SHA-256
// over their hashes (32 bytes each) in that order.
func (h hashes) sum() (parts []capture.Part, sum string) {
	parts = []capture.Part{}
	for name := range h.of {
		parts = append(parts, capture.Part{Name: name})
	}
	sort.Slice(parts, func(i, j int) bool {
		if data := parts[i].Name == capture.Data; data != (parts[j].Name == capture.Data) {
			return data
		}
		return parts[i].Name < parts[j].Name
	})
	all := sha256.New()
	for i := range parts {
		p := &parts[i]
		digest := h.of[p.Name].Sum(nil)
		all.Write(digest)
		p.Size, p.SHA256 = h.size[p.Name], hex.EncodeToString(digest)
	}
	return parts, hex.EncodeToString(all.Sum(nil))
}

// checkCapture reads a capture from the file and recomputes everything that is
// recorded of it.
func checkCapture(tx *bolt.Tx, id capture.ID) (capture.Capture, error) {
	var c capture.Capture
	if !isKept(tx, id) {
		return c, fmt.Errorf("%s: %w", id, ErrNotFound)
	}
	if err := unseal([]byte(id), header(tx, id), &c); err != nil {
		return c, damagef("its description doesn't match its checksum")
	}
	if c.ID != id {
		return c, damagef("its description says it is %s", c.ID)
	}
	return c, checkParts(tx, c)
}

// checkParts reads the original bytes of a capture and compares them with its description.
func checkParts(tx *bolt.Tx, c capture.Capture) error {
	holder := c.ID
	if c.Integrity.Same != "" {
		holder = c.Integrity.Same
	}
	runs, err := runsOf(tx, holder)
	if err != nil {
		return err
	}
	hashes := newHashes()
	if err := hashes.stored(tx, holder, runs); err != nil {
		return err
	}
	parts, sum := hashes.sum()
	have := rangesOf(runs, capture.Data)
	in := c.Integrity
	switch {
	case !equalRanges(have, in.Have):
		return damagef("bytes %s are there, %s were kept", words(have), words(in.Have))
	case !reflect.DeepEqual(parts, in.Parts):
		return damagef("the SHA-256 of its original bytes isn't the one recorded when they were kept")
	case sum != in.SHA256:
		return damagef("the SHA-256 over its parts isn't the one recorded when it was kept")
	case in.Whole && in.Size > 0 && !holds(have, 0, in.Size):
		return damagef("it is marked whole, but only bytes %s of %d are there", words(have), in.Size)
	}
	return nil
}

func equalRanges(a, b []capture.Range) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// readBack reads what was just kept in a transaction of its own and compares
// it with what was to be kept. A capture that doesn't read back is discarded,
// so that nobody takes it for kept.
func (s *Store) readBack(c capture.Capture) error {
	err := s.view(context.Background(), func(tx *bolt.Tx) error {
		if want, err := seal([]byte(c.ID), c); err != nil || !isKept(tx, c.ID) || !bytes.Equal(header(tx, c.ID), want) {
			return damagef("its description reads back differently")
		}
		return checkParts(tx, c)
	})
	if err == nil {
		return nil
	}
	if derr := s.discard(c.ID, err); derr != nil {
		err = fmt.Errorf("%w; and it couldn't be taken out again: %w", err, derr)
	}
	return s.explain("read "+string(c.ID)+" back", err)
}

// discard takes a capture that can't be trusted out of the store, with the
// alerts about it that nobody accepted yet, and notes it in the ledger.
func (s *Store) discard(id capture.ID, why error) error {
	defer s.forgetLast()
	return s.update("discard "+string(id), func(tx *bolt.Tx) error {
		drive, err := s.dropCapture(tx, id)
		if err != nil {
			return err
		}
		if err := errors.Join(recall(tx, id), forgetArrival(tx, id)); err != nil {
			return err
		}
		_, err = putEntry(tx, Entry{Time: s.now(), Drive: drive, Kind: KindTrouble, Capture: id,
			Text: fmt.Sprintf("%s was discarded since it didn't read back: %v.", id, why)})
		return err
	})
}

// dropCapture removes a capture with its chunks, its index entry, and all that was said and found of it.
func (s *Store) dropCapture(tx *bolt.Tx, id capture.ID) (drive string, err error) {
	key := []byte(id)
	if sm, ok := summaryAt(tx, key, tx.Bucket(bIndex).Get(key)); ok {
		drive = sm.Drive
	}
	if err := s.settleLoans(tx, id); err != nil {
		return drive, err
	}
	s.touch(id)
	return drive, errors.Join(tx.Bucket(bIndex).Delete(key), tx.Bucket(bMarks).Delete(key), tx.Bucket(bUnread).Delete(key),
		tx.Bucket(bRemarks).Delete(key), tx.Bucket(bTelling).Delete(tellingKey(inAwaits, string(id))),
		removeStudy(tx, id), removeChunks(tx, id))
}
