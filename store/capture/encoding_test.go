package capture_test

import (
	"math"
	"testing"

	"faultkeep/store/capture"
)

// Registers are big-endian on the wire (Modbus Application Protocol
// Specification V1.1b3, §4.2). The bit patterns of integers are two's
// complement, those of floats IEEE 754; each was worked out by hand:
// 1.5 = 1.1b·2^0: sign 0, exponent 127, fraction 100…: 3FC00000h;
// −2.75 = −1.011b·2^1: sign 1, exponent 1024 (double), fraction 0110…: C006000000000000h.
func TestNumberOfEveryType(t *testing.T) {
	for _, c := range []struct {
		typ      capture.Type
		lowFirst bool
		regs     []byte
		want     float64
	}{
		{capture.Int8, false, []byte{0x12, 0x80}, -128}, // the high byte of the register isn't its
		{capture.Uint8, false, []byte{0x12, 0x80}, 128},
		{capture.Int16, false, []byte{0xFF, 0xFE}, -2},
		{capture.Uint16, false, []byte{0xFF, 0xFE}, 65534},
		{capture.Uint16, false, []byte{0x02, 0x2B}, 555}, // V1.1b3 §6.3, the example's first register
		{capture.Int32, false, []byte{0xFF, 0xFF, 0x00, 0x00}, -65536},
		{capture.Int32, true, []byte{0x00, 0x00, 0xFF, 0xFF}, -65536},
		{capture.Uint32, false, []byte{0x00, 0x01, 0x00, 0x02}, 65538},
		{capture.Uint32, true, []byte{0x00, 0x01, 0x00, 0x02}, 131073},
		{capture.Int64, false, []byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xF9}, -7},
		{capture.Int64, true, []byte{0xFF, 0xF9, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, -7},
		{capture.Uint64, false, []byte{0, 1, 0, 0, 0, 0, 0, 3}, 281474976710659},
		{capture.Uint64, true, []byte{0, 3, 0, 0, 0, 0, 0, 1}, 281474976710659},
		{capture.Float32, false, []byte{0x3F, 0xC0, 0x00, 0x00}, 1.5},
		{capture.Float32, true, []byte{0x00, 0x00, 0x3F, 0xC0}, 1.5},
		{capture.Float64, false, []byte{0xC0, 0x06, 0, 0, 0, 0, 0, 0}, -2.75},
		{capture.Float64, true, []byte{0, 0, 0, 0, 0, 0, 0xC0, 0x06}, -2.75},
	} {
		if n := 2 * c.typ.Words(); n != len(c.regs) {
			t.Errorf("%s takes %d bytes, want %d", c.typ, n, len(c.regs))
			continue
		}
		if got := c.typ.Number(c.regs, c.lowFirst); got != c.want {
			t.Errorf("%s, low word first %v, % x = %v, want %v", c.typ, c.lowFirst, c.regs, got, c.want)
		}
	}
	if n := capture.Type("int24").Words(); n != 0 {
		t.Errorf("an unknown type takes %d registers, want 0", n)
	}
}

// Two channels, three samples: int16 speeds −1, 2, 3 scaled by 0.5, offset 10
// (9.5, 11, 11.5), and uint32 counts 65536, 1, 2 with the low word first.
func TestDecodeBothOrders(t *testing.T) {
	channels := []capture.Coding{
		{Type: capture.Int16, Scale: 0.5, Offset: 10},
		{Type: capture.Uint32, LowFirst: true, Scale: 1},
	}
	want := []capture.Series{{9.5, 11, 11.5}, {65536, 1, 2}}
	for order, data := range map[capture.Order][]byte{
		capture.ByChannel: {
			0xFF, 0xFF, 0x00, 0x02, 0x00, 0x03,
			0x00, 0x00, 0x00, 0x01, 0x00, 0x01, 0x00, 0x00, 0x00, 0x02, 0x00, 0x00,
		},
		capture.Interleaved: {
			0xFF, 0xFF, 0x00, 0x00, 0x00, 0x01,
			0x00, 0x02, 0x00, 0x01, 0x00, 0x00,
			0x00, 0x03, 0x00, 0x02, 0x00, 0x00,
		},
	} {
		e := capture.Encoding{Order: order, Channels: channels, Samples: 3}
		if e.Size() != 18 {
			t.Errorf("%s: size %d, want 18", order, e.Size())
		}
		got, err := e.Decode(data, []capture.Range{{Start: 0, End: 18}})
		if err != nil {
			t.Fatalf("%s: %v", order, err)
		}
		for ch := range want {
			for i := range want[ch] {
				if got[ch][i] != want[ch][i] {
					t.Errorf("%s: channel %d sample %d = %v, want %v", order, ch, i, got[ch][i], want[ch][i])
				}
			}
		}
	}
}

