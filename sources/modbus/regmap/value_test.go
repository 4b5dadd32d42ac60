package regmap_test

import (
	"encoding/binary"
	"math"
	"testing"

	"pgregory.net/rapid"

	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

func value(t capture.Type) regmap.Value {
	return regmap.Value{Table: regmap.Holding, Type: t, Bit: -1, Scale: 1}
}

// Modbus Application Protocol Specification V1.1b3, §6.3: the answer
// 03 06 02 2B 00 00 00 64 holds 555, 0 and 100.
func TestDecodeSpecificationExample(t *testing.T) {
	var img regmap.Image
	img.Add(regmap.Read{Table: regmap.Holding, Address: 107, Count: 3}, []byte{0x02, 0x2B, 0, 0, 0, 0x64})
	for address, want := range map[uint16]int64{107: 555, 108: 0, 109: 100} {
		v := value(capture.Uint16)
		v.Address = address
		if got, ok := img.Get(v); !ok || got.Raw != want || got.Number != float64(want) {
			t.Errorf("register %d: %+v, %v", address, got, ok)
		}
	}
}

func TestDecodeTypesAndWordOrder(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*regmap.Value)
		kind   capture.Type
		bytes  []byte
		raw    int64
		number float64
		text   string
	}{
		{"negative", nil, capture.Int16, []byte{0xFF, 0xFE}, -2, -2, "-2"},
		{"unsigned", nil, capture.Uint16, []byte{0xFF, 0xFE}, 65534, 65534, "65534"},
		{"low byte only", nil, capture.Int8, []byte{0x12, 0x80}, -128, -128, "-128"},
		{"low byte only, unsigned", nil, capture.Uint8, []byte{0x12, 0x80}, 128, 128, "128"},
		{"high word first", nil, capture.Uint32, []byte{0, 1, 0, 2}, 65538, 65538, "65538"},
		{"low word first", func(v *regmap.Value) { v.LowFirst = true }, capture.Uint32, []byte{0, 1, 0, 2}, 131073, 131073, "131073"},
		{"negative, low word first", func(v *regmap.Value) { v.LowFirst = true }, capture.Int32, []byte{0xFF, 0xFE, 0xFF, 0xFF}, -2, -2, "-2"},
		{"64 bits, low word first", func(v *regmap.Value) { v.LowFirst = true }, capture.Int64, []byte{0, 4, 0, 3, 0, 2, 0, 1}, 0x0001_0002_0003_0004, 0x0001_0002_0003_0004, "281483566841860"},
		{"beyond 2^53 the raw number is exact", nil, capture.Int64, []byte{0x7F, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, math.MaxInt64, math.MaxInt64, "9223372036854775807"},
		{"largest unsigned", nil, capture.Uint64, []byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, -1, 18446744073709551615, "18446744073709551615"},
		{"float", nil, capture.Float32, []byte{0xC1, 0x48, 0, 0}, -12, -12.5, "-12.5"},
		{"float, low word first", func(v *regmap.Value) { v.LowFirst = true }, capture.Float32, []byte{0, 0, 0xC1, 0x48}, -12, -12.5, "-12.5"},
		{"double", nil, capture.Float64, []byte{0x40, 0x09, 0x21, 0xFB, 0x54, 0x44, 0x2D, 0x18}, 3, math.Pi, "3.14159265359"},
		{"scale leaves no dust", func(v *regmap.Value) { v.Scale, v.Unit = 0.1, "A" }, capture.Int16, []byte{0, 123}, 123, 12.3, "12.3 A"},
		{"offset", func(v *regmap.Value) { v.Scale, v.Offset, v.Unit = 0.5, -40, "°C" }, capture.Uint16, []byte{0, 50}, 50, -15, "-15 °C"},
		{"lowest bit", func(v *regmap.Value) { v.Bit = 0 }, capture.Uint16, []byte{0x80, 0x01}, 1, 1, "1"},
		{"highest bit", func(v *regmap.Value) { v.Bit = 15 }, capture.Int16, []byte{0x80, 0x00}, 1, 1, "1"},
		{"bit of two words", func(v *regmap.Value) { v.Bit, v.LowFirst = 16, true }, capture.Uint32, []byte{0, 0, 0, 1}, 1, 1, "1"},
		{"mask keeps its place", func(v *regmap.Value) { v.Mask = 0x0F00 }, capture.Int16, []byte{0x83, 0x45}, 0x300, 0x300, "768"},
		{"meaning", func(v *regmap.Value) { v.Values = map[int64]string{3: "ready"} }, capture.Uint16, []byte{0, 3}, 3, 3, "ready"},
		{"unknown meaning", func(v *regmap.Value) { v.Values = map[int64]string{3: "ready"} }, capture.Uint16, []byte{0, 4}, 4, 4, "4"},
		{"coil", func(v *regmap.Value) { v.Table = regmap.Coil }, capture.Uint16, []byte{1}, 1, 1, "1"},
	} {
		v := value(c.kind)
		if c.change != nil {
			c.change(&v)
		}
		if v.Table == regmap.Holding && v.Words()*2 != len(c.bytes) || v.Table == regmap.Coil && v.Words() != 1 {
			t.Errorf("%s: takes %d words", c.name, v.Words())
		}
		got := v.Decode(c.bytes)
		if got.Raw != c.raw || math.Abs(got.Number-c.number) > 1e-12*math.Abs(c.number) || got.Text != c.text || got.Known != (c.name != "unknown meaning") {
			t.Errorf("%s: %+v, want %d, %v, %q", c.name, got, c.raw, c.number, c.text)
		}
	}
	nan := value(capture.Float32).Decode([]byte{0x7F, 0xC0, 0, 0})
	if !math.IsNaN(nan.Number) || nan.Raw != 0 {
		t.Errorf("NaN reads as %+v", nan)
	}
}

