package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// A copier makes a second file with the same content and without free pages,
// while the store is written to. It reads in short transactions: a long one
// would hold up a writer for whom the memory map must grow, and keep pages
// from being used again.
//
// Original bytes never change once they are stored, so they are copied batch
// by batch; captures and drafts that are touched meanwhile are copied again.
// The small values are compared, at the end under the write lock: then both
// files hold the same.
type copier struct {
	s        *Store
	ctx      context.Context
	progress func(done, total int64)
	path     string
	db       *bolt.DB
	file     *os.File
	epoch    int
	done     int64
	total    int64
}

const (
	copyStep  = 4 << 20 // bytes copied in one transaction, then synced
	copyKeys  = 2000    // small values looked at in one transaction
	fewEnough = 8       // touched captures that can be copied while writers wait
)

// copyPath is where Compact makes its copy.
func (s *Store) copyPath() string { return s.opt.Path + ".compacting" }

// alone waits until no other long operation runs.
func (s *Store) alone(ctx context.Context) (done func(), err error) {
	select {
	case s.long <- struct{}{}:
		return func() { <-s.long }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// fits refuses a copy for which the volume has no room.
func (s *Store) fits(path string) error {
	space, err := s.space()
	if err != nil {
		return err
	}
	need := space.used + space.used/50 + 2*reserveHigh
	if free, err := FreeSpace(filepath.Dir(path)); err == nil && free < need {
		return fmt.Errorf("a copy of the store needs %s, and its volume has %s left. Free some space first: %w", size(need), size(free), ErrNoRoom)
	}
	return nil
}

// copyAll makes the copy at path. finish is called when both files hold the
// same, with writers waiting; the copy isn't synced to its end then. It is
// closed and removed where copyAll returns an error.
func (s *Store) copyAll(ctx context.Context, path string, progress func(done, total int64), finish func(*copier) error) (pause time.Duration, err error) {
	if err := s.fits(path); err != nil {
		return 0, err
	}
	c := &copier{s: s, ctx: ctx, progress: progress, path: path}
	if err := c.open(); err != nil {
		_ = c.discard()
		return 0, err
	}
	defer func() {
		s.writing.Lock()
		s.touched = nil
		s.writing.Unlock()
		if err != nil {
			_ = c.discard()
		}
	}()
	for _, step := range []func() error{c.originals, c.values, c.catchUp} {
		if err := step(); err != nil {
			return 0, err
		}
	}
	begun := time.Now()
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	c.ctx = context.WithoutCancel(ctx) // what is so near its end is brought to it
	if err := c.last(); err != nil {
		return time.Since(begun), err
	}
	err = finish(c)
	return time.Since(begun), err
}

func (c *copier) open() (err error) {
	s := c.s
	s.writing.Lock()
	s.touched = map[capture.ID]bool{}
	s.writing.Unlock()
	c.epoch = s.currentEpoch()
	if err := os.Remove(c.path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	o := s.options(&c.file)
	o.ReadOnly, o.NoSync, o.NoGrowSync = false, true, true
	if err := guard(func() (err error) { c.db, err = bolt.Open(c.path, 0o600, o); return err }); err != nil {
		return err
	}
	c.db.AllocSize = 1 << 20
	space, err := s.space()
	if err != nil {
		return err
	}
	c.total = space.used
	return c.write(func(to *bolt.Tx) error {
		for _, name := range buckets {
			if _, err := to.CreateBucket(name); err != nil {
				return err
			}
		}
		return nil
	})
}

// discard closes and removes the copy.
func (c *copier) discard() error {
	if c.db != nil {
		_ = guard(c.db.Close)
		c.db = nil
	} else if c.file != nil {
		_ = c.file.Close()
	}
	if err := os.Remove(c.path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

func (c *copier) write(fn func(to *bolt.Tx) error) error {
	return guard(func() error { return c.db.Update(fn) })
}

// both runs fn in a read transaction of the store and a write transaction of
// the copy, which is committed while what was read still lies in memory.
func (c *copier) both(fn func(from, to *bolt.Tx) error) error {
	return c.s.look(c.ctx, func(from *bolt.Tx) error {
		if c.s.epoch != c.epoch {
			return errors.New("the store was found damaged and set aside meanwhile")
		}
		return c.write(func(to *bolt.Tx) error { return fn(from, to) })
	})
}

func (c *copier) copied(n int64) {
	c.done = min(c.done+n, c.total)
	if c.progress != nil {
		c.progress(c.done, c.total)
	}
}

// originals copies all batches of original bytes.
func (c *copier) originals() error {
	var next []byte
	for more := true; more; {
		n := int64(0)
		err := c.both(func(from, to *bolt.Tx) error {
			cur := from.Bucket(bChunks).Cursor()
			k, _ := cur.Seek(next)
			for ; k != nil && n < copyStep; k, _ = cur.Next() {
				m, err := copyBatch(from, to, k)
				if err != nil {
					return err
				}
				n += m
			}
			more, next = k != nil, bytes.Clone(k)
			return nil
		})
		if err == nil {
			err = c.db.Sync() // often, so that at the end little is left to be written
		}
		if err != nil {
			return err
		}
		c.copied(n)
	}
	return nil
}

// copyBatch copies one batch of original bytes.
func copyBatch(from, to *bolt.Tx, key []byte) (n int64, err error) {
	source := from.Bucket(bChunks).Bucket(key)
	if source == nil {
		return 0, damagef("%q isn't a bucket", key)
	}
	chunks := to.Bucket(bChunks)
	chunks.FillPercent = 1
	target, err := chunks.CreateBucket(key)
	if err != nil {
		return 0, err
	}
	target.FillPercent = 1
	err = source.ForEach(func(k, v []byte) error {
		n += int64(len(k) + len(v))
		return target.Put(k, v)
	})
	return n, err
}

// again copies what belongs to a capture or draft once more.
func again(from, to *bolt.Tx, id capture.ID) error {
	if err := removeChunks(to, id); err != nil {
		return err
	}
	prefix := batchPrefix(id)
	cur := from.Bucket(bChunks).Cursor()
	for k, _ := cur.Seek(prefix); bytes.HasPrefix(k, prefix); k, _ = cur.Next() {
		if _, err := copyBatch(from, to, k); err != nil {
			return err
		}
	}
	return nil
}

// values copies everything else.
func (c *copier) values() error {
	for _, name := range buckets {
		if bytes.Equal(name, bChunks) {
			continue
		}
		var next []byte
		for more := true; more; {
			n := int64(0)
			err := c.both(func(from, to *bolt.Tx) error {
				more = false
				source, target := from.Bucket(name), to.Bucket(name)
				if source == nil { // a file of an earlier schema that is only read
					return to.DeleteBucket(name)
				}
				target.FillPercent = 1
				cur := source.Cursor()
				k, v := cur.Seek(next)
				for left := copyKeys; k != nil && left > 0; k, v = cur.Next() {
					if err := target.Put(k, v); err != nil {
						return err
					}
					n += int64(len(k) + len(v))
					left--
				}
				more, next = k != nil, bytes.Clone(k)
				return nil
			})
			if err != nil {
				return err
			}
			c.copied(n)
		}
	}
	return c.db.Sync()
}

// catchUp copies again what was touched meanwhile, until that is little.
func (c *copier) catchUp() error {
	for range 10 {
		c.s.writing.Lock()
		touched := c.s.touched
		enough := len(touched) <= fewEnough
		if !enough {
			c.s.touched = map[capture.ID]bool{}
		}
		c.s.writing.Unlock()
		if enough {
			break
		}
		for id := range touched {
			if err := c.both(func(from, to *bolt.Tx) error { return again(from, to, id) }); err != nil {
				return err
			}
		}
	}
	return c.db.Sync()
}

// last makes both files the same. The caller holds writing.
func (c *copier) last() error {
	return c.both(func(from, to *bolt.Tx) error {
		for id := range c.s.touched {
			if err := again(from, to, id); err != nil {
				return err
			}
		}
		for _, name := range buckets {
			source := from.Bucket(name)
			if source == nil {
				continue
			}
			target := to.Bucket(name)
			if !bytes.Equal(name, bChunks) {
				if err := align(source, target); err != nil {
					return err
				}
			}
			if err := target.SetSequence(source.Sequence()); err != nil {
				return err
			}
		}
		return nil
	})
}

// align makes target hold what source holds.
func align(source, target *bolt.Bucket) error {
	type pair struct{ k, v []byte }
	var put []pair
	var drop [][]byte
	a, b := source.Cursor(), target.Cursor()
	ak, av := a.First()
	bk, bv := b.First()
	for ak != nil || bk != nil {
		order := bytes.Compare(ak, bk)
		switch {
		case bk == nil || ak != nil && order < 0:
			put = append(put, pair{ak, av})
			ak, av = a.Next()
		case ak == nil || order > 0:
			drop = append(drop, bytes.Clone(bk))
			bk, bv = b.Next()
		default:
			if !bytes.Equal(av, bv) {
				put = append(put, pair{ak, av})
			}
			ak, av = a.Next()
			bk, bv = b.Next()
		}
	}
	for _, k := range drop {
		if err := target.Delete(k); err != nil {
			return err
		}
	}
	for _, p := range put {
		if err := target.Put(p.k, p.v); err != nil {
			return err
		}
	}
	return nil
}
