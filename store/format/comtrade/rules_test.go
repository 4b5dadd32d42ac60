package comtrade_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

// The sources of these rules are IEEE C37.111-1991, -1999 and -2013 (IEC
// 60255-24:2013); where a rule is written down from memory, it says so.

var nan = math.NaN()

// cfg1999 is a configuration of the 1999 edition; kind is its file type.
func cfg1999(kind string) string {
	return lines(
		"Northquay,Bucket elevator,1999",
		"5,2A,3D",
		"1,speed,,,rpm,0.1,0,0,-32767,32767,1,1,P",
		"2,current,A,motor,A,0.5,-10,12.5,-32767,32767,100,5,S",
		"1,running,,,1",
		"2,fault,,motor,0",
		"3,brake,,,0",
		"50",
		"1",
		"1000,4",
		"25/11/2026,03:12:07.410000",
		"25/11/2026,03:12:07.412000",
		kind,
		"1")
}

// C37.111-1999, clauses on the configuration file and on data files in text:
// value = a × number + b, status channels after analog ones, dates day first,
// 1Ah at the end.
func TestEdition1999Text(t *testing.T) {
	r := strict(t, pair(cfg1999("ASCII"), lines("1,0,15000,120,1,0,0", "2,1000,-1,99999,1,0,1", "3,2000,0,,0,1,1", "4,3000,32767,-2,0,1,1")+"\x1a"))
	want := format.Record{
		Channels: []capture.Channel{
			{Name: "speed", Unit: "rpm", Role: capture.RoleOther}, {Name: "current", Unit: "A", Role: capture.RoleOther},
			{Name: "running", Role: capture.RoleDigital, Bits: []string{"running"}},
			{Name: "fault", Role: capture.RoleDigital, Bits: []string{"fault"}},
			{Name: "brake", Role: capture.RoleDigital, Bits: []string{"brake"}},
		},
		Series:  []capture.Series{{1500, -0.1, 0, 3276.7}, {50, nan, nan, -11}, {1, 1, 0, 0}, {0, 0, 1, 1}, {0, 1, 1, 1}},
		Timing:  capture.Timing{Samples: 4, Interval: 0.001},
		Trigger: 2,
		Time:    time.Date(2026, 11, 25, 3, 12, 7, 412e6, time.UTC),
		Fields: []format.Field{{Name: "station", Value: "Northquay"}, {Name: "device", Value: "Bucket elevator"}, {Name: "edition", Value: "1999"},
			{Name: "file type", Value: "ASCII"}, {Name: "line frequency", Value: "50 Hz"},
			{Name: "channel current", Value: "phase A, circuit motor, sampled 12.5 µs after the time of its sample, ratio 100:5, secondary values"},
			{Name: "channel running", Value: "normally 1"}, {Name: "channel fault", Value: "circuit motor"}},
	}
	if d := cmp.Diff(want, r, cmpopts.EquateNaNs()); d != "" {
		t.Error(d)
	}
}

// row is a sample in binary: little-endian number and stamp, analog values,
// then words of status channels.
func row(parts ...any) (out []byte) {
	for _, p := range parts {
		out, _ = binary.Append(out, binary.LittleEndian, p)
	}
	return out
}

func join(rows ...[]byte) (out string) {
	for _, r := range rows {
		out += string(r)
	}
	return out
}

