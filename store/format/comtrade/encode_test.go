package comtrade_test

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"faultkeep/store/capture"
	"faultkeep/store/format/comtrade"
)

var (
	speed  = capture.Channel{Name: "speed", Unit: "1/min", Role: capture.RoleSpeed}
	torque = capture.Channel{Name: "Drehmoment, Welle", Unit: "", Role: capture.RoleTorque}
	states = capture.Channel{Name: "status", Role: capture.RoleDigital, Bits: []string{"running", "", "fault"}}
)

// specimen is a small capture with a hole in it.
func specimen() (capture.Capture, []capture.Series) {
	c := night(4, speed, torque, states)
	c.Timing.Rates = []capture.Rate{{End: 2, Interval: 0.001}, {End: 4, Interval: 0.5}}
	c.Encoding = capture.Encoding{Order: capture.ByChannel, Samples: 4, Channels: []capture.Coding{
		{Type: capture.Int16, Scale: 0.1}, {Type: capture.Uint16, Scale: 0.5}, {Type: capture.Uint16, Scale: 1}}}
	return c, []capture.Series{{150, -0.1, nan, 3276.7}, {0, 16383.5, nan, 1}, {1, 5, nan, 16}}
}

// The 2013 edition field by field (IEEE C37.111-2013): the lines of a .cfg in
// their order, and rows of text with 99999 for a missing value. Where units are
// lacking, NONE is from memory, and so is x for a local code that isn't known.
func TestWritesStrict2013(t *testing.T) {
	c, series := specimen()
	f := encode(t, comtrade.Encoder{Data: comtrade.ASCII}, c, series)
	if d := cmp.Diff(lines(
		"Northquay,Bucket elevator,2013",
		"6,2A,4D",
		"1,speed,,,1/min,0.1,0,0,-3.4E38,3.4E38,1,1,P",
		"2,Drehmoment; Welle,,,NONE,0.5,0,0,-3.4E38,3.4E38,1,1,P",
		"1,running,,status,0",
		"2,fault,,status,0",
		"3,status bit 4,,status,0",
		"4,status not read,,status,0",
		"0",
		"2",
		"1000,2",
		"2,4",
		"25/11/2026,03:12:06.908000",
		"25/11/2026,03:12:07.410000",
		"ASCII",
		"1",
		"0,x",
		"A,3"), f[".cfg"].String()); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(lines("1,0,1500,0,1,0,0,0", "2,1000,-1,32767,1,1,0,0", "3,2000,99999,99999,0,0,0,1", "4,502000,32767,2,0,0,1,0")+"\x1a", f[".dat"].String()); d != "" {
		t.Error(d)
	}
	if want := "[faultkeep Capture]\r\nCapture=20261125-031207-elevator-k3fq\r\nDrive=elevator\r\nTitle=Bucket elevator\r\nFault=2311\r\nFault_Name=Continuous overcurrent, output 1\r\nWholeness=whole\r\n"; f[".inf"].String() != want {
		t.Errorf("%q", f[".inf"])
	}
	if want := "Bucket elevator: Continuous overcurrent, output 1 (2311)\r\nTrigger 2026-11-25 03:12:07.410000 UTC\r\n"; !strings.HasPrefix(f[".hdr"].String(), want) {
		t.Errorf("%q", f[".hdr"])
	}
}

// 1999: ASCII names, two lines less, whole numbers in text.
func TestWritesStrict1999(t *testing.T) {
	c, series := specimen()
	c.Site, c.Channels[0].Unit = "Nørdkai", "°C"
	f := encode(t, comtrade.Encoder{Edition: comtrade.Edition1999, Data: comtrade.ASCII}, c, series)
	l := strings.Split(f[".cfg"].String(), "\r\n")
	for i, want := range map[int]string{0: "Noerdkai,Bucket elevator,1999", 2: "1,speed,,,degC,0.1,0,0,-99999,99998,1,1,P", 14: "ASCII", 15: "1", 16: ""} {
		if l[i] != want {
			t.Errorf("line %d: %q, want %q", i+1, l[i], want)
		}
	}
	for extension, b := range f {
		for _, c := range b.Bytes() {
			if c > 0x7E {
				t.Fatalf("%s isn't ASCII: %q", extension, b)
			}
		}
	}
}

