package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"reflect"
	"sort"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// ByHand is the source of captures that somebody took in by hand: nobody needs
// to be told of them.
const ByHand = "import"

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
	if !d.covered(merged) {
		if err := d.s.admit("keep " + string(c.ID)); err != nil {
			return capture.Capture{}, err
		}
	}
	alert := alertOf(c)
	var sinks []capture.Delivery
	if c.Origin != capture.Trace && c.Provenance.Source != ByHand { // of a trace, the capture or miss of the same trip tells
		sinks = d.s.announce(alert)
	}
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
	d.s.setLast(c, seq)
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
	c.Integrity.Same = ""
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
func (d *Draft) keep(tx *bolt.Tx, c *capture.Capture, merged []capture.Chunk, alert capture.Alert, sinks []capture.Delivery) (seq uint64, err error) {
	if isKept(tx, c.ID) {
		return 0, fmt.Errorf("%s: %w", c.ID, ErrKept)
	}
	key := []byte(c.ID)
	if there := tx.Bucket(bDrafts).Get(key) != nil; there != d.there {
		return 0, fmt.Errorf("its data was lost with a damaged file; read it again: %w", ErrGone)
	}
	if err := d.store(tx, c, merged); err != nil {
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
	if err := noteArrival(tx, *c); err != nil {
		return 0, err
	}
	entry := Entry{Time: c.Kept, Drive: c.Drive, Kind: KindKept, Text: alert.Text, Capture: c.ID, Fault: c.Fault}
	switch {
	case c.Origin == capture.Unread:
		entry.Kind = KindUnread
	case fromFiles(*c):
		entry.Kind = KindArrived
	case c.Origin == capture.Trace:
		entry.Kind = KindTrace
		entry.Text = fmt.Sprintf("Kept the trace of %.0f s around the trip: %d polls.", c.Timing.Duration(), c.Timing.Samples)
	}
	if _, err := putEntry(tx, entry); err != nil {
		return 0, err
	}
	return seq, d.s.raiseKept(tx, *c, alert, sinks)
}

// store stores the chunks that the capture's bytes still lack, and fills in
// its hashes.
func (d *Draft) store(tx *bolt.Tx, c *capture.Capture, merged []capture.Chunk) (err error) {
	d.s.touch(c.ID)
	hashes := newHashes()
	switch {
	case len(d.runs) > 0:
		made, err := add(tx, c.ID, lastBatch, d.runs, merged)
		if err != nil {
			return err
		}
		runs := append(append([]run(nil), d.runs...), made...)
		sortRuns(runs)
		if err := hashes.stored(tx, c.ID, runs); err != nil {
			return err
		}
	case d.s.stage() >= Sparing: // hash first: the bytes may be there already
		hashes.begin(merged)()
		c.Integrity.Parts, c.Integrity.SHA256 = hashes.sum()
		if twin := twinOf(tx, *c); twin != "" {
			return borrow(tx, c, twin)
		}
		if _, err := add(tx, c.ID, lastBatch, nil, merged); err != nil {
			return err
		}
	default: // all there is is in hand: hash it while it is stored
		hashed := hashes.begin(merged)
		_, err := add(tx, c.ID, lastBatch, nil, merged)
		hashed()
		if err != nil {
			return err
		}
	}
	c.Integrity.Parts, c.Integrity.SHA256 = hashes.sum()
	return nil
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
