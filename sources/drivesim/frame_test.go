package drivesim

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"faultkeep/store/capture"
)

var midnight = time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)

func raw(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// specimen is a drive with the registers and files of the specification's examples.
func specimen() *Drive {
	d := New(Spec{Face: Files, Pattern: true, Recorder: Recorder{Samples: 2000}}, midnight)
	d.layout.areas = append(d.layout.areas, area{Holding, 107, 109})
	for i, v := range []uint64{555, 0, 100} {
		d.layout.add(Holding, 107+uint16(i), capture.Uint16, "", func(*Drive) uint64 { return v })
	}
	d.layout.file = 3
	d.Replace(midnight)
	put := func(file, record int, words ...uint16) {
		for i, w := range words {
			binary.BigEndian.PutUint16(d.held.Data[2*((file-3)*recordsPerFile+record+i):], w)
		}
	}
	put(4, 1, 0x0DFE, 0x0020)
	put(3, 9, 0x33CD, 0x0040)
	return d
}

// Requests and answers of the Modbus Application Protocol Specification V1.1b3,
// §6.3 (read holding registers), §6.14 (read file record), §7 (exception), and
// the quantities that it bounds.
func TestSpecificationFrames(t *testing.T) {
	many := func(function string, n int) string {
		return function + " 00 00" + hex.EncodeToString([]byte{byte(n >> 8), byte(n)})
	}
	for _, c := range []struct{ name, request, answer string }{
		{"holding registers 108 to 110", "03 00 6B 00 03", "03 06 02 2B 00 00 00 64"},
		{"two file groups", "14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 02", "14 0C 05 06 0D FE 00 20 05 06 33 CD 00 40"},
		{"coil that isn't there", "01 04 A1 00 01", "81 02"},
		{"unknown function", "2B 0E 01 00", "AB 01"},
		{"no registers", many("03", 0), "83 03"},
		{"126 registers", many("03", 126), "83 03"},
		{"2001 coils", many("01", 2001), "81 03"},
		{"past the last address", "03 FF FF 00 02", "83 02"},
		{"file reference type 7", "14 07 07 00 04 00 01 00 02", "94 02"},
		{"file byte count", "14 08 06 00 04 00 01 00 02", "94 03"},
		{"file record 10000", "14 07 06 00 03 27 10 00 01", "94 02"},
		{"file record over the end of its file", "14 07 06 00 03 27 0F 00 02", "94 02"},
		{"122 words of a file", "14 07 06 00 03 00 00 00 7A", "94 03"},
		{"coil value 1234h", "05 00 0A 12 34", "85 03"},
		{"a truncated request", "03 00 6B", "83 03"},
	} {
		d := specimen()
		if got := d.Answer(midnight, raw(t, c.request)); !bytes.Equal(got, raw(t, c.answer)) {
			t.Errorf("%s: %s answered with % X, want %s", c.name, c.request, got, c.answer)
		}
	}
	d := specimen()
	if got := d.Answer(midnight, raw(t, "14 07 06 00 03 00 00 00 79")); len(got) != 2+2+2*121 || got[1] != 0xF4 {
		t.Errorf("121 words of a file: % X…", got[:4])
	}
}

// Discrete input 3 is the fault bit: bits are packed lowest first (§6.2).
func TestBitsArePacked(t *testing.T) {
	d := specimen()
	d.Trip(midnight, Jam)
	if got, want := d.Answer(midnight, raw(t, "02 00 00 00 0A")), raw(t, "02 02 18 02"); !bytes.Equal(got, want) {
		t.Errorf("statusword 0218h as bits % X, want % X", got, want)
	}
}

// ADU `00 01 00 00 00 06 01 03 00 6B 00 03`: transaction 1, protocol 0, six
// bytes follow, unit 1 (MODBUS Messaging on TCP/IP, header layout).
func TestHeader(t *testing.T) {
	adu := raw(t, "00 01 00 00 00 06 01 03 00 6B 00 03")
	f, err := readFrame(bytes.NewReader(adu))
	if err != nil || f.transaction != 1 || f.unit != 1 || !bytes.Equal(f.pdu, raw(t, "03 00 6B 00 03")) {
		t.Fatalf("read %+v, %v", f, err)
	}
	if !bytes.Equal(f.bytes(), adu) {
		t.Errorf("written as % X", f.bytes())
	}
	for _, bad := range []string{"00 01 00 01 00 06 01 03 00 6B 00 03", "00 01 00 00 00 01 01", "00 01 00 00 00 FF 01 03", "00 01 00"} {
		if _, err := readFrame(bytes.NewReader(raw(t, bad))); err == nil {
			t.Errorf("%s was taken for a frame", bad)
		}
	}
}

// CRC-16 of Modbus over Serial Line V1.02: the example 02 07 gives 41 12 on the
// wire, low byte first (value from memory). The usual check value over
// "123456789" is 4B37h (value from memory).
func TestCRC16(t *testing.T) {
	if got := crc16([]byte{0x02, 0x07}); got != 0x1241 {
		t.Errorf("02 07: %04X, want 1241", got)
	}
	if got := crc16([]byte("123456789")); got != 0x4B37 {
		t.Errorf("check string: %04X, want 4B37", got)
	}
}

func TestWords(t *testing.T) {
	for _, c := range []struct {
		typ   capture.Type
		v     float64
		order WordOrder
		want  string
	}{
		{capture.Int16, -2, HighFirst, "FFFE"},
		{capture.Int16, 40000, HighFirst, "7FFF"}, // saturates
		{capture.Uint16, -5, HighFirst, "0000"},
		{capture.Int8, -1, HighFirst, "FFFF"},
		{capture.Int32, -2, HighFirst, "FFFFFFFE"},
		{capture.Int32, 0x12345678, HighFirst, "12345678"},
		{capture.Int32, 0x12345678, LowFirst, "56781234"},
		{capture.Float32, 1, HighFirst, "3F800000"}, // IEEE 754
		{capture.Float32, 1, LowFirst, "00003F80"},
		{capture.Float64, -2, HighFirst, "C000000000000000"},
		{capture.Int64, -1, LowFirst, "FFFFFFFFFFFFFFFF"},
		{capture.Uint64, 1, LowFirst, "0001000000000000"},
	} {
		got := appendWords(nil, number(c.typ, c.v), width(c.typ), c.order)
		if !bytes.Equal(got, raw(t, c.want)) {
			t.Errorf("%s %v %s: % X, want %s", c.typ, c.v, c.order, got, c.want)
		}
	}
}

// Whatever comes, the answer is a frame that the specification allows: at most
// 253 bytes, the function echoed or an exception of it.
func FuzzAnswer(f *testing.F) {
	for _, s := range []string{"03006B0003", "140E0600040001000206000300090002", "0104A10001", "0F000A00010101", "10005A000102A5A5", "05000AFF00"} {
		b, _ := hex.DecodeString(s)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, pdu []byte) {
		if len(pdu) == 0 || len(pdu) > 253 {
			return
		}
		out := specimen().Answer(midnight, pdu)
		if len(out) < 2 || len(out) > 253 || out[0]&0x7F != pdu[0]&0x7F || out[0]&0x80 != 0 && len(out) != 2 {
			t.Errorf("% X answered with % X", pdu, out)
		}
		if read, err := readFrame(bytes.NewReader(frame{unit: 1, pdu: out}.bytes())); err != nil || !bytes.Equal(read.pdu, out) {
			t.Errorf("the answer can't be read back: %v", err)
		}
	})
}
