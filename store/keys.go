package store

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"faultkeep/store/capture"
)

// Buckets. Keys of numbers and times are big-endian, so that they sort.
//
//	meta      schema, beat, stage, loans, aged, faults
//	drafts    ID → opening (capture.Capture)
//	index     ID → summary: the captures there are, and what a query needs to pass over one
//	chunks    ID\x00BATCH → bucket of PART\x00OFFSET → bytes; one bucket an Append,
//	          because bbolt rewrites a large value when a neighbour in its bucket changes.
//	          The last batch, which Keep writes, also holds the capture.Capture
//	ledger    TIME DRIVE\x00KIND → Entry
//	misses    TIME DRIVE → Miss
//	spells    LINE DRIVE\x00FROM → Spell; see line
//	outbox    SINK\x00SEQ → Message; the bucket's sequence numbers all messages
//	aside     SINK\x00SEQ → Message given up
//	counts    SINK → counts
//	visits    WHO → time
//	marks     ID → Marks, what people said of a capture
//	arrivals  SHA-256 of files' content, hex → Arrival
//	unread    ID → SHA-256 of the content, of files that couldn't be read so far
//	files     FOLDER\x00PATH → what became of that file, as the folder's watch notes it
//	studies   ID → what was found in a capture, see shelved
//	prints    GROUP\x00ID → the capture in the form in which it is compared
//	repairs   TIME DRIVE → Repair
//	remarks   ID → Remarks, what people wrote about a capture
//	briefs    TIME at which it was due → Brief, see shelvedBrief
//
// A draft becomes a capture by its ID moving from drafts to index; its chunks
// stay where they are. Every bucket that a commit touches costs it one or two
// pages somewhere in the file, so there are few.
var (
	bMeta   = []byte("meta")
	bDrafts = []byte("drafts")
	bIndex  = []byte("index")
	bChunks = []byte("chunks")
	bLedger = []byte("ledger")
	bMisses = []byte("misses")
	bSpells = []byte("spells")
	bOutbox = []byte("outbox")
	bAside  = []byte("aside")
	bCounts = []byte("counts")
	bVisits = []byte("visits")
	bMarks  = []byte("marks")

	bArrivals = []byte("arrivals")
	bUnread   = []byte("unread")
	bFiles    = []byte("files")
	bStudies  = []byte("studies")
	bPrints   = []byte("prints")
	bRepairs  = []byte("repairs")
	bRemarks  = []byte("remarks")
	bBriefs   = []byte("briefs")
	bTelling  = []byte("telling")

	buckets = [][]byte{bMeta, bDrafts, bIndex, bChunks, bLedger, bMisses, bSpells, bOutbox, bAside, bCounts, bVisits, bMarks,
		bArrivals, bUnread, bFiles, bStudies, bPrints, bRepairs, bRemarks, bBriefs, bTelling}
	since = map[string]int{string(bMarks): 2} // schema that brought a bucket, if not the first

	// added are buckets that came without a new schema: a store may lack them
	// until it is opened for writing.
	added = [][]byte{bArrivals, bUnread, bFiles, bStudies, bPrints, bRepairs, bRemarks, bBriefs, bTelling}

	kSchema = []byte("schema")
	kBeat   = []byte("beat")
	kStage  = []byte("stage")
	kLoans  = []byte("loans")
	kAged   = []byte("aged")
	kFaults = []byte("faults")
	kHeader = []byte{0} // in the last batch; sorts before every chunk
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sum is the CRC-32C of a value at its place, so that a value that strayed
// to another key is found out too.
func sum(place, value []byte) uint32 {
	return crc32.Update(crc32.Checksum(place, castagnoli), castagnoli, value)
}

// seal is v as JSON after its checksum.
func seal(key []byte, v any) ([]byte, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return sealBytes(key, b), nil
}

func sealBytes(place []byte, b []byte) []byte {
	out := make([]byte, 4, 4+len(b))
	binary.BigEndian.PutUint32(out, sum(place, b))
	return append(out, b...)
}

// opened is the value behind a checksum; it still lies in the memory map.
func opened(place, b []byte) ([]byte, error) {
	if len(b) < 4 {
		return nil, damagef("%q is cut short", place)
	}
	if binary.BigEndian.Uint32(b) != sum(place, b[4:]) {
		return nil, damagef("%q doesn't match its checksum", place)
	}
	return b[4:], nil
}

func unseal(key, b []byte, v any) error {
	b, err := opened(key, b)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, v); err != nil {
		return damagef("%q can't be read: %v", key, err)
	}
	return nil
}