// 1999 and 2013: the lowest status channel is the lowest bit; 8000h,
// 80000000h and, from memory, FF7FFFFFh are missing values.
func TestBinaryTypes(t *testing.T) {
	u := func(n ...uint32) []uint32 { return n }
	for kind, dat := range map[string]string{
		"BINARY": join(row(u(1, 0), int16(15000), int16(120), uint16(0b001)), row(u(2, 1000), int16(-1), int16(math.MinInt16), uint16(0b101)),
			row(u(3, 2000), int16(0), int16(math.MinInt16), uint16(0b110)), row(u(4, math.MaxUint32), int16(32767), int16(-2), uint16(0b110))),
		"BINARY32": join(row(u(1, 0), int32(15000), int32(120), uint16(0b001)), row(u(2, 1000), int32(-1), int32(math.MinInt32), uint16(0b101)),
			row(u(3, 2000), int32(0), int32(math.MinInt32), uint16(0b110)), row(u(4, 3000), int32(32767), int32(-2), uint16(0b110))),
		"FLOAT32": join(row(u(1, 0), float32(15000), float32(120), uint16(0b001)), row(u(2, 1000), float32(-1), uint32(0xFF7FFFFF), uint16(0b101)),
			row(u(3, 2000), float32(0), uint32(0xFF7FFFFF), uint16(0b110)), row(u(4, 3000), float32(32767), float32(-2), uint16(0b110))),
	} {
		t.Run(kind, func(t *testing.T) {
			cfg := cfg1999(kind)
			if kind != "BINARY" {
				cfg = cfg2013(kind, "0,0", "0,3")
			}
			r := strict(t, pair(cfg, dat))
			want := []capture.Series{{1500, -0.1, 0, 3276.7}, {50, nan, nan, -11}, {1, 1, 0, 0}, {0, 0, 1, 1}, {0, 1, 1, 1}}
			if d := cmp.Diff(want, r.Series, cmpopts.EquateNaNs()); d != "" {
				t.Error(d)
			}
		})
	}
}

// 16 status channels fill a word, the 17th begins the next.
func TestStatusWords(t *testing.T) {
	cfg := []string{"Northquay,Fan,1999", "17,0A,17D"}
	for i := range 17 {
		cfg = append(cfg, fmt.Sprintf("%d,bit,,,0", i+1))
	}
	cfg = append(cfg, "50", "1", "100,2", "25/11/2026,03:12:07.0", "25/11/2026,03:12:07.0", "BINARY", "1")
	r := strict(t, pair(lines(cfg...), join(row([]uint32{1, 0}, uint16(0x8001), uint16(0)), row([]uint32{2, 10000}, uint16(0x0002), uint16(1)))))
	for i, s := range r.Series {
		want := map[int]capture.Series{0: {1, 0}, 1: {0, 1}, 15: {1, 0}, 16: {0, 1}}[i]
		if want == nil {
			want = capture.Series{0, 0}
		}
		if d := cmp.Diff(want, s); d != "" {
			t.Errorf("status channel %d: %s", i+1, d)
		}
	}
}

// 1991: no year, 10 and 3 fields, month first, no multiplier of stamps, FFFFh
// for a missing value.
func TestEdition1991(t *testing.T) {
	cfg := func(kind string) string {
		return lines("Northquay,Belt 3", "2,1A,1D", "1,speed,,,rpm,0.1,0,0,-2048,2047", "1,fault,1", "60", "1", "500,3",
			"11/25/91,03:12:07.410000", "11/25/91,03:12:07.412000", kind)
	}
	at := time.Date(1991, 11, 25, 3, 12, 7, 412e6, time.UTC)
	text := strict(t, pair(cfg("ASCII"), lines("1,0,10,1", "2,2000,,0", "3,4000,99999,0")+"\x1a"))
	if d := cmp.Diff([]capture.Series{{1, nan, nan}, {1, 0, 0}}, text.Series, cmpopts.EquateNaNs()); d != "" || !text.Time.Equal(at) || text.Trigger != 1 {
		t.Errorf("%s%v, sample %d", d, text.Time, text.Trigger)
	}
	if got := text.Field("channel fault"); got != "normally 1" {
		t.Errorf("the status channel: %q", got)
	}
	u := func(n ...uint32) []uint32 { return n }
	numbers := one(t, pair(cfg("BINARY"), join(row(u(1, 0), int16(10), uint16(1)), row(u(2, 2000), uint16(0xFFFF), uint16(0)), row(u(3, 4000), int16(-32768), uint16(0)))))
	if d := cmp.Diff([]capture.Series{{1, nan, -3276.8}, {1, 0, 0}}, numbers.Series, cmpopts.EquateNaNs()); d != "" {
		t.Error(d)
	}
	// A recorder may have meant −1, so that is told.
	if d := cmp.Diff([]string{`trip.dat has 1 sample of channel "speed" with the number FFFFh, which means missing in the 1991 edition.`}, numbers.Warnings); d != "" {
		t.Error(d)
	}
}

