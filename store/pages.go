package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
	"time"
)

// A walker looks through bbolt's page structure by reading the file, never
// through its memory map: a page number gone wild is an error here and a
// fault there, and bbolt's own Check runs where no fault can be caught.
//
// It checks what bbolt's Check does: every page reachable once, in bounds, of
// the right kind, keys in order, and either reachable or free.
type walker struct {
	r        io.ReaderAt
	meta     meta
	seen     []uint64    // a bit a page
	free     []uint64    // a bit a page
	deadline time.Time   // zero: none
	report   func(error) // told of each thing wrong; the walk goes on
}

const (
	pageHeader  = 16
	pageElement = 16

	flagBranch   = 0x01
	flagLeaf     = 0x02
	flagMeta     = 0x04
	flagFreelist = 0x10

	deepest       = 64
	longestKey    = 32768   // bbolt's MaxKeySize
	biggestBucket = 1 << 20 // a bucket inside a page; bbolt's limit is a quarter of a page
)

var native = binary.NativeEndian

var errLate = errors.New("out of time")

// quick walks everything but the insides of the chunks, as far as time allows,
// and returns the first thing wrong.
func (w *walker) quick() (err error) {
	var first error
	w.report = func(err error) {
		if first == nil {
			first = err
		}
	}
	w.freelist()
	err = w.bucket(w.meta.root, nil, func(path []string) bool {
		return len(path) < 2 || path[0] != string(bChunks)
	}, 0)
	if first != nil {
		return first
	}
	if err != nil && !errors.Is(err, errLate) {
		return err
	}
	return nil
}

// full walks everything.
func (w *walker) full(report func(error)) {
	w.report = report
	for id := range uint64(2) { // the two meta pages; their content was checked when one was chosen
		var head [pageHeader]byte
		if _, err := w.r.ReadAt(head[:], int64(id)*w.meta.pageSize); err != nil || native.Uint64(head[:]) != id || native.Uint16(head[8:]) != flagMeta {
			report(damagef("page %d holds something else", id))
		}
		w.mark(id, 0, "")
	}
	w.freelist()
	if err := w.bucket(w.meta.root, nil, func([]string) bool { return true }, 0); err != nil {
		report(err)
		return
	}
	lost := 0
	for id := uint64(0); id < w.meta.high; id++ {
		seen, free := bit(w.seen, id), bit(w.free, id)
		if seen && free {
			report(damagef("page %d is in use and listed as free", id))
		}
		if !seen && !free {
			lost++
		}
	}
	if lost > 0 {
		report(damagef("%d pages are neither in use nor listed as free", lost))
	}
}

// freeCount is the number of pages that freelist found.
func (w *walker) freeCount() (n int64) {
	for _, set := range w.free {
		n += int64(bits.OnesCount64(set))
	}
	return n
}

func bit(set []uint64, id uint64) bool { return set[id/64]&(1<<(id%64)) != 0 }

// mark notes a page and its overflow as reachable.
func (w *walker) mark(id, overflow uint64, where string) bool {
	if id+overflow < id || id+overflow >= w.meta.high {
		w.report(damagef("page %d%s runs beyond the end", id, where))
		return false
	}
	for p := id; p <= id+overflow; p++ {
		if bit(w.seen, p) {
			w.report(damagef("page %d%s is used twice", p, where))
			return false
		}
		w.seen[p/64] |= 1 << (p % 64)
	}
	return true
}

func (w *walker) freelist() {
	p, err := w.read(w.meta.freelist)
	if err == nil && p.flags != flagFreelist {
		err = damagef("the list of free pages isn't where it should be")
	}
	if err != nil {
		w.report(err)
		return
	}
	if !w.mark(w.meta.freelist, p.overflow, " of the free list") {
		return
	}
	n, at := uint64(p.count), int64(pageHeader)
	if n == 0xffff {
		b, err := p.bytes(at, 8)
		if err != nil {
			w.report(err)
			return
		}
		n, at = native.Uint64(b), at+8
	}
	if n > w.meta.high {
		w.report(damagef("the list of free pages is longer than the file"))
		return
	}
	ids, err := p.bytes(at, int64(8*n))
	if err != nil {
		w.report(err)
		return
	}
	for ; len(ids) > 0; ids = ids[8:] {
		id := native.Uint64(ids)
		if id < 2 || id >= w.meta.high || bit(w.free, id) {
			w.report(damagef("the list of free pages names page %d wrongly", id))
			return
		}
		w.free[id/64] |= 1 << (id % 64)
	}
}

