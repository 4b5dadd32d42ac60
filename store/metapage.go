package store

import (
	"hash/fnv"
	"io"
)

// meta is one of bbolt's two meta pages: where everything begins.
type meta struct {
	pageSize             int64
	root, freelist, high uint64 // high: first page beyond the used ones
	txid                 uint64
}

const (
	metaSize    = 64
	boltMagic   = 0xED0CDAED
	boltVersion = 2
)

// walkFile finds the newest valid meta page and checks that the file is as
// long as it says.
func walkFile(r io.ReaderAt, size int64) (*walker, error) {
	m, err := newestMeta(r, size)
	if err != nil {
		return nil, err
	}
	return walkFrom(r, size, m)
}

func walkFrom(r io.ReaderAt, size int64, m meta) (*walker, error) {
	if need := int64(m.high) * m.pageSize; need > size {
		return nil, damagef("it was cut short: it has %d bytes and needs %d", size, need)
	}
	if m.root >= m.high || m.freelist >= m.high || m.root < 2 || m.freelist < 2 {
		return nil, damagef("its first page points outside the file")
	}
	n := m.high/64 + 1
	return &walker{r: r, meta: m, seen: make([]uint64, n), free: make([]uint64, n)}, nil
}

func newestMeta(r io.ReaderAt, size int64) (meta, error) {
	first, err := metaAt(r, 0)
	if err == nil {
		if second, err := metaAt(r, first.pageSize); err == nil && second.txid > first.txid {
			return second, nil
		}
		return first, nil
	}
	for at := int64(1024); at <= 16<<20 && at < size; at *= 2 {
		if second, err := metaAt(r, at); err == nil && second.pageSize == at {
			return second, nil
		}
	}
	return meta{}, damagef("it isn't a store file, or its beginning is destroyed")
}

func metaAt(r io.ReaderAt, at int64) (meta, error) {
	var buf [pageHeader + metaSize]byte
	if _, err := r.ReadAt(buf[:], at); err != nil {
		return meta{}, err
	}
	b := buf[pageHeader:]
	h := fnv.New64a()
	h.Write(b[:56])
	m := meta{
		pageSize: int64(native.Uint32(b[8:])),
		root:     native.Uint64(b[16:]),
		freelist: native.Uint64(b[32:]),
		high:     native.Uint64(b[40:]),
		txid:     native.Uint64(b[48:]),
	}
	ok := native.Uint32(b) == boltMagic && native.Uint32(b[4:]) == boltVersion && native.Uint64(b[56:]) == h.Sum64() &&
		m.pageSize >= 512 && m.pageSize <= 16<<20 && m.pageSize&(m.pageSize-1) == 0 && m.high <= 1<<40
	if !ok {
		return meta{}, ErrDamaged
	}
	return m, nil
}
