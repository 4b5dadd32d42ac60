package capture

import (
	"crypto/sha256"
	"encoding/base32"
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