// What was written is read without a warning and tells the same, in every
// edition and type.
func TestReadsBackWhatItWrote(t *testing.T) {
	c, series := specimen()
	want := []capture.Series{series[0], series[1], {1, 1, 0, 0}, {0, 1, 0, 0}, {0, 0, 0, 1}, {0, 0, 1, 0}}
	for _, e := range []comtrade.Encoder{{}, {Data: comtrade.ASCII}, {Data: comtrade.Binary}, {Data: comtrade.Binary32}, {Data: comtrade.Float32}, {Single: true},
		{Data: comtrade.ASCII, Single: true}, {Data: comtrade.Float32, Single: true}, {Edition: comtrade.Edition1999}, {Edition: comtrade.Edition1999, Data: comtrade.ASCII}} {
		r := strict(t, encode(t, e, c, series).files())
		if d := cmp.Diff(want, r.Series, cmpopts.EquateNaNs()); d != "" {
			t.Errorf("%+v: %s", e, d)
		}
		if d := cmp.Diff(c.Timing.Rates, r.Timing.Rates); d != "" || r.Trigger != 3 || !r.Time.Equal(c.Trigger.Time) || r.Channels[1].Unit != "" || r.Channels[0].Unit != "1/min" {
			t.Errorf("%+v: %strigger %d at %v, units %q %q", e, d, r.Trigger, r.Time, r.Channels[0].Unit, r.Channels[1].Unit)
		}
	}
}

// The narrowest type that gives every sample back is taken.
func TestTypeOfData(t *testing.T) {
	for _, c := range []struct {
		name   string
		kind   capture.Type
		scale  float64
		series capture.Series
		want   string
		off    float64 // how far a sample may come back beside itself
	}{
		{"16 bits", capture.Int16, 0.1, capture.Series{-3276.7, 0, 3276.7}, "BINARY", 0},
		{"the lowest 16 bits mean missing", capture.Int16, 1, capture.Series{-32768, 5, 32767}, "BINARY32", 0},
		{"the lowest alone is moved", capture.Int16, 1, capture.Series{-32768, 5}, "BINARY", 0},
		{"16 bits without a sign", capture.Uint16, 0.5, capture.Series{0, 32767}, "BINARY", 0},
		{"all of them", capture.Uint16, 0.5, capture.Series{0, 32767.5}, "BINARY32", 0},
		{"32 bits", capture.Int32, 0.001, capture.Series{-2147483.647, 0.001}, "BINARY32", 0},
		{"32 bits without a sign", capture.Uint32, 0.01, capture.Series{0, 42949672.94, 21474836.49}, "BINARY32", 1e-7},
		{"floats", capture.Float32, 1, capture.Series{float64(float32(0.1)), float64(float32(1e30))}, "FLOAT32", 0},
		{"infinite", capture.Float32, 1, capture.Series{math.Inf(1), 1}, "FLOAT32", 0},
		{"whole floats", capture.Float32, 1, capture.Series{3, -7}, "BINARY", 0},
		{"wide floats", capture.Float64, 1, capture.Series{0.1, 1e9 + 1}, "FLOAT32", 1},
		{"nothing", capture.Float64, 1, capture.Series{nan, nan}, "BINARY", 0},
		{"beyond floats", capture.Float64, 1, capture.Series{1e300, -1e300, 0.1}, "FLOAT32", 1e301},
		{"what means missing", capture.Float32, 1, capture.Series{-math.MaxFloat32, 0.5}, "FLOAT32", 1e32},
	} {
		cp := night(len(c.series), speed)
		cp.Encoding = capture.Encoding{Order: capture.ByChannel, Samples: len(c.series), Channels: []capture.Coding{{Type: c.kind, Scale: c.scale}}}
		f := encode(t, comtrade.Encoder{}, cp, []capture.Series{c.series})
		r := strict(t, f.files())
		if got := r.Field("file type"); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
		for i, v := range r.Series[0] {
			if w := c.series[i]; v != w && !(math.IsNaN(v) && math.IsNaN(w)) && !(math.Abs(v-w) <= c.off) {
				t.Errorf("%s: sample %d is %v, want %v", c.name, i, v, w)
			}
		}
		if told := strings.Contains(f[".hdr"].String(), "is rounded"); told != (c.off > 0.5) {
			t.Errorf("%s: the header says %q", c.name, f[".hdr"])
		}
	}
}

// Text holds 13 characters a number, and 99999 would mean missing.
func TestText(t *testing.T) {
	values := capture.Series{1.0 / 3, -1e300 / 3e270, 99999, 1e-30, 123456789012345}
	r := strict(t, encode(t, comtrade.Encoder{Data: comtrade.ASCII}, night(5, torque), []capture.Series{values}).files())
	for i, v := range r.Series[0] {
		if math.IsNaN(v) || math.Abs(v/values[i]-1) > 1e-5 {
			t.Errorf("sample %d is %v, want %v", i, v, values[i])
		}
	}
}

