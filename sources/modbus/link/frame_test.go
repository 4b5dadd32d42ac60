package link

import (
	"bytes"
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"faultkeep/sources/modbus/regmap"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func same(t *testing.T, what string, got []byte, want string) {
	t.Helper()
	if !bytes.Equal(got, unhex(t, want)) {
		t.Errorf("%s: % X, want %s", what, got, want)
	}
}

// Modbus Application Protocol Specification V1.1b3, §6.3: read registers
// 108–110 (addresses 107–109), which hold 555, 0 and 100.
func TestReadHoldingAsInTheSpecification(t *testing.T) {
	r := regmap.Read{Table: regmap.Holding, Address: 0x6B, Count: 3}
	pdu := appendRead(nil, r)
	same(t, "request", pdu, "03 00 6B 00 03")
	// Frame header as in Modbus Messaging on TCP/IP V1.0b, transaction 1, unit 1.
	same(t, "frame", appendFrame(nil, 1, 1, pdu), "00 01 00 00 00 06 01 03 00 6B 00 03")

	answer := appendFrame(nil, 1, 1, unhex(t, "03 06 02 2B 00 00 00 64"))
	got, err := openFrame(answer, 1, 1, pdu[0])
	if err != nil {
		t.Fatal(err)
	}
	data, err := decodeRead(got, r)
	if err != nil {
		t.Fatal(err)
	}
	same(t, "registers", data, "02 2B 00 00 00 64")
}

// Modbus Application Protocol Specification V1.1b3, §6.14: two pieces, of
// file 4 (record 1) and file 3 (record 9), two registers each.
func TestReadFileRecordAsInTheSpecification(t *testing.T) {
	refs := []fileRef{{4, 1, 2}, {3, 9, 2}}
	same(t, "request", appendFileRead(nil, refs...), "14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 02")
	got, err := decodeFileRead(unhex(t, "14 0C 05 06 0D FE 00 20 05 06 33 CD 00 40"), refs...)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 2 {
		t.Fatalf("%d pieces, want 2", len(got))
	}
	same(t, "file 4", got[0], "0D FE 00 20")
	same(t, "file 3", got[1], "33 CD 00 40")
}

// Modbus Application Protocol Specification V1.1b3, §7: output 1245 (04A1h)
// doesn't exist.
func TestExceptionAsInTheSpecification(t *testing.T) {
	pdu := appendRead(nil, regmap.Read{Table: regmap.Coil, Address: 0x04A1, Count: 1})
	same(t, "request", pdu, "01 04 A1 00 01")
	_, err := openFrame(appendFrame(nil, 9, 10, unhex(t, "81 02")), 9, 10, pdu[0])
	if !errors.Is(err, IllegalAddress) {
		t.Fatalf("%v, want exception 02", err)
	}
	if !Usable(err) {
		t.Error("an exception made the connection unusable")
	}
}

// Modbus Application Protocol Specification V1.1b3, §6.1, §6.5, §6.6 and
// §6.12 (these frames: values from memory).
func TestOtherFramesOfTheSpecification(t *testing.T) {
	bits, err := decodeRead(unhex(t, "01 03 CD 6B 05"), regmap.Read{Table: regmap.Coil, Address: 19, Count: 19})
	if err != nil {
		t.Fatal(err)
	}
	// CDh: coils 27–20 are 1100 1101; 6Bh: 35–28; 05h: 38–36 are 101.
	want := []byte{1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1}
	if !bytes.Equal(bits, want) {
		t.Errorf("coils 20–38: %v, want %v", bits, want)
	}
	same(t, "write coil", appendWrite(nil, regmap.Write{Table: regmap.Coil, Address: 172, Words: []uint16{1}}), "05 00 AC FF 00")
	same(t, "write register", appendWrite(nil, regmap.Write{Table: regmap.Holding, Address: 1, Words: []uint16{3}}), "06 00 01 00 03")
	many := appendWrite(nil, regmap.Write{Table: regmap.Holding, Address: 1, Words: []uint16{10, 0x102}})
	same(t, "write registers", many, "10 00 01 00 02 04 00 0A 01 02")
	if err := decodeWrite(unhex(t, "10 00 01 00 02"), many); err != nil {
		t.Error(err)
	}
}

func TestFramesThatAreRefused(t *testing.T) {
	for name, c := range map[string]string{
		"another transaction":           "00 02 00 00 00 05 01 03 02 00 07",
		"another protocol":              "00 01 00 01 00 05 01 03 02 00 07",
		"another unit":                  "00 01 00 00 00 05 02 03 02 00 07",
		"another function":              "00 01 00 00 00 05 01 04 02 00 07",
		"length too small":              "00 01 00 00 00 04 01 03 02 00 07",
		"length too large":              "00 01 00 00 00 06 01 03 02 00 07",
		"length zero":                   "00 01 00 00 00 00 01 03 02 00 07",
		"length beyond 254":             "00 01 00 00 01 00 01 03 02 00 07",
		"no function":                   "00 01 00 00 00 01 01",
		"exception without a code":      "00 01 00 00 00 02 01 83",
		"exception with more":           "00 01 00 00 00 04 01 83 02 00",
		"exception of another function": "00 01 00 00 00 03 01 84 02",
		"exception of another unit":     "00 01 00 00 00 03 02 83 02",
	} {
		_, err := openFrame(unhex(t, c), 1, 1, fcReadHolding)
		var frame FrameError
		if !errors.As(err, &frame) || Usable(err) {
			t.Errorf("%s: %v, want a FrameError", name, err)
		}
	}
	if _, err := openFrame(unhex(t, "00 01 00 00 00 03 FF 83 0B"), 1, 1, fcReadHolding); !errors.Is(err, GatewaySilent) {
		t.Errorf("a gateway's own refusal: %v", err)
	}
}

func TestDataThatIsRefused(t *testing.T) {
	two := regmap.Read{Table: regmap.Holding, Address: 0, Count: 2}
	for name, c := range map[string]string{
		"nothing": "03", "empty": "03 00", "byte count only": "03 04", "short": "03 04 00 01 00",
		"long": "03 04 00 01 00 02 00", "byte count small": "03 02 00 01 00 02", "fewer registers": "03 02 00 01",
	} {
		if _, err := decodeRead(unhex(t, c), two); err == nil {
			t.Errorf("registers, %s: taken", name)
		}
	}
	piece := fileRef{4, 1, 2}
	for name, c := range map[string]string{
		"nothing":                 "14",
		"empty success":           "14 00", // what stock pymodbus 3.0 answers
		"piece without data":      "14 02 01 06",
		"fewer registers":         "14 04 03 06 0D FE",
		"more registers":          "14 08 07 06 0D FE 00 20 00 00",
		"length of pymodbus":      "14 06 06 02 0D FE 00 20", // what its encoder writes
		"another reference type":  "14 06 05 07 0D FE 00 20",
		"byte count small":        "14 05 05 06 0D FE 00 20",
		"byte count large":        "14 07 05 06 0D FE 00 20",
		"a second piece":          "14 0C 05 06 0D FE 00 20 05 06 33 CD 00 40",
		"length of the neighbour": "14 06 03 06 0D FE 00 20",
	} {
		if _, err := decodeFileRead(unhex(t, c), piece); err == nil {
			t.Errorf("file record, %s: taken", name)
		}
	}
}

// A read of the largest piece fits the byte count limit F5h of §6.14 exactly.
func TestLargestFileRead(t *testing.T) {
	data := bytes.Repeat([]byte{0xA5, 0x5A}, mostFileWords)
	pdu := append([]byte{0x14, byte(2 + len(data)), byte(1 + len(data)), 6}, data...)
	if int(pdu[1]) > 0xF5 || int(pdu[1])+2 <= 0xF5 {
		t.Fatalf("byte count %02X: %d registers aren't the most there can be", pdu[1], mostFileWords)
	}
	got, err := decodeFileRead(pdu, fileRef{1, 0, mostFileWords})
	if err != nil || !bytes.Equal(got[0], data) {
		t.Fatalf("%v", err)
	}
}

func FuzzAnswer(f *testing.F) {
	for _, s := range []string{
		"00 01 00 00 00 09 01 03 06 02 2B 00 00 00 64", "00 01 00 00 00 03 01 81 02", "00 01 00 00 00 05 01 14 02 01 06",
		"00 01 00 00 00 0F 01 14 0C 05 06 0D FE 00 20 05 06 33 CD 00 40", "00 01 00 00 00 06 01 06 00 01 00 03",
		"00 01 00 00 00 06 01 01 03 CD 6B 05",
	} {
		f.Add(unhex(f, s), uint16(3), uint16(2))
	}
	f.Fuzz(func(t *testing.T, frame []byte, count, words uint16) {
		for _, table := range []regmap.Table{regmap.Holding, regmap.Input, regmap.Coil, regmap.Discrete} {
			r := regmap.Read{Table: table, Count: count}
			if checkRead(r) != nil {
				continue
			}
			pdu, err := openFrame(frame, 1, 1, readFunction(table))
			if err != nil {
				continue
			}
			data, err := decodeRead(pdu, r)
			want := 2 * int(count)
			if table.Bits() {
				want = int(count)
			}
			if err == nil && len(data) != want {
				t.Errorf("%d of %s gave %d bytes", count, table, len(data))
			}
			if err == nil && !table.Bits() && !bytes.Equal(data, frame[len(frame)-want:]) {
				t.Error("the registers aren't the frame's last bytes")
			}
		}
		refs := []fileRef{{1, 0, words}, {2, 0, count}}
		for n := 1; n <= 2; n++ {
			if checkFile(refs[0]) != nil || n == 2 && checkFile(refs[1]) != nil {
				continue
			}
			pdu, err := openFrame(frame, 1, 1, fcReadFile)
			if err != nil {
				continue
			}
			pieces, err := decodeFileRead(pdu, refs[:n]...)
			if err != nil {
				continue
			}
			// What was taken must be what a rule-abiding server would have sent.
			var groups []byte
			for i, p := range pieces {
				if len(p) != 2*int(refs[i].words) {
					t.Errorf("piece %d has %d bytes", i, len(p))
				}
				groups = append(append(groups, byte(1+len(p)), 6), p...)
			}
			again := appendFrame(nil, 1, 1, append([]byte{0x14, byte(len(groups))}, groups...))
			if !bytes.Equal(again, frame) {
				t.Errorf("% X was taken for % X", frame, again)
			}
		}
	})
}