// pageAt is one page being looked at.
type pageAt struct {
	w        *walker
	id       uint64
	flags    uint16
	count    uint16
	overflow uint64
	buf      []byte // its first bytes
}

func (w *walker) read(id uint64) (*pageAt, error) {
	if !w.deadline.IsZero() && time.Now().After(w.deadline) {
		return nil, errLate
	}
	if id < 2 || id >= w.meta.high {
		return nil, damagef("page %d is pointed to and isn't there", id)
	}
	p := &pageAt{w: w, id: id, buf: make([]byte, w.meta.pageSize)}
	if _, err := w.r.ReadAt(p.buf, int64(id)*w.meta.pageSize); err != nil {
		return nil, fmt.Errorf("page %d can't be read: %w", id, err)
	}
	p.flags, p.count, p.overflow = native.Uint16(p.buf[8:]), native.Uint16(p.buf[10:]), uint64(native.Uint32(p.buf[12:]))
	if native.Uint64(p.buf) != id {
		return nil, damagef("page %d holds something else", id)
	}
	if id+p.overflow >= w.meta.high {
		return nil, damagef("page %d runs beyond the end", id)
	}
	return p, nil
}

func (p *pageAt) size() int64 { return int64(p.overflow+1) * p.w.meta.pageSize }

// bytes of the page, checked against its size.
func (p *pageAt) bytes(at, n int64) ([]byte, error) {
	if at < 0 || n < 0 || at > p.size() || n > p.size()-at {
		return nil, damagef("page %d points outside itself", p.id)
	}
	if at+n <= int64(len(p.buf)) {
		return p.buf[at : at+n], nil
	}
	b := make([]byte, n)
	if _, err := p.w.r.ReadAt(b, int64(p.id)*p.w.meta.pageSize+at); err != nil {
		return nil, fmt.Errorf("page %d can't be read: %w", p.id, err)
	}
	return b, nil
}

// bucket walks the pages of a bucket and of those in it.
func (w *walker) bucket(root uint64, path []string, into func([]string) bool, depth int) error {
	_, err := w.tree(root, nil, path, into, depth)
	return err
}

// tree walks a page and those below; keys must not be below low. It returns
// the highest key found.
func (w *walker) tree(id uint64, low []byte, path []string, into func([]string) bool, depth int) (high []byte, err error) {
	if depth > deepest {
		return nil, damagef("page %d is nested too deeply", id)
	}
	where := within(path)
	p, err := w.read(id)
	if err != nil {
		if errors.Is(err, errLate) {
			return nil, err
		}
		w.report(fmt.Errorf("%w%s", err, where))
		return low, nil
	}
	if p.flags != flagBranch && p.flags != flagLeaf {
		w.report(damagef("page %d%s is of kind %#x", id, where, p.flags))
		return low, nil
	}
	if !w.mark(id, p.overflow, where) {
		return low, nil
	}
	elements, err := p.bytes(pageHeader, int64(p.count)*pageElement)
	if err != nil {
		w.report(fmt.Errorf("%w%s", err, where))
		return low, nil
	}
	high = low
	for i := range int(p.count) {
		e := elements[i*pageElement:]
		at := int64(pageHeader + i*pageElement)
		if p.flags == flagBranch {
			if native.Uint32(e[4:]) > longestKey {
				w.report(damagef("the keys of page %d%s are out of order", id, where))
				return high, nil
			}
			key, err := p.bytes(at+int64(native.Uint32(e)), int64(native.Uint32(e[4:])))
			if err != nil || i > 0 && bytes.Compare(key, high) <= 0 || i == 0 && bytes.Compare(key, high) < 0 {
				w.report(damagef("the keys of page %d%s are out of order", id, where))
				return high, nil
			}
			if high, err = w.tree(native.Uint64(e[8:]), key, path, into, depth+1); err != nil {
				return nil, err
			}
			continue
		}
		key, value, err := leaf(p.bytes, at, e)
		if err != nil || len(key) == 0 || i > 0 && bytes.Compare(key, high) <= 0 || i == 0 && bytes.Compare(key, high) < 0 {
			w.report(damagef("the keys of page %d%s are out of order or outside it", id, where))
			return high, nil
		}
		high = bytes.Clone(key)
		isBucket, mayBe := native.Uint32(e) == 1, len(path) == 0 || len(path) == 1 && path[0] == string(bChunks)
		if isBucket != mayBe || native.Uint32(e) > 1 { // bbolt refuses to write to it or to delete it
			w.report(damagef("the entry %q of page %d%s is of the wrong kind", key, id, where))
			continue
		}
		if !isBucket {
			continue
		}
		inner := append(path[:len(path):len(path)], string(key))
		if err := w.sub(value, inner, into, depth); err != nil {
			return nil, err
		}
	}
	return high, nil
}