// cfg2013 is cfg1999 in the 2013 edition with its two lines more.
func cfg2013(kind, zone, quality string) string {
	c := cfg1999(kind)
	return lines("Northquay,Bucket elevator,2013") + c[len(lines("Northquay,Bucket elevator,1999")):] + lines(zone, quality)
}

const text1999 = "1,0,1,1,1,0,0\r\n2,1000,2,2,1,0,1\r\n3,2000,3,3,0,1,1\r\n4,3000,4,4,0,1,1\r\n\x1a"

// 2013: time_code is what the file's times are ahead of UTC; tmq_code says how
// good its clock was.
func TestTimeCodes(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Skip(err)
	}
	at := func(h, m int) time.Time { return time.Date(2026, 11, 25, h, m, 7, 412e6, time.UTC) }
	for _, c := range []struct {
		zone, quality string
		want          time.Time
		words         string
	}{
		{"0,x", "0,0", at(3, 12), "clock locked"},
		{"-4,-4", "B,3", at(7, 12), "within 10 s"},
		{"+5h30,+5h30", "4,0", time.Date(2026, 11, 24, 21, 42, 7, 412e6, time.UTC), "within 1 µs"},
		{"-5h30,0", "F,1", at(8, 42), "clock not reliable"},
	} {
		f := pair(cfg2013("ASCII", c.zone, c.quality), text1999)
		records, err := comtrade.Decoder{}.Decode(context.Background(), f, format.Options{Zone: oslo})
		if err != nil {
			t.Fatal(err)
		}
		if r := records[0]; !r.Time.Equal(c.want) || r.Field("time quality") != c.words || len(r.Warnings) > 0 {
			t.Errorf("%s: %v, %q, %q; want %v, %q", c.zone, r.Time, r.Field("time quality"), r.Warnings, c.want, c.words)
		}
	}
	// What tells no zone of its own is in the site's.
	records, err := comtrade.Decoder{}.Decode(context.Background(), pair(cfg1999("ASCII"), text1999), format.Options{Zone: oslo})
	if err != nil || !records[0].Time.Equal(at(2, 12)) {
		t.Errorf("%v %v, want %v", records, err, at(2, 12))
	}
}

// timed is a configuration with one channel and the given lines from the
// number of rates to the multiplier.
func timed(edition string, l ...string) string {
	head := []string{"Northquay,Fan," + edition, "1,1A,0D", "1,speed,,,rpm,1,0,0,-99999,99998,1,1,P", "50"}
	if edition == "2013" {
		l = append(l, "0,0", "0,0")
	}
	return lines(append(head, l...)...)
}

// Several rates: each holds up to its own last sample.
func TestSeveralRates(t *testing.T) {
	r := strict(t, pair(timed("1999", "3", "1000,2", "500,4", "500,5", "25/11/2026,03:12:07.000000", "25/11/2026,03:12:07.004000", "ASCII", "1"),
		lines("1,0,1", "2,1000,2", "3,2000,3", "4,4000,4", "5,6000,5")+"\x1a"))
	want := capture.Timing{Samples: 5, Interval: 0.001, Rates: []capture.Rate{{End: 2, Interval: 0.001}, {End: 5, Interval: 0.002}}}
	if d := cmp.Diff(want, r.Timing); d != "" || r.Trigger != 3 {
		t.Errorf("%strigger at sample %d, want 3", d, r.Trigger)
	}
}

// nrates 0: a line "0,endsamp" follows, and time is stamp × multiplier.
func TestTimeFromStamps(t *testing.T) {
	r := strict(t, pair(timed("1999", "0", "0,6", "25/11/2026,03:12:07.000000", "25/11/2026,03:12:07.070000", "ASCII", "10"),
		lines("1,0,1", "2,1000,2", "3,2000,3", "4,3000,4", "5,7000,5", "6,11000,6")+"\x1a"))
	want := capture.Timing{Samples: 6, Interval: 0.01, Rates: []capture.Rate{{End: 3, Interval: 0.01}, {End: 6, Interval: 0.04}}}
	if d := cmp.Diff(want, r.Timing, cmpopts.EquateApprox(1e-12, 0)); d != "" || r.Trigger != 4 {
		t.Errorf("%strigger at sample %d, want 4", d, r.Trigger)
	}
}