func TestDecodeLeavesWhatIsMissingNaN(t *testing.T) {
	e := capture.Encoding{Order: capture.ByChannel, Samples: 4, Channels: []capture.Coding{
		{Type: capture.Int16, Scale: 1}, {Type: capture.Uint32, Scale: 1},
	}}
	data := make([]byte, e.Size()) // 8 bytes of channel 1, 16 of channel 2
	for i := range data {
		data[i] = byte(i)
	}
	// Bytes 2…7 hold samples 1–3 of channel 1; 8…13 sample 0 of channel 2 and
	// half of its sample 1; 14…15 the other half, so that 8…15 join sample by
	// sample only where one range has them whole.
	got, err := e.Decode(data, []capture.Range{{Start: 3, End: 14}, {Start: 20, End: 24}})
	if err != nil {
		t.Fatal(err)
	}
	// From byte 3 on: sample 1 of channel 1 (bytes 2–3) is cut, 2 and 3 are there.
	there := [][]bool{{false, false, true, true}, {true, false, false, true}}
	for ch := range there {
		for i, want := range there[ch] {
			if have := !math.IsNaN(got[ch][i]); have != want {
				t.Errorf("channel %d sample %d there: %v, want %v", ch, i, have, want)
			}
		}
	}
	if got[0][2] != 0x0405 || got[1][0] != 0x08090A0B || got[1][3] != 0x14151617 {
		t.Errorf("decoded %v", got)
	}
	if low, high, ok := got[0].Bounds(); !ok || low != 0x0405 || high != 0x0607 {
		t.Errorf("bounds %v…%v %v", low, high, ok)
	}
	if _, _, ok := (capture.Series{math.NaN()}).Bounds(); ok {
		t.Error("a series of nothing but gaps has bounds")
	}
}

// The largest run around the trigger for which all channels are there.
func TestContiguous(t *testing.T) {
	two := []capture.Coding{{Type: capture.Int16, Scale: 1}, {Type: capture.Int16, Scale: 1}}
	by := capture.Encoding{Order: capture.ByChannel, Samples: 100, Channels: two}      // channel 2 from byte 200 on
	inter := capture.Encoding{Order: capture.Interleaved, Samples: 100, Channels: two} // 4 bytes a sample
	wide := capture.Encoding{Order: capture.Interleaved, Samples: 10, Channels: []capture.Coding{
		{Type: capture.Float64, Scale: 1}, {Type: capture.Int16, Scale: 1},
	}} // 10 bytes a sample
	for _, c := range []struct {
		name        string
		e           capture.Encoding
		have        []capture.Range
		index       int
		first, last int
		ok          bool
	}{
		{"whole", inter, []capture.Range{{0, 400}}, 75, 0, 99, true},
		{"whole, by channel", by, []capture.Range{{0, 400}}, 75, 0, 99, true},
		{"around the trigger", inter, []capture.Range{{100, 320}}, 50, 25, 79, true},
		{"cut inside a sample", inter, []capture.Range{{101, 319}}, 50, 26, 78, true},
		{"the second channel decides", by, []capture.Range{{40, 180}, {260, 400}}, 50, 30, 89, true},
		{"a channel without the trigger", by, []capture.Range{{0, 200}, {320, 400}}, 50, 0, 0, false},
		{"two runs, the trigger in the later", inter, []capture.Range{{0, 100}, {160, 400}}, 50, 40, 99, true},
		{"nothing", inter, nil, 50, 0, 0, false},
		{"the trigger sample alone", inter, []capture.Range{{200, 204}}, 50, 50, 50, true},
		{"half of the trigger sample", inter, []capture.Range{{202, 400}}, 50, 0, 0, false},
		{"a trigger outside the record", inter, []capture.Range{{0, 400}}, 100, 0, 0, false},
		{"wide samples", wide, []capture.Range{{15, 67}}, 3, 2, 5, true},
	} {
		first, last, ok := c.e.Contiguous(c.have, c.index)
		if first != c.first || last != c.last || ok != c.ok {
			t.Errorf("%s: %d–%d %v, want %d–%d %v", c.name, first, last, ok, c.first, c.last, c.ok)
		}
	}
}

