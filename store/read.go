package store

import (
	"context"
	"fmt"
	"slices"
	"sort"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// readBytes copies n bytes of a part out of its chunks; ok is false where any is missing.
func readBytes(tx *bolt.Tx, id capture.ID, runs []run, part string, offset int64, n int) ([]byte, bool, error) {
	if part == "" {
		part = capture.Data
	}
	if n < 0 || offset < 0 {
		return nil, false, fmt.Errorf("%d bytes from %d on can't be read", n, offset)
	}
	if n == 0 {
		return []byte{}, true, nil
	}
	if !holds(rangesOf(runs, part), offset, offset+int64(n)) {
		return nil, false, nil
	}
	out := make([]byte, 0, n)
	first := sort.Search(len(runs), func(i int) bool {
		return runs[i].part > part || runs[i].part == part && runs[i].end() > offset
	})
	for _, r := range runs[first:] {
		b, err := bytesOf(tx, id, r)
		if err != nil {
			return nil, false, err
		}
		b = b[offset+int64(len(out))-r.start:]
		out = append(out, b[:min(len(b), n-len(out))]...)
		if len(out) == n {
			break
		}
	}
	return out, true, nil
}

// Get is one capture by its full ID.
func (s *Store) Get(ctx context.Context, id capture.ID) (capture.Capture, error) {
	var c capture.Capture
	err := s.view(ctx, func(tx *bolt.Tx) (err error) {
		c, err = getCapture(tx, id)
		return err
	})
	return c, err
}

func getCapture(tx *bolt.Tx, id capture.ID) (c capture.Capture, err error) {
	if !isKept(tx, id) {
		return c, notFound(string(id))
	}
	if err := unseal([]byte(id), header(tx, id), &c); err != nil {
		return c, fmt.Errorf("capture %s: %w", id, err)
	}
	return c, nil
}

// Bytes reads n original bytes of a capture's part; ok is false where any is missing.
func (s *Store) Bytes(ctx context.Context, id capture.ID, part string, offset int64, n int) (b []byte, ok bool, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		if !isKept(tx, id) {
			return notFound(string(id))
		}
		holder, runs, err := holderOf(tx, id)
		if err == nil {
			b, ok, err = readBytes(tx, holder, runs, part, offset, n)
		}
		if err != nil {
			return fmt.Errorf("capture %s: %w", id, err)
		}
		return nil
	})
	return b, ok, err
}

// Original is one part of a capture's original bytes. Data comes at its full
// size, Integrity.Size; what is missing is zero, and have tells what is there.
func (s *Store) Original(ctx context.Context, id capture.ID, part string) (data []byte, have []capture.Range, err error) {
	_, data, have, err = s.original(ctx, id, part)
	return data, have, err
}

func (s *Store) original(ctx context.Context, id capture.ID, part string) (c capture.Capture, data []byte, have []capture.Range, err error) {
	if part == "" {
		part = capture.Data
	}
	err = s.view(ctx, func(tx *bolt.Tx) error {
		if c, err = getCapture(tx, id); err != nil {
			return err
		}
		holder, runs, err := holderOf(tx, id)
		if err != nil {
			return fmt.Errorf("capture %s: %w", id, err)
		}
		have = rangesOf(runs, part)
		if part == capture.Data && !slices.Equal(have, c.Integrity.Have) {
			// A chunk whose name is damaged would be missed without a word.
			return fmt.Errorf("capture %s: %w", id, damagef("it was kept with bytes %s, and has %s", words(c.Integrity.Have), words(have)))
		}
		var size int64
		if part == capture.Data {
			size = c.Integrity.Size
		}
		if n := len(have); n > 0 {
			size = max(size, have[n-1].End)
		} else if part != capture.Data {
			return fmt.Errorf("capture %s has no part %q", id, part)
		}
		var pieces []capture.Chunk
		for _, r := range runs {
			if r.part != part {
				continue
			}
			b, err := bytesOf(tx, holder, r)
			if err != nil {
				return fmt.Errorf("capture %s: %w", id, err)
			}
			pieces = append(pieces, capture.Chunk{Offset: r.start, Bytes: b})
		}
		// Only now are the chunks' places known to be right, and so the size.
		data = make([]byte, size)
		for _, p := range pieces {
			copy(data[p.Offset:], p.Bytes)
		}
		return nil
	})
	return c, data, have, err
}

// Samples decodes a capture: one Series a channel, NaN where a sample is missing.
func (s *Store) Samples(ctx context.Context, id capture.ID) (capture.Capture, []capture.Series, error) {
	c, data, have, err := s.original(ctx, id, capture.Data)
	if err != nil {
		return c, nil, err
	}
	series, err := c.Encoding.Decode(data, have)
	if err != nil {
		return c, nil, fmt.Errorf("capture %s can't be decoded: %w", id, err)
	}
	return c, series, nil
}
