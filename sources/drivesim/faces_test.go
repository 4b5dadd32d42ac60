package drivesim_test

import (
	"encoding/binary"
	"hash/crc32"
	"math"
	"testing"
	"time"

	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// pull reads the data area as a client of that face would.
func pull(t *testing.T, d *drivesim.Drive, now time.Time, words int) []byte {
	t.Helper()
	var out []byte
	must := func(b []byte, exception byte) []byte {
		if exception != 0 {
			t.Fatalf("exception %02X at word %d", exception, len(out)/2)
		}
		return b
	}
	switch d.Spec().Face {
	case drivesim.Block:
		for at := 0; at < words; at += 125 {
			out = append(out, must(d.Read(now, drivesim.Holding, uint16(1024+at), uint16(min(125, words-at))))...)
		}
	case drivesim.Window:
		for page := 1; len(out) < 2*words; page++ {
			if e := d.Write(now, drivesim.Holding, 300, []uint16{uint16(page)}); e != 0 {
				t.Fatalf("page %d refused with %02X", page, e)
			}
			out = append(out, must(d.Read(now, drivesim.Holding, 400, 120))...)
		}
		for _, b := range out[2*words:] {
			if b != 0 {
				t.Error("the last page goes on after the data")
			}
		}
		out = out[:2*words]
	case drivesim.Files:
		for at := 0; at < words; {
			n := min(121, words-at, 10000-at%10000)
			out = append(out, must(d.ReadFile(now, uint16(4+at/10000), uint16(at%10000), uint16(n)))...)
			at += n
		}
	}
	return out
}

// The largest recordings come out of every face as the truth says.
func TestFacesServeTheTruth(t *testing.T) {
	for face, samples := range map[drivesim.Face]int{drivesim.Block: 4096, drivesim.Window: 8192, drivesim.Files: 8192} {
		d := drivesim.New(drivesim.Spec{Name: "x", Face: face, Pattern: true, Recorder: drivesim.Recorder{Samples: samples}}, start)
		d.Replace(start)
		truth := d.Truth(start)[0]
		if got := pull(t, d, start, 8*samples); string(got) != string(truth.Data) || len(got) != 16*samples {
			t.Errorf("%s: %d bytes differ from the truth", face, len(got))
		}
	}
}

// Every type, order and word order, decoded here by hand, gives the samples
// within half a count.
func TestSamplesDecode(t *testing.T) {
	counts := map[capture.Type]float64{capture.Int8: 256, capture.Uint8: 256}
	for _, typ := range capture.Types {
		for _, order := range []capture.Order{capture.ByChannel, capture.Interleaved} {
			for _, words := range []drivesim.WordOrder{drivesim.HighFirst, drivesim.LowFirst} {
				d := drivesim.New(drivesim.Spec{Name: "x", Noise: drivesim.Quiet, Recorder: drivesim.Recorder{
					Samples: 50, Type: typ, Order: order, WordOrder: words}}, start)
				d.Trigger(start)
				truth := d.Truth(start.Add(time.Minute))[0]
				for ch, step := range []float64{0.1, 0.1, 0.01, 0.1, 0.1, 0.05, 0.1, 1} {
					scale, offset := step, 0.0
					digital := ch == 7
					switch typ {
					case capture.Float32, capture.Float64:
						scale = 1
					case capture.Uint8:
						scale *= 256
						offset = -128 * scale
					case capture.Uint16, capture.Uint32, capture.Uint64:
						offset = -32768 * scale
					case capture.Int8:
						scale *= counts[typ]
					}
					kind := typ
					if digital {
						scale, offset = 1, 0
						kind = map[capture.Type]capture.Type{capture.Int8: capture.Uint8, capture.Int16: capture.Uint16, capture.Float32: capture.Uint32, capture.Float64: capture.Uint64}[typ]
						if kind == "" {
							kind = typ
						}
					}
					w := len(truth.Data) / (8 * 50)
					for _, i := range []int{0, 1, 49} {
						at := (ch*50 + i) * w
						if order == capture.Interleaved {
							at = (i*8 + ch) * w
						}
						got := decode(kind, truth.Data[at:at+w], words)*scale + offset
						room := scale / 2 * 1.0001
						if kind == capture.Float32 {
							room = 1e-3
						}
						if math.Abs(got-truth.Samples[ch][i]) > room {
							t.Fatalf("%s %s %s: channel %d sample %d is %v, truth %v", typ, order, words, ch, i, got, truth.Samples[ch][i])
						}
					}
				}
			}
		}
	}
}

// decode is written anew, not to share the drive's mistakes.
func decode(typ capture.Type, b []byte, words drivesim.WordOrder) float64 {
	b = append([]byte(nil), b...)
	if words == drivesim.LowFirst {
		for i, j := 0, len(b)-2; i < j; i, j = i+2, j-2 {
			b[i], b[i+1], b[j], b[j+1] = b[j], b[j+1], b[i], b[i+1]
		}
	}
	switch typ {
	case capture.Int8:
		return float64(int8(b[1]))
	case capture.Uint8:
		return float64(b[1])
	case capture.Int16:
		return float64(int16(binary.BigEndian.Uint16(b)))
	case capture.Uint16:
		return float64(binary.BigEndian.Uint16(b))
	case capture.Int32:
		return float64(int32(binary.BigEndian.Uint32(b)))
	case capture.Uint32:
		return float64(binary.BigEndian.Uint32(b))
	case capture.Int64:
		return float64(int64(binary.BigEndian.Uint64(b)))
	case capture.Uint64:
		return float64(binary.BigEndian.Uint64(b))
	case capture.Float32:
		return float64(math.Float32frombits(binary.BigEndian.Uint32(b)))
	}
	return math.Float64frombits(binary.BigEndian.Uint64(b))
}

// Without a recording the data area is zeros, or refused, and the header
// describes the next recording, or is empty.
func TestErasedData(t *testing.T) {
	next := drivesim.New(quick(nil), start)
	next.Configure(start, func(r *drivesim.Recorder) { r.Samples, r.PreTrigger = 200, 0.5 })
	if b, _ := next.Read(start, drivesim.Holding, 32, 5); string(b) != "\x00\x08\x00\xc8\x00\x00\x27\x10\x00\x64" {
		t.Errorf("header % X: want 8 channels, 200 samples, 10000 µs, 100 before", b)
	}
	block := drivesim.New(quick(func(s *drivesim.Spec) { s.Recorder.BareHeader = true }), start)
	block.Replace(start)
	if b, _ := block.Read(start, drivesim.Holding, 32, 5); string(b) != "\x00\x08\x00\x64\x00\x00\x27\x10\x00\x4b" {
		t.Errorf("header % X: want 8 channels, 100 samples, 10000 µs, 75 before", b)
	}
	block.Reset(start.Add(sec))
	for _, at := range []uint16{32, 1024, 1500} {
		b, exception := block.Read(start.Add(sec), drivesim.Holding, at, 7)
		if exception != 0 || string(b) != string(make([]byte, 14)) {
			t.Errorf("after the erasure holding %d is % X, exception %02X", at, b, exception)
		}
	}
	files := drivesim.New(quick(func(s *drivesim.Spec) { s.Face = drivesim.Files; s.Recorder.Refusal = 0x04 }), start)
	if _, exception := files.ReadFile(start, 4, 0, 10); exception != 0x04 {
		t.Errorf("exception %02X from an empty file, want 04", exception)
	}
}

// A selected page shows only after its time; until then the old one stays.
func TestWindowSettles(t *testing.T) {
	d := drivesim.New(quick(func(s *drivesim.Spec) { s.Face = drivesim.Window; s.Recorder.Settle = 50 * ms }), start)
	d.Replace(start)
	data := d.Truth(start)[0].Data
	see := func(at time.Duration) (page uint16, first string) {
		b, _ := d.Read(start.Add(at), drivesim.Holding, 301, 1)
		w, _ := d.Read(start.Add(at), drivesim.Holding, 400, 120)
		return binary.BigEndian.Uint16(b), string(w)
	}
	d.Write(start, drivesim.Holding, 300, []uint16{1})
	if page, w := see(49 * ms); page != 0 || w != string(make([]byte, 240)) {
		t.Errorf("page %d shows before its time", page)
	}
	if page, w := see(50 * ms); page != 1 || w != string(data[:240]) {
		t.Errorf("page %d shows, or other data", page)
	}
	d.Write(start.Add(60*ms), drivesim.Holding, 300, []uint16{7}) // the last: 80 registers
	if page, w := see(100 * ms); page != 1 || w != string(data[:240]) {
		t.Errorf("page %d shows too early", page)
	}
	if page, w := see(110 * ms); page != 7 || w[:160] != string(data[1440:]) {
		t.Errorf("page %d shows, or other data", page)
	}
	for _, page := range []uint16{0, 8} {
		if e := d.Write(start.Add(sec), drivesim.Holding, 300, []uint16{page}); e != 0x03 {
			t.Errorf("page %d gave exception %02X, want 03", page, e)
		}
	}
}

// The drive's clock, its checksum and its counter are those of the recording.
func TestIdentity(t *testing.T) {
	d := drivesim.New(quick(func(s *drivesim.Spec) {
		s.Clock = -90 * time.Minute
		s.Recorder.Checksum = drivesim.CRC32
	}), start)
	d.Replace(start)
	at := start.Add(1500 * ms)
	d.Replace(at)
	truth := d.Truth(at)[1]
	b, _ := d.Read(at, drivesim.Holding, 20, 9)
	want := []uint16{0, 2, 2026, 11, 25, 1, 30, 1, 500}
	for i, w := range want {
		if got := binary.BigEndian.Uint16(b[2*i:]); got != w {
			t.Errorf("register %d is %d, want %d", 20+i, got, w)
		}
	}
	if !truth.Clock.Equal(at.Add(-90*time.Minute)) || truth.Counter != 2 {
		t.Errorf("truth: clock %v, counter %d", truth.Clock, truth.Counter)
	}
	sum, _ := d.Read(at, drivesim.Holding, 38, 2)
	if got := binary.BigEndian.Uint32(sum); got != crc32.ChecksumIEEE(truth.Data) {
		t.Errorf("checksum %08X", got)
	}
}

// A stride leaves gaps between the channels, and only there.
func TestStride(t *testing.T) {
	d := drivesim.New(quick(func(s *drivesim.Spec) { s.Recorder.Stride = 128 }), start)
	d.Replace(start)
	data := d.Truth(start)[0].Data
	for ch := range 8 {
		b, exception := d.Read(start, drivesim.Holding, uint16(1024+128*ch), 100)
		if exception != 0 || string(b) != string(data[200*ch:200*ch+200]) {
			t.Errorf("channel %d: exception %02X or other data", ch, exception)
		}
	}
	if gap, _ := d.Read(start, drivesim.Holding, 1124, 28); string(gap) != string(make([]byte, 56)) {
		t.Error("the gap isn't empty")
	}
}

// Every write is noted with what it meant, refused ones too.
func TestWritesAreNoted(t *testing.T) {
	d := drivesim.New(quick(func(s *drivesim.Spec) { s.Face = drivesim.Window }), start)
	d.Trip(start, drivesim.Jam)
	at := start.Add(sec)
	d.Write(at, drivesim.Holding, 300, []uint16{2})
	d.Write(at, drivesim.Holding, 258, []uint16{1})
	d.Write(at, drivesim.Holding, 258, []uint16{2})
	d.Write(at, drivesim.Holding, 220, []uint16{1, 2})
	d.Write(at, drivesim.Holding, 259, []uint16{1})
	want := []struct {
		kind      drivesim.WriteKind
		exception byte
	}{{drivesim.WritePage, 0}, {drivesim.WriteArm, 0}, {drivesim.WriteArm, 3}, {drivesim.WriteRefused, 2}, {drivesim.WriteReset, 0}}
	got := d.Writes()
	if len(got) != len(want) {
		t.Fatalf("%d writes noted", len(got))
	}
	for i, w := range want {
		if got[i].Kind != w.kind || got[i].Exception != w.exception || !got[i].Time.Equal(at) {
			t.Errorf("write %d: %+v", i, got[i])
		}
	}
	if b, _ := d.Read(at, drivesim.Input, 101, 1); b[1]&8 != 0 {
		t.Error("the fault reset that the drive took didn't reset the fault")
	}
}

// A fault shows in the statusword as CiA 402 says: operation enabled is 27h
// under mask 6Fh, fault is 08h under mask 4Fh.
func TestStatusword(t *testing.T) {
	d := drivesim.New(quick(nil), start)
	word := func() uint16 {
		b, _ := d.Read(start, drivesim.Holding, 0, 2)
		return binary.BigEndian.Uint16(b)
	}
	if w := word(); w&0x6F != 0x27 {
		t.Errorf("running: statusword %04X", w)
	}
	d.Trip(start, drivesim.Jam)
	if w := word(); w&0x4F != 0x08 {
		t.Errorf("tripped: statusword %04X", w)
	}
	if b, _ := d.Read(start, drivesim.Holding, 1, 1); binary.BigEndian.Uint16(b) != 0x2311 {
		t.Errorf("fault code % X", b)
	}
}
