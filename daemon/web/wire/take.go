package wire

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"faultkeep/store/capture"
)

// Taker takes in what was read from files elsewhere.
type Taker interface {
	// Arrived tells what was kept of files whose content has this SHA-256, in hexadecimal.
	Arrived(ctx context.Context, hash string) (Arrival, error)
	// Take keeps a capture with all its bytes. It returns nil only when it is
	// durable and was read back; ErrKept where it is kept already.
	Take(ctx context.Context, c capture.Capture, chunks []capture.Chunk) (capture.Capture, error)
	// ReadNow takes files with this content off the list of unread ones.
	ReadNow(ctx context.Context, hash string) error
}

// Arrival is what was kept of a set of files.
type Arrival struct {
	IDs    map[int]capture.ID `json:"ids"` // by the number of the recording in the files, from 1
	Of     int                `json:"of"`  // recordings that the files hold; 0: nothing was kept
	Unread bool               `json:"unread,omitempty"`
}

// ErrKept is the error for a capture that is kept already.
var ErrKept = errors.New("kept already")

// MostTaken is the most bytes of one capture with all that is said of it.
const MostTaken = 1 << 30

// taken goes before the bytes of the chunks, after its own length in four
// bytes, big-endian.
type taken struct {
	Capture capture.Capture `json:"capture"`
	Chunks  []takenChunk    `json:"chunks"`
}

type takenChunk struct {
	Part string `json:"part"`
	Size int64  `json:"size"`
}

const mostSaid = 16 << 20 // bytes of taken

// TakeBody is the body that carries a capture, and its length. Chunks are
// whole parts, each from its beginning.
func TakeBody(c capture.Capture, chunks []capture.Chunk) (head []byte, size int64, err error) {
	t := taken{Capture: c}
	for _, chunk := range chunks {
		if chunk.Offset != 0 {
			return nil, 0, fmt.Errorf("part %q doesn't begin at its beginning", chunk.Part)
		}
		t.Chunks = append(t.Chunks, takenChunk{chunk.Part, int64(len(chunk.Bytes))})
		size += int64(len(chunk.Bytes))
	}
	b, err := json.Marshal(t)
	if err != nil {
		return nil, 0, err
	}
	head = binary.BigEndian.AppendUint32(nil, uint32(len(b)))
	head = append(head, b...)
	if size += int64(len(head)); size > MostTaken || len(b) > mostSaid {
		return nil, 0, fmt.Errorf("a capture of %d bytes is more than faultkeep takes", size)
	}
	return head, size, nil
}

// ReadTake reads what TakeBody and the chunks' bytes after it say. Nothing is
// allocated for more than comes.
func ReadTake(r io.Reader) (c capture.Capture, chunks []capture.Chunk, err error) {
	bad := func(text string) error { return Say(ErrRequest, "what was sent isn't a capture: "+text) }
	var length [4]byte
	if _, err := io.ReadFull(r, length[:]); err != nil {
		return c, nil, bad("it is cut off")
	}
	n := binary.BigEndian.Uint32(length[:])
	if n > mostSaid {
		return c, nil, bad("it says too much of itself")
	}
	var t taken
	head := io.LimitReader(r, int64(n))
	if err := json.NewDecoder(head).Decode(&t); err != nil {
		return c, nil, bad(err.Error())
	}
	if _, err := io.Copy(io.Discard, head); err != nil {
		return c, nil, bad("it is cut off")
	}
	total := int64(0)
	for _, chunk := range t.Chunks {
		if chunk.Size < 0 || chunk.Size > MostTaken || total+chunk.Size > MostTaken {
			return c, nil, bad("it is too large")
		}
		total += chunk.Size
		b, err := io.ReadAll(io.LimitReader(r, chunk.Size))
		if err != nil || int64(len(b)) != chunk.Size {
			return c, nil, bad("it is cut off")
		}
		chunks = append(chunks, capture.Chunk{Part: chunk.Part, Bytes: b})
	}
	if n, _ := io.ReadFull(r, length[:1]); n > 0 {
		return c, nil, bad("more follows than it says")
	}
	return t.Capture, chunks, nil
}

// CheckTaken tells what makes a capture one that isn't taken from elsewhere.
func CheckTaken(c capture.Capture) error {
	bad := func(text string, args ...any) error { return Say(ErrRequest, fmt.Sprintf(text, args...)) }
	if _, _, _, ok := capture.ParseContentIdentity(c.Provenance.Identity); !ok {
		return bad("its identity isn't that of a file's content")
	}
	switch c.Origin {
	case capture.Unread:
		if !c.ID.IsUnread() || c.Integrity.Whole || len(c.Channels) > 0 || len(c.Encoding.Channels) > 0 {
			return bad("it is marked unread, and says what only a recording that was read can say")
		}
		return nil
	case capture.Recorded:
	default:
		return bad("captures of origin %q can't be taken in", c.Origin)
	}
	if err := c.Encoding.Check(); err != nil {
		return bad("%v", err)
	}
	if len(c.Channels) != len(c.Encoding.Channels) || c.Timing.Samples != c.Encoding.Samples || c.Trigger.Index < 0 || c.Trigger.Index > c.Timing.Samples || c.ID.IsUnread() {
		return bad("what it says of its channels, samples and trigger doesn't fit together")
	}
	return nil
}
