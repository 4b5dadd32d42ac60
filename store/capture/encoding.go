package capture

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// Encoding tells how the bytes of part Data become samples. Registers are
// big-endian 16-bit words in the order in which they were read.
type Encoding struct {
	Order    Order    `json:"order"`
	Channels []Coding `json:"channels"`
	Samples  int      `json:"samples"` // per channel
}

// Order says how channels lie in the data.
type Order string

// The orders.
const (
	ByChannel   Order = "by-channel"  // all samples of channel 1, then of channel 2, …
	Interleaved Order = "interleaved" // one sample of every channel, then the next
)

// Coding tells how one channel's samples are written.
// value = scale × number + offset.
type Coding struct {
	Type     Type    `json:"type"`
	LowFirst bool    `json:"low_first,omitempty"` // words of a wide number: lowest first
	Scale    float64 `json:"scale"`
	Offset   float64 `json:"offset,omitempty"`
}

// Scaled is scale × number. A scale of one tenth, one hundredth and the like is
// no binary fraction: dividing gives the nearest number to what the drive means,
// 17.4 and not 17.400000000000002.
func Scaled(number, scale float64) float64 {
	if inverse := 1 / scale; inverse >= 2 && inverse == math.Trunc(inverse) {
		return number / inverse
	}
	return number * scale
}

// Type is a number type made of 16-bit registers.
type Type string

// The number types. Eight-bit types take the low byte of one register.
const (
	Int8    Type = "int8"
	Uint8   Type = "uint8"
	Int16   Type = "int16"
	Uint16  Type = "uint16"
	Int32   Type = "int32"
	Uint32  Type = "uint32"
	Int64   Type = "int64"
	Uint64  Type = "uint64"
	Float32 Type = "float32"
	Float64 Type = "float64"
)

// Types in order, for checking a map.
var Types = []Type{Int8, Uint8, Int16, Uint16, Int32, Uint32, Int64, Uint64, Float32, Float64}

// Words is the number of 16-bit registers the type takes, 0 if unknown.
func (t Type) Words() int {
	switch t {
	case Int8, Uint8, Int16, Uint16:
		return 1
	case Int32, Uint32, Float32:
		return 2
	case Int64, Uint64, Float64:
		return 4
	}
	return 0
}

// Number decodes one number from Words() big-endian registers.
// 64-bit integers beyond 2^53 lose their lowest bits, as any float64 does.
func (t Type) Number(regs []byte, lowFirst bool) float64 {
	bits := t.Bits(regs, lowFirst)
	switch t {
	case Int8:
		return float64(int8(bits))
	case Uint8:
		return float64(uint8(bits))
	case Int16:
		return float64(int16(bits))
	case Uint16:
		return float64(uint16(bits))
	case Int32:
		return float64(int32(bits))
	case Int64:
		return float64(int64(bits))
	case Float32:
		return float64(math.Float32frombits(uint32(bits)))
	case Float64:
		return math.Float64frombits(bits)
	}
	return float64(bits)
}

// Bits is the number's bit pattern, right-aligned.
func (t Type) Bits(regs []byte, lowFirst bool) uint64 {
	n := t.Words()
	var bits uint64
	for i := range n {
		word := i
		if lowFirst {
			word = n - 1 - i
		}
		bits = bits<<16 | uint64(binary.BigEndian.Uint16(regs[2*word:]))
	}
	return bits
}

// Size of the whole data in bytes.
func (e Encoding) Size() int64 { return e.frame() * int64(e.Samples) }

// frame is the size in bytes of one sample of every channel.
func (e Encoding) frame() int64 {
	var n int64
	for _, c := range e.Channels {
		n += int64(2 * c.Type.Words())
	}
	return n
}

// place gives offset of a channel's first sample and distance between its samples.
func (e Encoding) place(channel int) (start, stride int64) {
	for _, c := range e.Channels[:channel] {
		width := int64(2 * c.Type.Words())
		if e.Order == ByChannel {
			width *= int64(e.Samples)
		}
		start += width
	}
	if e.Order == Interleaved {
		return start, e.frame()
	}
	return start, int64(2 * e.Channels[channel].Type.Words())
}

// At is the byte range of one sample of one channel.
func (e Encoding) At(channel, sample int) Range {
	start, stride := e.place(channel)
	start += int64(sample) * stride
	return Range{start, start + int64(2*e.Channels[channel].Type.Words())}
}

// Check says what makes the encoding unusable, or nil.
func (e Encoding) Check() error {
	if e.Order != ByChannel && e.Order != Interleaved {
		return fmt.Errorf("order %q is neither %s nor %s", e.Order, ByChannel, Interleaved)
	}
	if len(e.Channels) == 0 || e.Samples <= 0 {
		return errors.New("the recording has no channels or no samples")
	}
	const most = 1 << 31 // bytes; far above any drive's memory, far below what would overflow
	for i, c := range e.Channels {
		if c.Type.Words() == 0 {
			return fmt.Errorf("channel %d has unknown type %q", i+1, c.Type)
		}
	}
	if int64(e.Samples) > most/e.frame() {
		return fmt.Errorf("%d samples of %d channels are more than faultkeep reads", e.Samples, len(e.Channels))
	}
	return nil
}

// Decode turns the data into one Series a channel. data must be Size() bytes
// long; samples that aren't wholly inside have come out as NaN.
func (e Encoding) Decode(data []byte, have []Range) ([]Series, error) {
	if err := e.Check(); err != nil {
		return nil, err
	}
	if int64(len(data)) != e.Size() {
		return nil, fmt.Errorf("data has %d bytes, the recording %d", len(data), e.Size())
	}
	out := make([]Series, len(e.Channels))
	for ch, c := range e.Channels {
		s := make(Series, e.Samples)
		at, stride := e.place(ch)
		width := int64(2 * c.Type.Words())
		next := 0 // the range of have that could hold the sample
		for i := range s {
			for next < len(have) && have[next].End <= at {
				next++
			}
			if next < len(have) && have[next].Start <= at && at+width <= have[next].End {
				s[i] = Scaled(c.Type.Number(data[at:at+width], c.LowFirst), c.Scale) + c.Offset
			} else {
				s[i] = math.NaN()
			}
			at += stride
		}
		out[ch] = s
	}
	return out, nil
}

// Contiguous is the largest run of samples around sample index for which
// every channel is inside have. have is ascending and without overlaps.
func (e Encoding) Contiguous(have []Range, index int) (first, last int, ok bool) {
	if e.Check() != nil || index < 0 || index >= e.Samples {
		return 0, 0, false
	}
	first, last = 0, e.Samples-1
	for ch := range e.Channels {
		lo, hi, ok := e.run(ch, have, index)
		if !ok {
			return 0, 0, false
		}
		first, last = max(first, lo), min(last, hi)
	}
	return first, last, true
}

func (e Encoding) run(ch int, have []Range, index int) (lo, hi int, ok bool) {
	want := e.At(ch, index)
	start, stride := e.place(ch)
	width := want.Len()
	for _, r := range have {
		if r.Start <= want.Start && want.End <= r.End {
			lo = int(max(0, (r.Start-start+stride-1)/stride))
			hi = int(min(int64(e.Samples)-1, (r.End-width-start)/stride))
			return lo, hi, true
		}
	}
	return 0, 0, false
}
