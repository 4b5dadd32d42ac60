package parquet

import (
	"fmt"
	"math"
	"reflect"

	"github.com/parquet-go/parquet-go"

	"faultkeep/store/capture"
)

// column is one column of the file.
type column struct {
	name    string
	node    parquet.Node
	at      func(row int) (v parquet.Value, known bool)
	channel int // its index; of t: -1
	bit     int // of a digital channel, from 0; else -1
}

// plan makes the columns of a capture, t first.
func (e Encoder) plan(c capture.Capture, series []capture.Series) []column {
	taken := names{}
	out := []column{{name: taken.unique("t"), node: parquet.Leaf(parquet.DoubleType), channel: -1, bit: -1,
		at: func(i int) (parquet.Value, bool) { return parquet.DoubleValue(seconds(c, i)), true }}}
	for i, s := range series {
		name := legal(c.Channels[i].Name, fmt.Sprintf("channel_%d", i+1))
		if !c.Channels[i].Digital() || !words(s) {
			out = append(out, e.numbers(taken.unique(name), i, s))
			continue
		}
		for _, bit := range bitsOf(c, i, s) {
			own := legal(bitName(c.Channels[i], bit), fmt.Sprintf("bit_%d", bit))
			out = append(out, e.bits(taken.unique(name+"_"+own), i, bit, s))
		}
	}
	return out
}

// seconds is the time of a sample from the trigger: the nearest number to 0.003,
// say, where that is three times 0.001, so that a query finds it.
func seconds(c capture.Capture, sample int) float64 {
	if c.Timing.Uniform() {
		return capture.Scaled(float64(sample-c.Trigger.Index), c.Timing.Interval)
	}
	return c.At(sample)
}

func (e Encoder) numbers(name string, channel int, s capture.Series) column {
	read := e.present(channel, s)
	return column{name: name, node: parquet.Optional(parquet.Leaf(parquet.DoubleType)), channel: channel, bit: -1,
		at: func(row int) (parquet.Value, bool) { return parquet.DoubleValue(s[row]), read(row) }}
}

// bits is one bit of the words of a digital channel. What isn't a number has
// no bits and is null like what wasn't read.
func (e Encoder) bits(name string, channel, bit int, s capture.Series) column {
	read := e.present(channel, s)
	return column{name: name, node: parquet.Optional(parquet.Leaf(parquet.BooleanType)), channel: channel, bit: bit,
		at: func(row int) (parquet.Value, bool) {
			there := read(row) && !math.IsNaN(s[row])
			return parquet.BooleanValue(there && word(s[row])>>bit&1 == 1), there
		}}
}

// present is Present, or what stands for it.
func (e Encoder) present(channel int, s capture.Series) func(sample int) bool {
	if e.Present != nil {
		return e.Present(channel)
	}
	return func(i int) bool { return !math.IsNaN(s[i]) }
}

// words tells whether all values are whole numbers that a word of bits can be.
func words(s capture.Series) bool {
	for _, v := range s {
		if !math.IsNaN(v) && (v != math.Trunc(v) || v < math.MinInt32 || v >= 1<<53) {
			return false
		}
	}
	return true
}

// word is the bit pattern of a digital value; negative ones are two's complement.
func word(v float64) uint64 { return uint64(int64(v)) }

// bitsOf are the bits of a digital channel that have a name or are ever set,
// bit 0 where there is none.
func bitsOf(c capture.Capture, channel int, s capture.Series) (bits []int) {
	var wanted uint64
	for _, v := range s {
		if !math.IsNaN(v) {
			wanted |= word(v)
		}
	}
	wanted &= mask(c, channel)
	for i := range c.Channels[channel].Bits {
		if bitName(c.Channels[channel], i) != "" {
			wanted |= 1 << i // nothing, beyond 64 bits
		}
	}
	for i := range 64 {
		if wanted>>i&1 == 1 {
			bits = append(bits, i)
		}
	}
	if bits == nil {
		return []int{0}
	}
	return bits
}

// mask has the bits that the drive's words have: the sign of a negative one
// would go on beyond them.
func mask(c capture.Capture, channel int) uint64 {
	if channel >= len(c.Encoding.Channels) {
		return math.MaxUint64
	}
	switch t := c.Encoding.Channels[channel].Type; {
	case t == capture.Int8 || t == capture.Uint8:
		return math.MaxUint8
	case t.Words() == 1:
		return math.MaxUint16
	case t.Words() == 2 && t != capture.Float32:
		return math.MaxUint32
	}
	return math.MaxUint64
}

func bitName(c capture.Channel, bit int) string {
	if bit < 0 || bit >= len(c.Bits) {
		return ""
	}
	return c.Bits[bit]
}

// table is the schema's root. The library's own kind of group sorts its
// columns by name; here they stay in the order of the recording.
type table struct {
	parquet.Group
	fields []parquet.Field
}

func schemaOf(columns []column) *parquet.Schema {
	root := table{fields: make([]parquet.Field, len(columns))}
	for i, c := range columns {
		root.fields[i] = field{c.node, c.name}
	}
	return parquet.NewSchema("capture", root)
}

func (t table) Fields() []parquet.Field { return t.fields }

type field struct {
	parquet.Node
	name string
}

func (f field) Name() string { return f.name }

// Value is for rows that are Go values, which these aren't.
func (f field) Value(reflect.Value) reflect.Value { return reflect.Value{} }