// 2013: where the times carry nanoseconds, so do the stamps.
func TestNanoseconds(t *testing.T) {
	r := strict(t, pair(timed("2013", "0", "0,3", "25/11/2026,03:12:07.000000500", "25/11/2026,03:12:07.000001500", "ASCII", "2"),
		lines("1,0,1", "2,500,2", "3,1000,3")+"\x1a"))
	if math.Abs(r.Timing.Interval-1e-6) > 1e-15 || r.Trigger != 1 || r.Time.Nanosecond() != 1500 {
		t.Errorf("interval %g, trigger at sample %d, %d ns", r.Timing.Interval, r.Trigger, r.Time.Nanosecond())
	}
}

// The ratio and P or S: primary value = secondary value × primary / secondary.
func TestSides(t *testing.T) {
	for side, want := range map[comtrade.Side]float64{comtrade.AsWritten: -8, comtrade.Secondary: -8, comtrade.Primary: -160} {
		records, err := comtrade.Decoder{Side: side}.Decode(context.Background(), pair(cfg1999("ASCII"), "1,0,1,4,1,0,0\r\n"+text1999[len("1,0,1,1,1,0,0\r\n"):]), format.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if got := records[0].Series[1][0]; got != want {
			t.Errorf("%q: %g, want %g", side, got, want)
		}
	}
}

// Without a ratio values stay where they are, and that is told.
func TestNoRatio(t *testing.T) {
	cfg := strings.Replace(cfg1999("ASCII"), "100,5,S", "0,5,S", 1)
	records, err := comtrade.Decoder{Side: comtrade.Primary}.Decode(context.Background(), pair(cfg, text1999), format.Options{})
	want := []string{`trip.cfg gives no ratio between the sides of channel "current", which stays on the secondary side.`}
	if err != nil || records[0].Series[1][0] != -9.5 || cmp.Diff(want, records[0].Warnings) != "" {
		t.Errorf("%v %v", records, err)
	}
}

// A .cff holds all files of a set between separators (2013); binary samples
// have their size there and may look like a separator.
func TestSingleFile(t *testing.T) {
	const inside = "\r\n--- file type: CFG ---\r\n" // 26 bytes, as samples
	dat := join(row([]uint32{1, 0}, int16(1)), row([]uint32{2, 1000}, int16(2))) + inside + "pad!"
	cfg := timed("2013", "1", "1000,5", "25/11/2026,03:12:07.000000", "25/11/2026,03:12:07.001000", "BINARY", "1")
	cff := "--- file type: CFG ---\r\n" + cfg + "--- file type: INF ---\r\n[Public Record_Information]\r\nFault=2311\r\n" +
		"--- file type: HDR ---\r\nBucket elevator,\r\nat night\r\n--- file type: DAT BINARY: 50 ---\r\n" + dat
	r := one(t, []format.File{{Name: "trip.CFF", Bytes: []byte(cff)}})
	if got := r.Series[0]; len(got) != 5 || got[0] != 1 || got[1] != 2 {
		t.Errorf("samples %v", got)
	}
	if r.Field("fault") != "2311" || r.Field("header") != "Bucket elevator,\r\nat night" {
		t.Errorf("fields %q", r.Fields)
	}
	text := "--- file type: CFG ---\r\n" + cfg2013("ASCII", "0,0", "0,0") + "--- file type: INF ---\r\n--- file type: HDR ---\r\n--- file type: DAT ASCII ---\r\n" + text1999[:len(text1999)-1]
	if r := strict(t, []format.File{{Name: "trip.cff", Bytes: []byte(text)}}); len(r.Series[0]) != 4 {
		t.Errorf("samples %v", r.Series)
	}
}