// A record of days has stamps of 32 bits that still tell its samples apart,
// and one of nanoseconds has times to match.
func TestStampsFit(t *testing.T) {
	for _, c := range []struct {
		interval   float64
		nano       int
		multiplier string
		time       string
	}{
		{0.001, 0, "1", "25/11/2026,03:12:07.410000"},
		{3600, 0, "10", "25/11/2026,03:12:07.410000"},
		{86400, 0, "1000", "25/11/2026,03:12:07.410000"},
		{1e-6, 0, "1", "25/11/2026,03:12:07.410000000"},
		{1, 5, "10", "25/11/2026,03:12:07.410000005"},
	} {
		cp := night(8, speed)
		cp.Timing.Interval = c.interval
		cp.Trigger.Time = cp.Trigger.Time.Add(time.Duration(c.nano))
		f := encode(t, comtrade.Encoder{}, cp, []capture.Series{make(capture.Series, 8)})
		l := strings.Split(f[".cfg"].String(), "\r\n")
		if !slices.Contains(l, c.time) || l[9] != c.multiplier {
			t.Errorf("%g s: %q", c.interval, l)
		}
		if r := strict(t, f.files()); r.Trigger != 6 || r.Timing.Interval != c.interval || !r.Time.Equal(cp.Trigger.Time) {
			t.Errorf("%g s: trigger %d at %v, interval %g", c.interval, r.Trigger, r.Time, r.Timing.Interval)
		}
	}
}

// More stretches than the standard can tell: time comes from the stamps.
func TestManyRates(t *testing.T) {
	cp := night(3000, speed)
	cp.Timing.Rates = nil
	for i := range 3000 {
		cp.Timing.Rates = append(cp.Timing.Rates, capture.Rate{End: i + 1, Interval: []float64{0.001, 0.002}[i%2]})
	}
	r := strict(t, encode(t, comtrade.Encoder{}, cp, []capture.Series{make(capture.Series, 3000)}).files())
	for i := range 3000 {
		if off := r.Timing.Between(0, i) - cp.Timing.Between(0, i); math.Abs(off) > 1.5e-6 {
			t.Fatalf("sample %d lies %g s off", i, off)
		}
	}
}

func TestEncoderRefuses(t *testing.T) {
	good, series := specimen()
	disk := errors.New("no space left")
	for name, c := range map[string]struct {
		e      comtrade.Encoder
		change func(*capture.Capture)
		create func(string) (io.Writer, error)
		says   string
	}{
		"edition":       {e: comtrade.Encoder{Edition: 1991}, says: "editions 1999 and 2013, not 1991"},
		"type":          {e: comtrade.Encoder{Data: "BINARY64"}, says: "no file type"},
		"type of 1999":  {e: comtrade.Encoder{Edition: 1999, Data: comtrade.Float32}, says: "came with the 2013 edition"},
		"single 1999":   {e: comtrade.Encoder{Edition: 1999, Single: true}, says: "came with the 2013 edition"},
		"no samples":    {change: func(c *capture.Capture) { c.Timing.Samples = 0 }, says: "no samples"},
		"no channels":   {change: func(c *capture.Capture) { c.Channels = nil }, says: "no samples"},
		"a channel off": {change: func(c *capture.Capture) { c.Channels = c.Channels[:2] }, says: "2 channels, but there are samples of 3"},
		"samples off":   {change: func(c *capture.Capture) { c.Timing.Samples = 5 }, says: "4 samples, the capture 5"},
		"no interval":   {change: func(c *capture.Capture) { c.Timing.Rates, c.Timing.Interval = nil, 0 }, says: "interval of 0 s"},
		"rates off":     {change: func(c *capture.Capture) { c.Timing.Rates = c.Timing.Rates[:1] }, says: "hold for 2 of 4"},
		"a full disk":   {create: func(string) (io.Writer, error) { return nil, disk }, says: disk.Error()},
		"a full file":   {create: func(string) (io.Writer, error) { return full{disk}, nil }, says: disk.Error()},
	} {
		cp := good
		if c.change != nil {
			c.change(&cp)
		}
		if c.create == nil {
			c.create = folder{}.create
		}
		if err := c.e.Encode(context.Background(), c.create, cp, series); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := (comtrade.Encoder{}).Encode(ctx, folder{}.create, good, series); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

type full struct{ err error }

func (f full) Write([]byte) (int, error) { return 0, f.err }

// Names can't break lines, fields or sections.
func TestHostileNames(t *testing.T) {
	bad := "a,b\r\n--- file type: DAT ASCII ---\r\n\xff\x00" + strings.Repeat("ü", 300)
	cp := night(2, capture.Channel{Name: bad, Unit: bad}, capture.Channel{Role: capture.RoleDigital, Name: bad, Bits: []string{bad}})
	cp.Site, cp.Title, cp.Fault.Name, cp.Integrity.Why, cp.Provenance.Warnings = bad, bad, bad, "--- file type: CFG ---", []string{bad}
	for _, e := range []comtrade.Encoder{{}, {Single: true}, {Edition: comtrade.Edition1999}} {
		r := strict(t, encode(t, e, cp, []capture.Series{{1, 2}, {1, 0}}).files())
		if len(r.Series) != 2 || r.Series[0][1] != 2 || r.Series[1][0] != 1 {
			t.Errorf("%v", r.Series)
		}
	}
}