// stamp is a time as a key: the year 1678 to 2262, in order.
func stamp(t time.Time) []byte {
	n := t.UnixNano()
	switch year := t.UTC().Year(); {
	case year < 1700:
		n = math.MinInt64
	case year > 2260:
		n = math.MaxInt64
	}
	return binary.BigEndian.AppendUint64(nil, uint64(n)^1<<63)
}

func unstamp(k []byte) time.Time {
	return time.Unix(0, int64(binary.BigEndian.Uint64(k)^1<<63)).UTC()
}

func messageKey(sink string, seq uint64) []byte {
	return binary.BigEndian.AppendUint64(joined(sink, ""), seq)
}

// joined is parts with a NUL between them.
func joined(parts ...string) []byte {
	var b []byte
	for i, p := range parts {
		if i > 0 {
			b = append(b, 0)
		}
		b = append(b, p...)
	}
	return b
}

func batchPrefix(id capture.ID) []byte { return append([]byte(id), 0) }

// lastBatch is the number of the batch that Keep writes.
const lastBatch = math.MaxUint32

func batchKey(id capture.ID, batch uint32) []byte {
	return binary.BigEndian.AppendUint32(batchPrefix(id), batch)
}

// parseBatchKey is the reverse of batchKey.
func parseBatchKey(k []byte) (id capture.ID, batch uint32, err error) {
	n := len(k) - 5
	if n < 1 || k[n] != 0 || bytes.IndexByte(k[:n], 0) >= 0 {
		return "", 0, damagef("chunk bucket %q has no proper name", k)
	}
	return capture.ID(k[:n]), binary.BigEndian.Uint32(k[n+1:]), nil
}

func chunkKey(part string, offset int64) []byte {
	return binary.BigEndian.AppendUint64(append([]byte(part), 0), uint64(offset))
}

// parseChunkKey is the reverse of chunkKey.
func parseChunkKey(k []byte) (part string, offset int64, err error) {
	n := len(k) - 9
	if n < 1 || k[n] != 0 || bytes.IndexByte(k[:n], 0) >= 0 {
		return "", 0, damagef("chunk %q has no proper name", k)
	}
	at := binary.BigEndian.Uint64(k[n+1:])
	if at > mostBytes {
		return "", 0, damagef("chunk %q lies at %d", k, at)
	}
	return string(k[:n]), int64(at), nil
}

// mostBytes bounds a part; far above any drive's memory or export file.
const mostBytes = 1 << 40

// chunkPlace is what a chunk's checksum covers beside its bytes.
func chunkPlace(id capture.ID, key []byte) []byte {
	return append(batchPrefix(id), key...)
}

// summary is what a query needs to know of a capture without decoding it.
type summary struct {
	Seq     uint64    // order of keeping
	Trigger time.Time //
	Code    uint32
	Whole   bool
	Shown   string
	Drive   string
}

func (s summary) pack() []byte {
	b := binary.BigEndian.AppendUint64(nil, s.Seq)
	b = append(b, stamp(s.Trigger)...)
	b = binary.BigEndian.AppendUint32(b, s.Code)
	var whole byte
	if s.Whole {
		whole = 1
	}
	b = append(b, whole)
	b = append(b, s.Shown...)
	b = append(b, 0)
	return append(b, s.Drive...)
}

func parseSummary(b []byte) (summary, error) {
	if len(b) < 22 || b[20] > 1 {
		return summary{}, damagef("an index entry is cut short")
	}
	n := bytes.IndexByte(b[21:], 0)
	if n < 0 {
		return summary{}, damagef("an index entry is cut short")
	}
	sm := summary{
		Seq:     binary.BigEndian.Uint64(b),
		Trigger: unstamp(b[8:16]),
		Code:    binary.BigEndian.Uint32(b[16:]),
		Whole:   b[20] == 1,
		Shown:   string(b[21 : 21+n]),
		Drive:   string(b[21+n+1:]),
	}
	if !bytes.Equal(sm.pack(), b) { // a time that no clock shows
		return summary{}, damagef("an index entry is damaged")
	}
	return sm, nil
}

func summaryOf(c capture.Capture, seq uint64) summary {
	return summary{Seq: seq, Trigger: c.Trigger.Time, Code: c.Fault.Code, Whole: c.Integrity.Whole, Shown: c.Fault.Shown, Drive: c.Drive}
}

func checkName(what, name string) error {
	if name == "" || len(name) > 200 || bytes.IndexByte([]byte(name), 0) >= 0 {
		return fmt.Errorf("%s %q can't be stored: it must have 1 to 200 characters, none of them NUL", what, name)
	}
	return nil
}
