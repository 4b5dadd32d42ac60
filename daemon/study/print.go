package study

import (
	"encoding/binary"
	"errors"
	"math"

	"faultkeep/daemon/analysis/likeness"
)

// printed is how a capture's picture is stored: the family first, since lists
// ask for nothing else. A store may hold ten thousand of one kind, and all are
// looked at to place another, so it is bytes and not JSON.
type printed struct {
	Family string
	likeness.Print
}

func (p printed) pack() []byte {
	b := text(nil, p.Family)
	b = append(b, byte(p.Version), byte(p.From), byte(p.To))
	b = binary.BigEndian.AppendUint32(b, math.Float32bits(float32(p.Asked)))
	b = text(b, p.Why)
	if p.Version > 1 { // those of version 1 have none
		b = text(b, p.Cause)
	}
	b = binary.BigEndian.AppendUint16(b, uint16(len(p.Rows)))
	for _, r := range p.Rows {
		b = text(b, r)
	}
	return append(b, p.Cells...)
}

// text appends a text of up to 255 bytes after its length; what is longer is cut.
func text(b []byte, s string) []byte {
	s = s[:min(len(s), 255)]
	return append(append(b, byte(len(s))), s...)
}

var errPrint = errors.New("this isn't the picture of a capture")

// familyOf is the family of a packed print, without unpacking the rest.
func familyOf(b []byte) string {
	if len(b) == 0 || len(b) < 1+int(b[0]) {
		return ""
	}
	return string(b[1 : 1+int(b[0])])
}

// names are the rows' names met so far: thousands of prints have the same few.
type names map[string]string

func (n names) of(b []byte) string {
	if s, ok := n[string(b)]; ok {
		return s
	}
	n[string(b)] = string(b)
	return n[string(b)]
}

func unpack(b []byte, known names) (p printed, err error) {
	cut := func(n int) (out []byte) {
		if n > len(b) {
			err = errPrint
			return make([]byte, n)
		}
		out, b = b[:n], b[n:]
		return out
	}
	word := func() []byte { return cut(int(cut(1)[0])) }
	p.Family = string(word())
	head := cut(3)
	p.Version, p.From, p.To = int(head[0]), int(head[1]), int(head[2])
	p.Asked = float64(math.Float32frombits(binary.BigEndian.Uint32(cut(4))))
	p.Why = string(word())
	if p.Version > 1 {
		p.Cause = known.of(word())
	}
	for range binary.BigEndian.Uint16(cut(2)) {
		if err != nil {
			return p, err
		}
		p.Rows = append(p.Rows, known.of(word()))
	}
	p.Cells = b
	return p, err
}
