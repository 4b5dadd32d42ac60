package store

import (
	"bytes"
	"fmt"
	"sort"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// biggest is the most bytes a stored chunk has, so that reading a few bytes
// needn't check megabytes.
const biggest = 256 << 10

// run is one stored chunk.
type run struct {
	part  string
	start int64
	size  int
	batch uint32
}

func (r run) end() int64 { return r.start + int64(r.size) }

// runsOf lists the stored chunks of a draft or capture by part and offset. No
// byte of them is read.
func runsOf(tx *bolt.Tx, id capture.ID) ([]run, error) {
	var runs []run
	chunks := tx.Bucket(bChunks)
	prefix := batchPrefix(id)
	c := chunks.Cursor()
	for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
		_, batch, err := parseBatchKey(k)
		if err != nil {
			return nil, err
		}
		b := chunks.Bucket(k)
		if v != nil || b == nil {
			return nil, damagef("%q isn't a bucket", k)
		}
		err = b.ForEach(func(k, v []byte) error {
			if bytes.Equal(k, kHeader) {
				return nil
			}
			part, at, err := parseChunkKey(k)
			if err == nil && len(v) < 5 {
				err = damagef("chunk %q is cut short", k)
			}
			runs = append(runs, run{part, at, len(v) - 4, batch})
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	sortRuns(runs)
	for i := 1; i < len(runs); i++ {
		if runs[i].part == runs[i-1].part && runs[i].start < runs[i-1].end() {
			return nil, damagef("chunks of part %q overlap at byte %d", runs[i].part, runs[i].start)
		}
	}
	return runs, nil
}

func sortRuns(runs []run) {
	sort.Slice(runs, func(i, j int) bool {
		a, b := runs[i], runs[j]
		if a.part != b.part {
			return a.part < b.part
		}
		return a.start < b.start
	})
}

// bytesOf is a stored chunk, checked; it lies in the memory map.
func bytesOf(tx *bolt.Tx, id capture.ID, r run) ([]byte, error) {
	b := tx.Bucket(bChunks).Bucket(batchKey(id, r.batch))
	if b == nil {
		return nil, damagef("chunk batch %d is missing", r.batch)
	}
	key := chunkKey(r.part, r.start)
	v := b.Get(key)
	if len(v) != r.size+4 {
		return nil, damagef("the chunk at byte %d of part %q is missing", r.start, r.part)
	}
	data, err := opened(chunkPlace(id, key), v)
	if err != nil {
		return nil, damagef("the chunk at byte %d of part %q doesn't match its checksum", r.start, r.part)
	}
	return data, nil
}

// rangesOf joins the runs of one part to ascending ranges.
func rangesOf(runs []run, part string) []capture.Range {
	var out []capture.Range
	for _, r := range runs {
		if r.part != part {
			continue
		}
		if n := len(out); n > 0 && out[n-1].End == r.start {
			out[n-1].End = r.end()
			continue
		}
		out = append(out, capture.Range{Start: r.start, End: r.end()})
	}
	return out
}

// merge sorts chunks and joins those that touch or overlap. Bytes that
// contradict each other are refused. The result shares no memory with chunks
// where it had to join them, and may share it otherwise.
func merge(chunks []capture.Chunk) ([]capture.Chunk, error) {
	in := make([]capture.Chunk, 0, len(chunks))
	for _, c := range chunks {
		if c.Part == "" {
			c.Part = capture.Data
		}
		if err := checkName("part", c.Part); err != nil {
			return nil, err
		}
		if c.Offset < 0 || c.Offset > mostBytes-int64(len(c.Bytes)) {
			return nil, fmt.Errorf("a chunk of part %q lies at byte %d", c.Part, c.Offset)
		}
		if len(c.Bytes) > 0 {
			in = append(in, c)
		}
	}
	sort.SliceStable(in, func(i, j int) bool {
		if in[i].Part != in[j].Part {
			return in[i].Part < in[j].Part
		}
		return in[i].Offset < in[j].Offset
	})
	var out []capture.Chunk
	owned := false // whether the last of out may be appended to
	for _, c := range in {
		if n := len(out); n > 0 && out[n-1].Part == c.Part {
			last := &out[n-1]
			if end := last.Offset + int64(len(last.Bytes)); c.Offset <= end {
				common := min(end-c.Offset, int64(len(c.Bytes)))
				at := c.Offset - last.Offset
				if !bytes.Equal(last.Bytes[at:at+common], c.Bytes[:common]) {
					return nil, mixed(c.Part, c.Offset, common)
				}
				if rest := c.Bytes[common:]; len(rest) > 0 {
					if !owned {
						last.Bytes = append(make([]byte, 0, 2*(len(last.Bytes)+len(rest))), last.Bytes...)
						owned = true
					}
					last.Bytes = append(last.Bytes, rest...)
				}
				continue
			}
		}
		out, owned = append(out, c), false
	}
	return out, nil
}

func mixed(part string, offset, n int64) error {
	return fmt.Errorf("bytes %d–%d of part %q: %w", offset, offset+n-1, part, ErrMixed)
}

// nextBatch is the number of a draft's next batch.
func nextBatch(have []run) (number uint32) {
	for _, r := range have {
		number = max(number, r.batch+1)
	}
	return number
}

// add stores what of the merged chunks isn't stored yet in the batch of that
// number, and returns the runs it made. Where a chunk overlaps stored bytes
// they must be equal.
func add(tx *bolt.Tx, id capture.ID, number uint32, have []run, chunks []capture.Chunk) ([]run, error) {
	var batch *bolt.Bucket
	var made []run
	put := func(part string, offset int64, b []byte) error {
		for len(b) > 0 {
			if batch == nil {
				var err error
				if batch, err = tx.Bucket(bChunks).CreateBucketIfNotExists(batchKey(id, number)); err != nil {
					return err
				}
			}
			n := min(len(b), biggest)
			key := chunkKey(part, offset)
			if err := batch.Put(key, sealBytes(chunkPlace(id, key), b[:n])); err != nil {
				return err
			}
			made = append(made, run{part, offset, n, number})
			offset, b = offset+int64(n), b[n:]
		}
		return nil
	}
	for _, c := range chunks {
		at, rest := c.Offset, c.Bytes
		first := sort.Search(len(have), func(i int) bool {
			return have[i].part > c.Part || have[i].part == c.Part && have[i].end() > c.Offset
		})
		for _, r := range have[first:] {
			end := at + int64(len(rest))
			if r.part != c.Part || r.start >= end || len(rest) == 0 {
				break
			}
			if r.start > at {
				n := r.start - at
				if err := put(c.Part, at, rest[:n]); err != nil {
					return nil, err
				}
				at, rest = r.start, rest[n:]
			}
			stored, err := bytesOf(tx, id, r)
			if err != nil {
				return nil, err
			}
			stored = stored[at-r.start:]
			n := min(len(stored), len(rest))
			if !bytes.Equal(stored[:n], rest[:n]) {
				return nil, mixed(c.Part, at, int64(n))
			}
			at, rest = at+int64(n), rest[n:]
		}
		if err := put(c.Part, at, rest); err != nil {
			return nil, err
		}
	}
	return made, nil
}

// removeChunks deletes every chunk of a draft or capture.
func removeChunks(tx *bolt.Tx, id capture.ID) error {
	chunks := tx.Bucket(bChunks)
	prefix := batchPrefix(id)
	var keys [][]byte
	c := chunks.Cursor()
	for k, _ := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, _ = c.Next() {
		keys = append(keys, bytes.Clone(k))
	}
	for _, k := range keys {
		if err := chunks.DeleteBucket(k); err != nil {
			return err
		}
	}
	return nil
}