// Writing a number with encoding/binary and reading it back, in either word order.
func TestDecodeIsTheInverseOfBigEndian(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Uint64().Draw(t, "n")
		low := rapid.Bool().Draw(t, "low first")
		kind := rapid.SampledFrom([]capture.Type{capture.Uint32, capture.Int32, capture.Int64, capture.Uint64}).Draw(t, "type")
		b := binary.BigEndian.AppendUint64(nil, n)[8-2*kind.Words():]
		if low {
			swapped := make([]byte, 0, 8)
			for at := len(b) - 2; at >= 0; at -= 2 {
				swapped = append(swapped, b[at:at+2]...)
			}
			b = swapped
		}
		v := value(kind)
		v.LowFirst = low
		want := map[capture.Type]int64{capture.Uint32: int64(uint32(n)), capture.Int32: int64(int32(n)), capture.Int64: int64(n), capture.Uint64: int64(n)}[kind]
		if got := v.Decode(b).Raw; got != want {
			t.Fatalf("%s % x: %d, want %d", kind, b, got, want)
		}
	})
}

func TestExpect(t *testing.T) {
	f := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		e      regmap.Expect
		ok     []float64
		not    []float64
		wanted string
	}{
		{regmap.Expect{Equals: f(0.3)}, []float64{0.1 * 3}, []float64{0.2, 0.30001, math.NaN()}, "0.3 %"},
		{regmap.Expect{Low: f(60), High: f(90)}, []float64{60, 75, 90}, []float64{59.9, 90.1, math.NaN()}, "60 to 90 %"},
		{regmap.Expect{Low: f(60)}, []float64{60, 1e9}, []float64{0}, "at least 60 %"},
		{regmap.Expect{High: f(60)}, []float64{60, -1e9}, []float64{61}, "at most 60 %"},
	} {
		c.e.Unit = "%"
		for _, n := range c.ok {
			if !c.e.OK(regmap.Reading{Number: n}) {
				t.Errorf("%s refuses %v", c.e.Wanted(), n)
			}
		}
		for _, n := range c.not {
			if c.e.OK(regmap.Reading{Number: n}) {
				t.Errorf("%s accepts %v", c.e.Wanted(), n)
			}
		}
		if c.e.Wanted() != c.wanted {
			t.Errorf("wanted %q, got %q", c.wanted, c.e.Wanted())
		}
	}
	named := regmap.Expect{Value: value(capture.Uint16), Equals: f(2)}
	named.Values = map[int64]string{2: "any fault"}
	if named.Wanted() != "any fault" {
		t.Errorf("got %q", named.Wanted())
	}
}

// Check values of the CRC catalogues for "123456789": value from memory. The
// Modbus over Serial Line guide's example 02 07 → 1241h: value from memory.
func TestChecksums(t *testing.T) {
	digits := []byte("123456789")
	for _, c := range []struct {
		kind regmap.ChecksumKind
		data []byte
		want uint64
	}{
		{regmap.CRC16, digits, 0x4B37},
		{regmap.CRC16, []byte{0x02, 0x07}, 0x1241},
		{regmap.CRC32, digits, 0xCBF43926},
		{regmap.Sum, []byte{0x12, 0x34, 0xFF, 0xFF, 0x00, 0x01}, 0x11234},
		{regmap.CRC16, nil, 0xFFFF},
		{regmap.CRC32, nil, 0},
		{regmap.Sum, nil, 0},
	} {
		if got := c.kind.Compute(c.data); got != c.want {
			t.Errorf("%s of % x is %X, want %X", c.kind, c.data, got, c.want)
		}
	}
	for _, c := range []struct {
		kind capture.Type
		word []byte
		fits bool
	}{
		{capture.Uint16, []byte{0x12, 0x34}, true}, // cut to 16 bits
		{capture.Int16, []byte{0x12, 0x34}, true},
		{capture.Uint16, []byte{0x12, 0x35}, false},
		{capture.Uint32, []byte{0, 1, 0x12, 0x34}, true},
		{capture.Uint32, []byte{0, 0, 0x12, 0x34}, false},
		{capture.Uint8, []byte{0, 0x34}, true},
	} {
		sum := regmap.Checksum{Kind: regmap.Sum, Value: value(c.kind)}
		if got := sum.Matches([]byte{0x12, 0x34, 0xFF, 0xFF, 0x00, 0x01}, sum.Value.Decode(c.word)); got != c.fits {
			t.Errorf("%s % x: matches %v", c.kind, c.word, got)
		}
	}
	crc := regmap.Checksum{Kind: regmap.CRC16, Value: value(capture.Int16)}
	if !crc.Matches([]byte("abc"), crc.Value.Decode(binary.BigEndian.AppendUint16(nil, uint16(regmap.CRC16.Compute([]byte("abc")))))) {
		t.Error("a CRC in a signed register does not match")
	}
}
