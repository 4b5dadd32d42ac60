package capture

import (
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"fmt"
	"strings"
	"time"
)

// ID names a capture: trigger time in UTC, drive, and four characters that
// tell two captures of one drive in one second apart. IDs sort by time and
// any unique prefix names the capture.
//
//	20261125-031207-bucket-elevator-k3fq
type ID string

// NewID makes the ID of a recording. The same drive, time and identity give
// the same ID, so that keeping one recording twice can't make two captures.
func NewID(at time.Time, drive, identity string) ID {
	at = at.UTC()
	sum := sha256.Sum256([]byte(drive + "\x00" + identity + "\x00" + at.Format(time.RFC3339Nano)))
	tail := strings.ToLower(base32.StdEncoding.EncodeToString(sum[:]))[:4]
	return ID(fmt.Sprintf("%s-%s-%s", at.Format("20060102-150405"), Slug(drive), tail))
}

// traceEnd ends the ID of a trace.
const traceEnd = "-trace"

// TraceID is the ID of the trace that belongs to a capture.
func (id ID) TraceID() ID { return id + traceEnd }

// Trace tells whether the ID is a trace's; of is then the ID that the capture
// of the same trip has, if there is one.
func (id ID) Trace() (of ID, ok bool) {
	before, ok := strings.CutSuffix(string(id), traceEnd)
	return ID(before), ok
}

// ContentIdentity is the identity of recording n, from 1, of the of recordings
// in files whose content has the given SHA-256.
func ContentIdentity(hash string, n, of int) string {
	if of == 1 {
		return contentStart + hash
	}
	return fmt.Sprintf("%s%s %d/%d", contentStart, hash, n, of)
}

const contentStart = "sha256:"

// ParseContentIdentity is the reverse; ok is false for an identity of another kind.
func ParseContentIdentity(identity string) (hash string, n, of int, ok bool) {
	rest, ok := strings.CutPrefix(identity, contentStart)
	if !ok {
		return "", 0, 0, false
	}
	hash, count, several := strings.Cut(rest, " ")
	n, of = 1, 1
	if several {
		if _, err := fmt.Sscanf(count, "%d/%d", &n, &of); err != nil || n < 1 || n > of {
			return "", 0, 0, false
		}
	}
	if b, err := hex.DecodeString(hash); err != nil || len(b) != sha256.Size {
		return "", 0, 0, false
	}
	return hash, n, of, true
}

// unreadEnd ends the ID of files that couldn't be read.
const unreadEnd = "-unread"

// Unread is the ID made into one of files that couldn't be read.
func (id ID) Unread() ID { return id + unreadEnd }

// IsUnread tells whether the ID is one of files that couldn't be read.
func (id ID) IsUnread() bool { return strings.HasSuffix(string(id), unreadEnd) }

// Slug turns a name into lower-case letters, digits and hyphens, at most 40.
func Slug(name string) string {
	var b strings.Builder
	gap := false
	for _, r := range strings.ToLower(name) {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			gap = gap && b.Len() > 0
			if b.Len() == 40 || gap && b.Len() >= 39 {
				break
			}
			if gap {
				b.WriteByte('-')
			}
			gap = false
			b.WriteRune(r)
		} else {
			gap = true
		}
	}
	if b.Len() == 0 {
		return "drive"
	}
	return b.String()
}