// Whatever Contiguous calls there, Decode must have samples for, and one
// further on either side must lack one.
func TestContiguousAgreesWithDecode(t *testing.T) {
	for _, order := range []capture.Order{capture.ByChannel, capture.Interleaved} {
		e := capture.Encoding{Order: order, Samples: 20, Channels: []capture.Coding{
			{Type: capture.Int16, Scale: 1}, {Type: capture.Float64, Scale: 1}, {Type: capture.Uint8, Scale: 1},
		}}
		data := make([]byte, e.Size())
		for from := int64(0); from < e.Size(); from += 3 {
			for to := from + 1; to <= e.Size(); to += 5 {
				have := []capture.Range{{Start: from, End: to}}
				series, err := e.Decode(data, have)
				if err != nil {
					t.Fatal(err)
				}
				whole := func(i int) bool {
					for _, s := range series {
						if math.IsNaN(s[i]) {
							return false
						}
					}
					return true
				}
				first, last, ok := e.Contiguous(have, 9)
				if ok != whole(9) {
					t.Fatalf("%s %v: there %v, decoded %v", order, have, ok, whole(9))
				}
				if !ok {
					continue
				}
				for i := first; i <= last; i++ {
					if !whole(i) {
						t.Fatalf("%s %v: sample %d of %d–%d is missing", order, have, i, first, last)
					}
				}
				if first > 0 && whole(first-1) || last < 19 && whole(last+1) {
					t.Fatalf("%s %v: %d–%d isn't the largest run", order, have, first, last)
				}
			}
		}
	}
}

func TestEncodingCheck(t *testing.T) {
	good := capture.Encoding{Order: capture.ByChannel, Samples: 10, Channels: []capture.Coding{{Type: capture.Int16, Scale: 1}}}
	for name, change := range map[string]func(*capture.Encoding){
		"order":        func(e *capture.Encoding) { e.Order = "sideways" },
		"no channels":  func(e *capture.Encoding) { e.Channels = nil },
		"no samples":   func(e *capture.Encoding) { e.Samples = 0 },
		"negative":     func(e *capture.Encoding) { e.Samples = -1 },
		"unknown type": func(e *capture.Encoding) { e.Channels = []capture.Coding{{Type: "int24"}} },
		"too much":     func(e *capture.Encoding) { e.Samples = math.MaxInt },
	} {
		e := good
		change(&e)
		if e.Check() == nil {
			t.Errorf("%s: passes", name)
		}
		if _, err := e.Decode(nil, nil); err == nil {
			t.Errorf("%s: decodes", name)
		}
		if _, _, ok := e.Contiguous([]capture.Range{{Start: 0, End: 20}}, 0); ok {
			t.Errorf("%s: is contiguous", name)
		}
	}
	if err := good.Check(); err != nil {
		t.Error(err)
	}
	if _, err := good.Decode(make([]byte, 19), nil); err == nil {
		t.Error("data of the wrong size decodes")
	}
}

func FuzzDecode(f *testing.F) {
	f.Add("by-channel", "int16", "float64", 3, int64(0), int64(30), int64(2), 1)
	f.Add("interleaved", "uint8", "int32", 7, int64(5), int64(9), int64(-1), 6)
	f.Add("interleaved", "int64", "", math.MaxInt, int64(-5), int64(1<<62), int64(0), -1)
	f.Fuzz(func(t *testing.T, order, one, two string, samples int, from, to, more int64, index int) {
		e := capture.Encoding{Order: capture.Order(order), Samples: samples, Channels: []capture.Coding{
			{Type: capture.Type(one), Scale: 1}, {Type: capture.Type(two), Scale: 1, LowFirst: true},
		}}
		if e.Check() != nil || e.Size() > 1<<16 {
			return
		}
		have := []capture.Range{{Start: from, End: to}, {Start: to + more, End: e.Size()}}
		series, err := e.Decode(make([]byte, e.Size()), have)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range series {
			if len(s) != samples {
				t.Fatalf("%d samples, want %d", len(s), samples)
			}
		}
		first, last, ok := e.Contiguous(have, index)
		if ok && (first < 0 || first > index || last < index || last >= samples) {
			t.Fatalf("%d–%d around %d of %d", first, last, index, samples)
		}
	})
}

func TestScaledIsTheDecimalThatTheDriveMeans(t *testing.T) {
	for _, c := range []struct{ number, scale, want float64 }{
		{1740, 0.01, 17.4}, {8478, 0.1, 847.8}, {-3, 0.001, -0.003}, {7, 0.05, 0.35}, {3, 2, 6}, {3, 0.3, 0.8999999999999999}, {5, -0.1, -0.5}, {5, 1, 5},
	} {
		if got := capture.Scaled(c.number, c.scale); got != c.want {
			t.Errorf("%g × %g = %v, want %v", c.number, c.scale, got, c.want)
		}
	}
}
