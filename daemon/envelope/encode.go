package envelope

import (
	"encoding/binary"
	"math"
)

// ContentType of an encoded envelope.
const ContentType = "application/vnd.faultkeep.envelope"

// headSize is the length of the header, shareSize of what is said of a channel.
const (
	headSize  = 32
	shareSize = 16
)

// Append writes the envelope, little-endian:
//
//	 0  4 bytes   "FKEN"
//	 4  uint16    version of the layout, 1
//	 6  uint16    0: columns, 1: samples
//	 8  uint32    n, channels
//	12  uint32    m, columns or samples
//	16  float64   from, seconds from the trigger
//	24  float64   to
//
// then for each channel 16 bytes:
//
//	0  uint32    its index in the capture
//	4  uint32    0: numbers, 1: words of bits
//	8  float64   base, which is to be added to its numbers
//
// then for samples m float64, their times in seconds from the trigger; then for
// each channel, in the same order, m pairs. Of numbers a pair is two float32,
// least and greatest less base; both NaN: there is no value. Of words it is two
// uint32, the bits set in all words and those set in any; a bit in the first
// that isn't in the second: there is no word. Bits beyond the 32nd aren't told.
//
// The base is the middle of the numbers shown, so that float32 resolves 1/16
// million of their range however far from zero they lie.
func (e Envelope) Append(b []byte) []byte {
	m, form := e.Columns, uint16(0)
	if e.Columns == 0 {
		m, form = len(e.Times), 1
	}
	le := binary.LittleEndian
	b = append(b, "FKEN"...)
	b = le.AppendUint16(b, 1)
	b = le.AppendUint16(b, form)
	b = le.AppendUint32(b, uint32(len(e.Curves)))
	b = le.AppendUint32(b, uint32(m))
	b = le.AppendUint64(b, math.Float64bits(e.From))
	b = le.AppendUint64(b, math.Float64bits(e.To))
	bases := make([]float64, len(e.Curves))
	for i, c := range e.Curves {
		what := uint32(0)
		if c.Words != nil {
			what = 1
		} else {
			bases[i] = middle(c.Ranges)
		}
		b = le.AppendUint32(b, uint32(c.Channel))
		b = le.AppendUint32(b, what)
		b = le.AppendUint64(b, math.Float64bits(bases[i]))
	}
	for _, t := range e.Times {
		b = le.AppendUint64(b, math.Float64bits(t))
	}
	for i, c := range e.Curves {
		for _, w := range c.Words {
			if w.Empty() {
				w = noWord
			}
			b = le.AppendUint32(b, uint32(w.All))
			b = le.AppendUint32(b, uint32(w.Any))
		}
		for _, r := range c.Ranges {
			if r.Empty() {
				r = Range{math.NaN(), math.NaN()}
			}
			b = le.AppendUint32(b, math.Float32bits(single(r.Low-bases[i])))
			b = le.AppendUint32(b, math.Float32bits(single(r.High-bases[i])))
		}
	}
	return b
}

// Size of the encoded envelope in bytes.
func (e Envelope) Size() int {
	m := max(e.Columns, len(e.Times))
	return headSize + len(e.Curves)*(shareSize+8*m) + 8*len(e.Times)
}

// middle of all that is finite.
func middle(ranges []Range) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range ranges {
		if r.Low < low && !math.IsInf(r.Low, 0) {
			low = r.Low
		}
		if r.High > high && !math.IsInf(r.High, 0) {
			high = r.High
		}
	}
	if low > high {
		return 0
	}
	return low/2 + high/2
}

// single is the nearest float32; what is finite stays so.
func single(x float64) float32 {
	if math.Abs(x) > math.MaxFloat32 && !math.IsInf(x, 0) {
		return float32(math.Copysign(math.MaxFloat32, x))
	}
	return float32(x)
}
