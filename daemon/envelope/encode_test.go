package envelope_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"testing"

	"faultkeep/daemon/envelope"
)

// The layout byte by byte, as Append documents it. Bit patterns of IEEE 754 by
// hand: 1.5 = 3FF8000000000000h, 0.5 = 3F000000h, −0.5 = BF000000h as single.
func TestLayout(t *testing.T) {
	e := envelope.Envelope{From: 0, To: 1.5, Columns: 2, Curves: []envelope.Curve{
		{Channel: 3, Ranges: []envelope.Range{{Low: 1, High: 2}, {Low: math.Inf(1), High: math.Inf(-1)}}},
		{Channel: 7, Words: []envelope.Word{{All: 1, Any: 5}, {All: ^uint64(0)}}},
	}}
	want := []byte{
		'F', 'K', 'E', 'N', 1, 0, 0, 0, 2, 0, 0, 0, 2, 0, 0, 0,
		0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xF8, 0x3F,
		3, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xF8, 0x3F,
		7, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
		0, 0, 0, 0xBF, 0, 0, 0, 0x3F,
	}
	got := e.Append(nil)
	if !bytes.HasPrefix(got, want) || len(got) != e.Size() || len(got) != len(want)+8+16 {
		t.Fatalf("% x\nwant % x", got, want)
	}
	rest := got[len(want):]
	for i := range 2 {
		if x := math.Float32frombits(binary.LittleEndian.Uint32(rest[4*i:])); !math.IsNaN(float64(x)) {
			t.Errorf("no value is written as %v", x)
		}
	}
	if words := []byte{1, 0, 0, 0, 5, 0, 0, 0, 255, 255, 255, 255, 0, 0, 0, 0}; !bytes.Equal(rest[8:], words) {
		t.Errorf("words % x, want % x", rest[8:], words)
	}
	samples := envelope.Envelope{To: 1, Times: []float64{1.5}, Curves: []envelope.Curve{{Ranges: []envelope.Range{{Low: 4, High: 4}}}}}
	got = samples.Append(nil)
	if got[6] != 1 || got[12] != 1 || !bytes.Equal(got[48:56], []byte{0, 0, 0, 0, 0, 0, 0xF8, 0x3F}) || len(got) != samples.Size() {
		t.Errorf("samples: % x", got)
	}
}

// Numbers far from zero keep their differences, and no finite number becomes an infinity.
func TestNumbersKeepTheirResolution(t *testing.T) {
	for _, c := range []struct{ low, high, tolerance float64 }{
		{1e9, 1e9 + 3, 1e-6}, {-1e12, -1e12 + 0.5, 1e-4}, {0.1, 0.2, 1e-8}, {-1e300, 1e300, math.Inf(1)}, {5, math.Inf(1), 1e-6}, {math.Inf(-1), math.Inf(1), 0},
	} {
		b := envelope.Envelope{To: 1, Columns: 1, Curves: []envelope.Curve{{Ranges: []envelope.Range{{Low: c.low, High: c.high}}}}}.Append(nil)
		base := math.Float64frombits(binary.LittleEndian.Uint64(b[40:]))
		for i, want := range []float64{c.low, c.high} {
			got := base + float64(math.Float32frombits(binary.LittleEndian.Uint32(b[48+4*i:])))
			if got != want && !(math.Abs(got-want) <= c.tolerance) || math.IsInf(got, 0) != math.IsInf(want, 0) {
				t.Errorf("%v comes out as %v", want, got)
			}
		}
	}
}
