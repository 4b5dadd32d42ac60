package regmap_test

import (
	"encoding/binary"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

const recorder = `
name: test
status:
  state: {holding: 10, values: {1: armed, 3: ready}}
header:
  channel_count: {holding: 20}
  samples: {holding: 21, type: uint32}
  interval: {holding: 23, type: float32}
  trigger: {holding: 25}
  time: {year: {holding: 30, offset: 2000}, month: {holding: 31}, day: {holding: 32}, hour: {holding: 33}, minute: {holding: 34}, second: {holding: 35}, millisecond: {holding: 36}}
channels:
  - {select: {holding: 40}}
  - {select: {holding: 41}}
  - {name: word, role: digital, bits: [a, "", c]}
  - {select: {holding: 42}}
signals:
  3: {name: current, role: current, unit: A, scale: 0.01}
  4: {name: position, type: int32, words: low-first, offset: -5}
data: {layout: block, input: 1000, type: int16}
`

func parsed(t *testing.T, src string) *regmap.Map {
	t.Helper()
	m, problems := regmap.Parse("m.yaml", []byte(src))
	if len(problems) > 0 {
		t.Fatalf("%v\nin %s", problems, src)
	}
	return m
}

// read answers everything the map wants of its header from registers.
func read(m *regmap.Map, registers map[int]uint16) (img regmap.Image) {
	for _, r := range regmap.Plan(m.HeaderValues(), m.Limits) {
		var b []byte
		for a := int(r.Address); a < r.End(); a++ {
			b = binary.BigEndian.AppendUint16(b, registers[a])
		}
		img.Add(r, b)
	}
	return img
}

func header() map[int]uint16 {
	ms := math.Float32bits(0.001)
	return map[int]uint16{20: 4, 21: 0, 22: 100, 23: uint16(ms >> 16), 24: uint16(ms), 25: 70,
		30: 26, 31: 11, 32: 25, 33: 3, 34: 12, 35: 7, 36: 412, 40: 3, 41: 4, 42: 3}
}

func TestRecordingIsWhatTheHeaderSays(t *testing.T) {
	m := parsed(t, recorder)
	got, err := m.Recording(read(m, header()))
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 11, 25, 3, 12, 7, 412e6, time.UTC)
	want := regmap.Recording{
		Encoding: capture.Encoding{Order: capture.ByChannel, Samples: 100, Channels: []capture.Coding{
			{Type: capture.Int16, Scale: 0.01}, {Type: capture.Int32, LowFirst: true, Scale: 1, Offset: -5}, {Type: capture.Int16, Scale: 1}, {Type: capture.Int16, Scale: 0.01}}},
		Channels: []capture.Channel{
			{Name: "current", Unit: "A", Role: capture.RoleCurrent}, {Name: "position", Role: capture.RoleOther},
			{Name: "word", Role: capture.RoleDigital, Bits: []string{"a", "", "c"}}, {Name: "current (2)", Unit: "A", Role: capture.RoleCurrent}},
		Timing:    capture.Timing{Samples: 100, Interval: float64(float32(0.001))},
		Trigger:   70,
		DriveTime: &at,
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestRecordingWithFewerChannelsAndUnknownSignals(t *testing.T) {
	m := parsed(t, recorder)
	h := header()
	h[20], h[41] = 2, 17
	got, err := m.Recording(read(m, h))
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Channels) != 2 || got.Channels[1].Name != "signal 17" || got.Channels[1].Role != capture.RoleOther ||
		got.Encoding.Channels[1] != (capture.Coding{Type: capture.Int16, Scale: 1}) {
		t.Errorf("%+v", got)
	}
}

func TestRecordingRefusesWhatCannotBe(t *testing.T) {
	nan := math.Float32bits(float32(math.NaN()))
	for name, c := range map[string]struct {
		change map[int]uint16
		want   string
	}{
		"no samples":          {map[int]uint16{22: 0}, "the number of samples at holding 21–22 is 0, which is not a whole number from 1 to"},
		"trigger outside":     {map[int]uint16{25: 100}, "the trigger at holding 25 is 100, which is not a whole number from 0 to 99"},
		"NaN interval":        {map[int]uint16{23: uint16(nan >> 16), 24: uint16(nan)}, "the sample interval at holding 23–24 comes out as NaN s"},
		"interval of nothing": {map[int]uint16{23: 0, 24: 0}, "comes out as 0 s"},
		"too many channels":   {map[int]uint16{20: 5}, "the channel count at holding 20 is 5, which is not a whole number from 1 to 4"},
		"no channels":         {map[int]uint16{20: 0}, "the channel count at holding 20 is 0"},
		"past the table":      {map[int]uint16{21: 1}, "65636 samples of 4 channels from input 1000 on would end at 329179, past the last address 65535"},
		"wrong word order":    {map[int]uint16{21: 100, 22: 0}, "6553600 samples"},
		"nonsense":            {map[int]uint16{21: 0xFFFF, 22: 0xFFFF}, "the number of samples at holding 21–22 is 4294967295"},
	} {
		m := parsed(t, recorder)
		h := header()
		for a, v := range c.change {
			h[a] = v
		}
		if _, err := m.Recording(read(m, h)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	fixed := parsed(t, strings.Replace(recorder, "trigger: {holding: 25}", "trigger: 100", 1))
	if _, err := fixed.Recording(read(fixed, header())); err == nil || !strings.Contains(err.Error(), "header.trigger of the map is 100, but the recording has 100 samples by holding 21–22") {
		t.Errorf("a fixed trigger outside: %v", err)
	}
	m := parsed(t, recorder)
	if _, err := m.Recording(regmap.Image{}); err == nil || !strings.Contains(err.Error(), "was not read") {
		t.Errorf("an empty image: %v", err)
	}
}

func TestRecordingOutgrowsItsLayout(t *testing.T) {
	change := func(data string) string {
		return strings.Replace(recorder, "data: {layout: block, input: 1000, type: int16}", data, 1)
	}
	for data, want := range map[string]string{
		"data: {layout: block, input: 1000, stride: 199}":                                           "channel 2 has 200 registers, more than data.stride (199) leaves between channels",
		"data: {layout: window, page: {holding: 500, type: int8}, holding: 600, length: 3}":         "100 samples of 4 channels take 167 pages, more than a page select of type int8 can number",
		"data: {layout: window, page: {holding: 500}, first: 65500, holding: 600, length: 10}":      "more than a page select of type uint16 can number",
		"data: {layout: file-records, file: 1}\nlimits: {registers: 5}":                             "",
		"data: {layout: file-records, file: 65535, records_per_file: 100}":                          "past file 65535",
		"data: {layout: block, input: 1000, stride: 200}":                                           "",
		"data: {layout: window, page: {holding: 500}, holding: 600, length: 1, first: -0, step: 1}": "",
		"data: {layout: file-records, file: 65535}":                                                 "",
	} {
		m := parsed(t, change(data))
		rec, err := m.Recording(read(m, header()))
		switch {
		case want == "" && err != nil, want != "" && (err == nil || !strings.Contains(err.Error(), want)):
			t.Errorf("%s: %v, want %q", data, err, want)
		case want == "" && rec.Encoding.Size() != 1000:
			t.Errorf("%s: %d bytes", data, rec.Encoding.Size())
		}
	}
}

// What a hostile drive claims must not fill the memory.
func TestRecordingRefusesWhatWouldTakeForEver(t *testing.T) {
	for limit, want := range map[string]string{"registers: 125": "", "registers: 4": "take at least 327805 requests of 4 registers; faultkeep makes at most 262144"} {
		src := strings.Replace(recorder, "data: {layout: block, input: 1000, type: int16}", "data: {layout: file-records, file: 1}\nlimits: {"+limit+"}", 1)
		m := parsed(t, src)
		h := header()
		h[21] = 4 // 262,244 samples of five registers
		if _, err := m.Recording(read(m, h)); want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %v", limit, err)
		}
	}
}

// A wrong clock must not cost a recording: the time is left out.
func TestDriveTimeThatCannotBeIsNone(t *testing.T) {
	for name, change := range map[string]map[int]uint16{
		"month 13": {31: 13}, "31 April": {31: 4, 32: 31}, "second 60": {35: 60}, "never set": {30: 0, 31: 0, 32: 0}, "29 February of 2026": {31: 2, 32: 29},
	} {
		m := parsed(t, recorder)
		h := header()
		for a, v := range change {
			h[a] = v
		}
		got, err := m.Recording(read(m, h))
		if err != nil || got.DriveTime != nil {
			t.Errorf("%s: %v, %v", name, got.DriveTime, err)
		}
	}
	for _, c := range []struct {
		entry string
		regs  map[int]uint16
		want  time.Time
	}{
		// date -u -d '2026-11-25 03:12:07' +%s = 1795576327 = 6B065207h
		{"{unix_seconds: {holding: 30, type: uint32}}", map[int]uint16{30: 0x6B06, 31: 0x5207}, time.Date(2026, 11, 25, 3, 12, 7, 0, time.UTC)},
		{"{unix_seconds: {holding: 30, type: uint32}}", map[int]uint16{30: 0, 31: 0}, time.Time{}},
		{"{unix_milliseconds: {holding: 30, type: uint64}}", map[int]uint16{30: 0, 31: 0x01A2, 32: 0x0000, 33: 0x0001}, time.UnixMilli(0x01A2_0000_0001)},
		{"{unix_milliseconds: {holding: 30, type: uint64}}", map[int]uint16{30: 0xFFFF, 31: 1, 32: 1, 33: 1}, time.Time{}},
		{"{unix_seconds: {holding: 30, type: uint64, scale: 0.001}}", map[int]uint16{30: 0, 31: 0x01A2, 32: 0, 33: 0x0001}, time.UnixMilli(0x01A2_0000_0001)},
	} {
		lines := strings.Split(recorder, "\n")
		for i, line := range lines {
			if strings.HasPrefix(line, "  time:") {
				lines[i] = "  time: " + c.entry
			}
		}
		m := parsed(t, strings.Join(lines, "\n"))
		h := header()
		for a, v := range c.regs {
			h[a] = v
		}
		got, err := m.Recording(read(m, h))
		switch {
		case err != nil:
			t.Error(err)
		case c.want.IsZero() && got.DriveTime != nil:
			t.Errorf("%s: %v", c.entry, got.DriveTime)
		case !c.want.IsZero() && (got.DriveTime == nil || !got.DriveTime.Equal(c.want)):
			t.Errorf("%s: %v, want %v", c.entry, got.DriveTime, c.want.UTC())
		}
	}
}
