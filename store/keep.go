package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"reflect"
	"sort"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// mostData bounds part Data, so that it can be read into memory.
const mostData = 1 << 31

// Keep makes the draft a capture, in one transaction with its index, its
// ledger entry and its alert; rest are last chunks not appended yet. It
// returns nil only when the capture is durable and was read back. Only then
// may anything be done that could erase the recording.
//
// c.Integrity says whether the capture is whole; Keep refuses to call whole
// what isn't. The store sets Schema, ID, Kept and, in Integrity, Size (where
// zero, from the encoding), Have, Parts and SHA256.
func (d *Draft) Keep(ctx context.Context, c capture.Capture, rest ...capture.Chunk) (capture.Capture, error) {
	merged, err := merge(rest)
	if err != nil {
		return capture.Capture{}, d.wrap(err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone {
		return d.keptAlready(ctx)
	}
	d.fresh()
	if err := d.fill(&c, merged); err != nil {
		return capture.Capture{}, d.wrap(err)
	}
	alert := alertOf(c)
	sinks := d.s.opt.Announce(alert)
	var seq uint64
	err = d.s.update("keep "+string(c.ID), func(tx *bolt.Tx) (err error) {
		seq, err = d.keep(tx, &c, merged, alert, sinks)
		return err
	})
	if errors.Is(err, ErrKept) { // by an earlier try whose outcome couldn't be seen
		return d.keptAlready(ctx)
	}
	if err != nil {
		return capture.Capture{}, d.lost(err)
	}
	d.gone = true
	d.s.forget(d)
	d.s.setLast(c.Drive, c.ID, seq)
	if err := d.s.readBack(c); err != nil {
		return capture.Capture{}, err
	}
	if len(sinks) > 0 {
		d.s.wake()
	}
	return c, nil
}

// keptAlready is Keep on a draft that is no more: kept, or dropped.
func (d *Draft) keptAlready(ctx context.Context) (capture.Capture, error) {
	var c capture.Capture
	err := d.s.view(ctx, func(tx *bolt.Tx) (err error) {
		c, err = checkCapture(tx, d.opening.ID)
		return err
	})
	if errors.Is(err, ErrNotFound) {
		err = d.wrap(ErrGone)
	}
	return c, err
}

// fill sets what the store answers for in c, and refuses what contradicts the draft.
func (d *Draft) fill(c *capture.Capture, merged []capture.Chunk) error {
	switch {
	case c.ID != "" && c.ID != d.opening.ID:
		return fmt.Errorf("the capture to keep has the ID %s", c.ID)
	case c.Drive != d.opening.Drive:
		return fmt.Errorf("the capture to keep is of drive %q, the draft of %q", c.Drive, d.opening.Drive)
	case c.Provenance.Identity != d.opening.Provenance.Identity:
		return fmt.Errorf("the capture to keep has identity %q, the draft %q: %w", c.Provenance.Identity, d.opening.Provenance.Identity, ErrMixed)
	case !reflect.DeepEqual(c.Encoding, d.opening.Encoding):
		return errors.New("the capture to keep has another encoding than the draft")
	}
	c.ID, c.Schema, c.Kept = d.opening.ID, capture.Schema, d.s.now()
	if c.Site == "" {
		c.Site = d.opening.Site
	}
	in := &c.Integrity
	if in.Size == 0 && c.Encoding.Check() == nil {
		in.Size = c.Encoding.Size()
	}
	if in.Size < 0 || in.Size > mostData {
		return fmt.Errorf("a recording of %d bytes is more than faultkeep keeps", in.Size)
	}
	in.Have = d.haveWith(merged)
	if n := len(in.Have); n > 0 && in.Have[n-1].End > in.Size {
		return fmt.Errorf("there are bytes up to %d of a recording of %d bytes", in.Have[n-1].End, in.Size)
	}
	if in.Whole && in.Size > 0 && !holds(in.Have, 0, in.Size) {
		return fmt.Errorf("it can't be kept as whole: only bytes %s of %d are there", words(in.Have), in.Size)
	}
	if in.Whole {
		in.Why = ""
	} else if in.Why == "" {
		in.Why = "Part of the recording is missing."
	}
	return nil
}

// haveWith are the ranges of part Data that the draft has with the chunks.
func (d *Draft) haveWith(merged []capture.Chunk) []capture.Range {
	all := rangesOf(d.runs, capture.Data)
	for _, c := range merged {
		if c.Part == capture.Data {
			all = append(all, capture.Range{Start: c.Offset, End: c.Offset + int64(len(c.Bytes))})
		}
	}
	sort.Slice(all, func(i, j int) bool { return all[i].Start < all[j].Start })
	out := []capture.Range{}
	for _, r := range all {
		if n := len(out); n > 0 && r.Start <= out[n-1].End {
			out[n-1].End = max(out[n-1].End, r.End)
			continue
		}
		out = append(out, r)
	}
	return out
}

func words(ranges []capture.Range) string {
	if len(ranges) == 0 {
		return "none"
	}
	var b bytes.Buffer
	for i, r := range ranges {
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%d–%d", r.Start, r.End-1)
	}
	return b.String()
}

// keep is the transaction of Keep. seq is the capture's number in the order of keeping.
func (d *Draft) keep(tx *bolt.Tx, c *capture.Capture, merged []capture.Chunk, alert capture.Alert, sinks []string) (seq uint64, err error) {
	if isKept(tx, c.ID) {
		return 0, fmt.Errorf("%s: %w", c.ID, ErrKept)
	}
	key := []byte(c.ID)
	if there := tx.Bucket(bDrafts).Get(key) != nil; there != d.there {
		return 0, fmt.Errorf("its data was lost with a damaged file; read it again: %w", ErrGone)
	}
	made, err := add(tx, c.ID, lastBatch, d.runs, merged)
	if err != nil {
		return 0, err
	}
	runs := append(append([]run(nil), d.runs...), made...)
	sortRuns(runs)
	if c.Integrity.Parts, c.Integrity.SHA256, err = hashParts(tx, c.ID, runs); err != nil {
		return 0, err
	}
	batch, err := tx.Bucket(bChunks).CreateBucketIfNotExists(batchKey(c.ID, lastBatch))
	if err != nil {
		return 0, err
	}
	if err := putAs(batch, kHeader, key, c); err != nil {
		return 0, err
	}
	index := tx.Bucket(bIndex)
	if seq, err = index.NextSequence(); err != nil {
		return 0, err
	}
	if err := index.Put(key, sealBytes(key, summaryOf(*c, seq).pack())); err != nil {
		return 0, err
	}
	if d.there {
		if err := tx.Bucket(bDrafts).Delete(key); err != nil {
			return 0, err
		}
	}
	entry := Entry{Time: c.Kept, Drive: c.Drive, Kind: KindKept, Text: alert.Text, Capture: c.ID, Fault: c.Fault}
	if _, err := putEntry(tx, entry); err != nil {
		return 0, err
	}
	return seq, raise(tx, alert, sinks)
}

// putAs puts v under key with a checksum that covers another place: the
// description of a capture lies under the same key in every capture's batch.
func putAs(b *bolt.Bucket, key, place []byte, v any) error {
	sealed, err := seal(place, v)
	if err != nil {
		return err
	}
	return b.Put(key, sealed)
}

func isKept(tx *bolt.Tx, id capture.ID) bool { return tx.Bucket(bIndex).Get([]byte(id)) != nil }

// header is the description of a capture as stored; it still lies in the memory map.
func header(tx *bolt.Tx, id capture.ID) []byte {
	if b := tx.Bucket(bChunks).Bucket(batchKey(id, lastBatch)); b != nil {
		return b.Get(kHeader)
	}
	return nil
}

// hashParts gives the parts of the stored chunks, each with the SHA-256 over
// its present bytes in order: Data first, then the others by name. sum is the
// SHA-256 over these hashes (32 bytes each) in that order.
func hashParts(tx *bolt.Tx, id capture.ID, runs []run) (parts []capture.Part, sum string, err error) {
	parts = []capture.Part{}
	all := sha256.New()
	names := []string{}
	for _, r := range runs {
		if n := len(names); n == 0 || names[n-1] != r.part {
			names = append(names, r.part)
		}
	}
	sort.Slice(names, func(i, j int) bool {
		if (names[i] == capture.Data) != (names[j] == capture.Data) {
			return names[i] == capture.Data
		}
		return names[i] < names[j]
	})
	for _, name := range names {
		h := sha256.New()
		var size int64
		for _, r := range runs {
			if r.part != name {
				continue
			}
			b, err := bytesOf(tx, id, r)
			if err != nil {
				return nil, "", err
			}
			h.Write(b)
			size += int64(len(b))
		}
		digest := h.Sum(nil)
		all.Write(digest)
		parts = append(parts, capture.Part{Name: name, Size: size, SHA256: hex.EncodeToString(digest)})
	}
	return parts, hex.EncodeToString(all.Sum(nil)), nil
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
	runs, err := runsOf(tx, c.ID)
	if err != nil {
		return err
	}
	parts, sum, err := hashParts(tx, c.ID, runs)
	if err != nil {
		return err
	}
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
		drive, err := dropCapture(tx, id)
		if err != nil {
			return err
		}
		if err := recall(tx, id); err != nil {
			return err
		}
		_, err = putEntry(tx, Entry{Time: s.now(), Drive: drive, Kind: KindTrouble, Capture: id,
			Text: fmt.Sprintf("%s was discarded since it didn't read back: %v.", id, why)})
		return err
	})
}

// dropCapture removes a capture with its chunks and its index entry.
func dropCapture(tx *bolt.Tx, id capture.ID) (drive string, err error) {
	key := []byte(id)
	if sm, ok := summaryAt(tx, key, tx.Bucket(bIndex).Get(key)); ok {
		drive = sm.Drive
	}
	return drive, errors.Join(tx.Bucket(bIndex).Delete(key), removeChunks(tx, id))
}