// leaf gives key and value of a leaf's element. The value of a plain entry is
// only checked to lie inside the page.
func leaf(read func(at, n int64) ([]byte, error), at int64, e []byte) (key, value []byte, err error) {
	pos, ksize, vsize := int64(native.Uint32(e[4:])), int64(native.Uint32(e[8:])), int64(native.Uint32(e[12:]))
	if ksize > longestKey {
		return nil, nil, ErrDamaged
	}
	if key, err = read(at+pos, ksize); err != nil {
		return nil, nil, err
	}
	if native.Uint32(e)&1 == 0 {
		if vsize > 0 {
			_, err = read(at+pos+ksize+vsize-1, 1)
		}
		return key, nil, err
	}
	if vsize > biggestBucket {
		return nil, nil, ErrDamaged
	}
	value, err = read(at+pos+ksize, vsize)
	return key, value, err
}

// sub walks a bucket in a bucket: a root page, or pages' content inline.
func (w *walker) sub(value []byte, path []string, into func([]string) bool, depth int) error {
	where := within(path)
	if len(value) < 16 {
		w.report(damagef("a bucket%s is cut short", where))
		return nil
	}
	if root := native.Uint64(value); root != 0 {
		if !into(path) {
			if root < 2 || root >= w.meta.high {
				w.report(damagef("page %d%s is pointed to and isn't there", root, where))
			}
			return nil
		}
		return w.bucket(root, path, into, depth+1)
	}
	in := value[16:]
	read := func(at, n int64) ([]byte, error) {
		if at < 0 || n < 0 || at > int64(len(in)) || n > int64(len(in))-at {
			return nil, ErrDamaged
		}
		return in[at : at+n], nil
	}
	head, err := read(0, pageHeader)
	if err != nil || native.Uint16(head[8:]) != flagLeaf {
		w.report(damagef("a bucket%s is cut short", where))
		return nil
	}
	count := int64(native.Uint16(head[10:]))
	elements, err := read(pageHeader, count*pageElement)
	var last []byte
	for i := int64(0); err == nil && i < count; i++ {
		var key []byte
		key, _, err = leaf(read, pageHeader+i*pageElement, elements[i*pageElement:])
		if err == nil && (len(key) == 0 || i > 0 && bytes.Compare(key, last) <= 0 || native.Uint32(elements[i*pageElement:]) != 0) {
			err = ErrDamaged
		}
		last = key
	}
	if err != nil {
		w.report(damagef("the keys of a bucket%s are out of order or outside it", where))
	}
	return nil
}

// within says in words in which bucket a page is.
func within(path []string) string {
	if len(path) == 0 {
		return ""
	}
	if path[0] == string(bChunks) && len(path) > 1 {
		if id, _, err := parseBatchKey([]byte(path[1])); err == nil {
			return fmt.Sprintf(" (in the original bytes of %s)", id)
		}
	}
	return fmt.Sprintf(" (in %s)", path[0])
}
