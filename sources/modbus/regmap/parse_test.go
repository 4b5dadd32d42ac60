package regmap_test

import (
	"encoding/binary"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/configs"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

func TestShippedMapsAreRight(t *testing.T) {
	if len(configs.Maps()) == 0 {
		t.Fatal("no maps are shipped")
	}
	for _, name := range configs.Maps() {
		src, err := configs.Map(name)
		if err != nil {
			t.Fatal(err)
		}
		m, problems := regmap.Parse(name+".yaml", src)
		if len(problems) > 0 {
			t.Errorf("%v", problems)
		}
		if m.Name != name {
			t.Errorf("%s.yaml calls itself %s", name, m.Name)
		}
	}
}

func TestGenericBlockComesOutAsWritten(t *testing.T) {
	src, _ := configs.Map("generic-block")
	m := parsed(t, string(src))
	at := func(name string, address uint16, kind capture.Type, scale float64, unit string) regmap.Value {
		return regmap.Value{Name: name, Table: regmap.Holding, Address: address, Type: kind, Bit: -1, Scale: scale, Unit: unit}
	}
	state := at("recorder state", 103, capture.Uint16, 1, "")
	state.Values = map[int64]string{0: "idle", 1: "armed", 2: "recording", 3: "ready"}
	if d := cmp.Diff(&state, m.Status.State); d != "" {
		t.Error(d)
	}
	fault := at("fault", 100, capture.Uint16, 1, "")
	fault.Bit = 3
	if d := cmp.Diff(&fault, m.Status.Fault); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]regmap.Value{at("speed", 110, capture.Int16, 0.1, "rpm"), at("current", 111, capture.Int16, 0.01, "A"), at("DC link", 112, capture.Uint16, 0.1, "V")}, m.LiveValues()); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(regmap.Data{Layout: regmap.Block, Order: capture.ByChannel, Type: capture.Int16, Table: regmap.Holding, Address: 1000, Stride: 4096}, m.Data); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(&regmap.Arm{Writes: []regmap.Write{{Table: regmap.Holding, Address: 161, Words: []uint16{1}}}, Within: 2 * time.Second}, m.Arm); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(regmap.Limits{Registers: 125, Connections: 1, Bridge: 16}, m.Limits); d != "" {
		t.Error(d)
	}
	if len(m.HeaderValues()) != 8 || len(m.StatusValues()) != 6 || len(m.IdentityValues()) != 1 || len(m.SettingsValues()) != 2 || len(m.Channels) != 8 || len(m.Hash) != 64 {
		t.Errorf("%d header, %d status, %d identity, %d settings, %d channels, hash %q", len(m.HeaderValues()), len(m.StatusValues()), len(m.IdentityValues()), len(m.SettingsValues()), len(m.Channels), m.Hash)
	}
	if reads := regmap.Plan(append(m.StatusValues(), m.LiveValues()...), m.Limits); len(reads) != 1 {
		t.Errorf("a poll takes %d requests: %v", len(reads), reads)
	}
}

// base is the least that a map needs.
const base = `name: least
status: {state: {holding: 10, values: {3: ready}}}
header: {samples: 100, interval: 1ms, trigger: 50}
channels: [{name: a}]
data: {layout: block, holding: 100}
`

// with replaces base's line of the same key, or adds one.
func with(line string) string {
	key, _, _ := strings.Cut(line, ":")
	lines := strings.Split(base, "\n")
	for i := range lines {
		if strings.HasPrefix(lines[i], key+":") {
			lines[i] = line
			return strings.Join(lines, "\n")
		}
	}
	return base + line + "\n"
}

func TestWhatAMapMayLeaveOut(t *testing.T) {
	parsed(t, base)
	for _, src := range []string{
		with("header: {samples: 0x64, interval: 0.001, trigger: 0}"),
		with("header: {samples: {input: 3}, interval: {input: 4, scale: 1e-6}, trigger: {input: 5, type: int32, words: low-first}}"),
		with("status: {state: {discrete: 7, values: {0: armed, 1: ready}}}"),
		with("status: {state: {holding: 10, bit: 3, values: {0: armed, 1: ready}}}"),
		with("status: {state: {holding: 10, mask: 0x0F00, values: {0x0100: armed, 0x0300: ready}}}"),
		with("channels: [{name: a, role: speed}, {name: b, role: speed}]"), // one role twice
		with("channels: [{name: a, bits: [x, y]}]"),
		with("data: {layout: window, page: {holding: 5}, holding: 100, length: 10}"),
		with("data: {layout: window, page: {holding: 5}, shows: {holding: 5}, holding: 100, length: 10, first: 1, step: 10, settle: 2s}"),
		with("data: {layout: file-records, file: 4, record: 1, order: interleaved, type: float32, words: low-first}"),
		with("checksum: {kind: crc-32, holding: 20, type: uint32}"),
		with("checksum: {kind: sum, input: 20, type: uint8}"),
		with("expect: [{holding: 30, equals: 3}, {name: b, holding: 31, low: 1}]"),
		with("expect: [{holding: 30, equals: 3}]\narm: {writes: [{holding: 30, value: 3}]}"), // arming may set a setting
		with("limits: {registers: 1, connections: 4, gap: 5ms, bridge: 0}"),
	} {
		src = strings.Replace(src, "{3: ready}", "{1: armed, 3: ready}", 1)
		parsed(t, src)
		parsed(t, strings.Replace(src, "name: least", "\ufeffname: least", 1)) // as a Windows editor saves it
	}
}

func TestProblemsOfAMap(t *testing.T) {
	armed := "status: {state: {holding: 10, values: {1: armed, 3: ready}}}\n"
	arming := func(writes string) string {
		return strings.Replace(with("arm: {writes: ["+writes+"]}"), "status: {state: {holding: 10, values: {3: ready}}}\n", armed, 1)
	}
	for _, c := range []struct{ src, want string }{
		{"name: a\n", "m: status: is missing; say where the recorder's state is\nm: header: is missing; say how many samples there are, how far apart, and where the trigger is\nm: channels: is missing; list the recording's channels\nm: data: is missing; say where the samples are"},
		{strings.Replace(base, "name: least", "note: x", 1), "m: name: is missing"},
		{strings.Replace(base, "status:", "statsu:", 1), "m:2:1: statsu: is not a known key; did you mean status?"},
		{with("status: {fault: {holding: 1}}"), "m:2:1: status.state: is missing"},
		{with("status: {state: {holding: 10}}"), "status.state.values: has no number that means ready"},
		{with("status: {state: {holding: 10, values: {1: armed}}}"), "has no number that means ready"},
		{with("status: {state: {holding: 10, values: {1: armd, 3: ready}}}"), `status.state.values.1: is "armd", which is not a recorder state; did you mean armed?`},
		{with("status: {state: {discrete: 10, values: {2: ready}}}"), "m:2:41: status.state.values.2: can't occur; the number lies within 0 to 1"},
		{with("status: {state: {holding: 10, bit: 3, values: {8: ready}}}"), "can't occur; the number lies within 0 to 1"},
		{with("status: {state: {holding: 10, mask: 0xF0, values: {3: ready}}}"), "can't occur with mask 0xf0; numbers are compared after the mask and aren't shifted"},
		{with("status: {state: {holding: 10, type: int8, values: {-129: ready}}}"), "can't occur; the number lies within -128 to 127"},
		{with("status: {state: {values: {3: ready}}}"), "status.state: says no place; add holding, input, coil or discrete with its address"},
		{with("status: {state: {holding: 1, input: 2, values: {3: ready}}}"), "status.state.input: is a second place; holding is given too"},
		{with("status: {state: {holding: 65536, values: {3: ready}}}"), "status.state.holding: is 65536, wanted 0 to 65535"},
		{with("status: {state: {holding: 65535, type: uint32, values: {3: ready}}}"), "status.state.holding: is 65535, and uint32 takes 2 registers, past the last address 65535"},
		{with("status: {state: {holding: 1, bit: 16, values: {1: ready}}}"), "status.state.bit: is 16; uint16 has bits 0 to 15"},
		{with("status: {state: {holding: 1, type: uint8, bit: 8, values: {1: ready}}}"), "is 8; uint8 has bits 0 to 7"},
		{with("status: {state: {holding: 1, type: float32, bit: 1}}"), "status.state.bit: is of a float32"},
		{with("status: {state: {holding: 1, type: float32, values: {3: ready}}}"), "status.state.values: is on a float32"},
		{with("status: {state: {holding: 1, bit: 1, mask: 2, values: {1: ready}}}"), "status.state.mask: stands beside bit"},
		{with("status: {state: {holding: 1, mask: 0x10000, values: {3: ready}}}"), "status.state.mask: is 0x10000; uint16 has 16 bits"},
		{with("status: {state: {coil: 1, bit: 1, values: {1: ready}}}"), "status.state.bit: is for registers; a coil is one bit"},
		{with("status: {state: {coil: 1, type: uint16, values: {1: ready}}}"), "status.state.type: is for registers"},
		{with("status: {state: {holding: 1, type: word, values: {3: ready}}}"), `status.state.type: is "word", which is not a type`},
		{with("status: {state: {holding: 1, words: low-first, values: {3: ready}}}"), "status.state.words: is given for a type of one register"},
		{with("status: {state: {holding: 1, type: uint32, words: low, values: {3: ready}}}"), `status.state.words: is "low", which is not a word order`},
		{with("status: {state: {holding: 1, scale: 0, values: {3: ready}}}"), "status.state.scale: is 0"},
		{with("status: {state: {holding: 1, values: {3: ready}}, fault_code: {holding: 2, type: float32}}"), "status.fault_code.type: is float32"},
		{with("header: {samples: 0, interval: 1ms, trigger: 0}"), "m:3:19: header.samples: is 0, wanted 1 to"},
		{with("header: {samples: 100, interval: 1ms, trigger: 100}"), "header.trigger: is 100; with 100 samples it is 0 to 99"},
		{with("header: {samples: many, interval: 1ms, trigger: 1}"), "header.samples: is text (many), wanted a whole number"},
		{with("header: {samples: 1, interval: 0, trigger: 0}"), "header.interval: is 0, wanted more than 0"},
		{with("header: {samples: 1, interval: fast, trigger: 0}"), `header.interval: is text ("fast"), wanted a duration`},
		{with("header: {samples: 1, interval: 48h, trigger: 0}"), "header.interval: is 48h, wanted more than 0"},
		{with("header: {samples: 1}"), "m:3:1: header.interval: is missing; write a place such as {holding: 100}, or a number that never changes\nm:3:1: header.trigger: is missing"},
		{with("header: {samples: 1, interval: 1ms, trigger: 0, time: {}}"), "header.time: says no place"},
		{with("header: {samples: 1, interval: 1ms, trigger: 0, time: {year: {holding: 1}, day: {holding: 2}}}"), "header.time.month: is missing"},
		{with("header: {samples: 1, interval: 1ms, trigger: 0, time: {year: {holding: 1}, unix_seconds: {holding: 2}}}"), "header.time: is given in more than one way"},
		{with("header: {channel_count: 3, samples: 1, interval: 1ms, trigger: 0}"), "header.channel_count: is 3, wanted a set of keys"},
		{with("channels: []"), "channels: is an empty list"},
		{with("channels: [" + strings.Repeat("{name: a}, ", 65) + "]"), "channels: has 65 entries; the most is 64"},
		{with("channels: [{name: a}, {name: a}]"), `m:4:30: channels[1].name: is "a", as that of channels[0]`},
		{with("channels: [{role: speed}]"), "channels[0].name: is missing"},
		{with("channels: [{name: a, role: spede}]"), `channels[0].role: is "spede", which is not a role; did you mean speed?`},
		{with("channels: [{name: a, role: speed, bits: [x]}]"), "channels[0].bits: is given for role speed"},
		{with("channels: [{name: a, type: uint8, bits: [a,b,c,d,e,f,g,h,i]}]"), "channels[0].bits: names 9 bits; uint8 has 8"},
		{with("channels: [{name: a, role: digital, type: float32}]"), "channels[0].type: is float32"},
		{with("channels: [{name: a, role: digital, scale: 2}]"), "scales a digital word"},
		{with("channels: [{select: {holding: 7}}]"), "channels: has a select, but there is no signals table"},
		{with("signals: {3: {name: a}}"), "signals: is not used: no channel has a select"},
		{strings.Replace(with("signals: {3: {name: a, role: torq}}"), "[{name: a}]", "[{select: {holding: 7}, name: a}]", 1), "channels[0].name: stands beside select, which takes it from signals; leave it out\nm:6:30: signals.3.role: is \"torq\", which is not a role; did you mean torque?"},
		{with("data: {holding: 100}"), "data.layout: is missing; known here: block, window, file-records"},
		{with("data: {layout: blok, holding: 100}"), `data.layout: is "blok", which is not a layout; did you mean block?`},
		{with("data: {layout: block}"), "data: says no place"},
		{with("data: {layout: block, holding: 1, input: 1}"), "data.input: is a second place"},
		{with("data: {layout: block, holding: 100, order: by_channel}"), `did you mean by-channel?`},
		{with("data: {layout: block, holding: 100, page: {holding: 1}}"), "data.page: is not for layout block; leave it out; this layout has holding, input, stride"},
		{with("data: {layout: block, holding: 100, file: 1}"), "data.file: is not for layout block"},
		{with("data: {layout: block, holding: 100, order: interleaved, stride: 5}"), "data.stride: is given for interleaved data"},
		{with("data: {layout: block, holding: 65500}"), "data: 100 samples of 1 channels from holding 65500 on would end at 65599, past the last address 65535"},
		{strings.Replace(with("data: {layout: block, holding: 100, stride: 99}"), "[{name: a}]", "[{name: a}, {name: b}]", 1), "channel 1 has 100 registers, more than data.stride (99)"},
		{strings.Replace(with("data: {layout: block, holding: 100, stride: 65535}"), "[{name: a}]", "[{name: a}, {name: b}]", 1), "data.stride: is 65535, so the last of 2 channels would start at 65635"},
		{with("data: {layout: window, holding: 100, length: 10}"), "data.page: is missing"},
		{with("data: {layout: window, page: {holding: 5}, length: 10}"), "data: says no place"},
		{with("data: {layout: window, page: {holding: 5}, holding: 100}"), "data.length: is missing"},
		{with("data: {layout: window, page: {holding: 5}, holding: 65530, length: 10}"), "data.length: is 10, so the window would end past"},
		{with("data: {layout: window, page: {holding: 5}, holding: 100, length: 10, step: 0}"), "data.step: is 0"},
		{with("data: {layout: window, page: {holding: 5}, holding: 100, length: 10, settle: 0s}"), "data.settle: is 0s"},
		{with("data: {layout: window, page: {holding: 5}, first: -1, holding: 100, length: 10}"), "data.first: is -1, which a page select of type uint16 can't hold"},
		{with("data: {layout: window, page: {input: 5}, holding: 100, length: 10}"), "data.page.input: can't be written as a page number"},
		{with("data: {layout: window, page: {coil: 5}, holding: 100, length: 10}"), "data.page.coil: can't be written as a page number"},
		{with("data: {layout: window, page: {holding: 5, scale: 2}, holding: 100, length: 10}"), "data.page: is changed by"},
		{with("data: {layout: window, page: {holding: 10}, holding: 100, length: 10}"), "data.page.holding: would write holding 10, which is read as status.state"},
		{with("data: {layout: window, page: {holding: 105}, holding: 100, length: 10}"), "data.page.holding: would write holding 105, which is read as data"},
		{with("data: {layout: file-records}"), "data.file: is missing"},
		{with("data: {layout: file-records, file: 0}"), "data.file: is 0, wanted 1 to 65535"},
		{with("data: {layout: file-records, file: 1, record: 10000}"), "data.record: is 10000, wanted 0 to 9999"},
		{with("data: {layout: file-records, file: 1, record: 50, records_per_file: 50}"), "data.record: is 50; a file of 50 records has 0 to 49"},
		{with("checksum: {kind: crc32, holding: 20, type: uint32}"), `checksum.kind: is "crc32", which is not a checksum faultkeep knows; did you mean crc-32?`},
		{with("checksum: {kind: crc-32, holding: 20}"), "checksum.type: is uint16, 16 bits; crc-32 has 32; write type: uint32"},
		{with("checksum: {kind: crc-16, holding: 20, type: uint8}"), "checksum.type: is uint8, 8 bits; crc-16 has 16"},
		{with("checksum: {kind: sum, coil: 20}"), "checksum: is at a single bit"},
		{with("checksum: {holding: 20}"), "checksum.kind: is missing"},
		{with("checksum: {kind: sum, holding: 20, scale: 2}"), "checksum: is changed by"},
		{with("expect: [{holding: 30}]"), "expect[0]: says no wanted value"},
		{with("expect: [{holding: 30, equals: 1, low: 2}]"), "expect[0].equals: stands beside low or high"},
		{with("expect: [{holding: 30, low: 3, high: 2}]"), "expect[0].low: is 3, above high, which is 2"},
		{with("live: [{name: a, holding: 1}, {name: a, holding: 2}]"), `live[1].name: is "a", as that of live[0]`},
		{with("live: [{}]"), "live[0]: says no place"},
		{with("identity: [" + strings.Repeat("{holding: 1}, ", 65) + "]"), "identity: has 65 entries; the most is 64"},
		{with("limits: {registers: 126}"), "limits.registers: is 126, wanted 1 to 125"},
		{with("limits: {registers: 0}"), "limits.registers: is 0, wanted 1 to 125"},
		{with("limits: {gap: 5}"), "limits.gap: is 5, a number without a unit"},
		{with("limits: {gap: 1m}"), "limits.gap: is 1m; the most is 10s"},
		{with("limits: {registers: 1}\nlive: [{holding: 5, type: uint32}]"), "live[0].type: is uint32, 2 registers, more than limits.registers (1)"},
		{with("arm: {writes: [{holding: 50, value: 1}]}"), "has no number that means armed, so arming couldn't be confirmed"},
		{arming(""), "arm.writes: is missing"},
		{arming("{input: 50, value: 1}"), "arm.writes[0].input: can't be written"},
		{arming("{discrete: 50, value: 1}"), "arm.writes[0].discrete: can't be written"},
		{arming("{holding: 50}"), "arm.writes[0].value: is missing"},
		{arming("{value: 1}"), "arm.writes[0]: says no place"},
		{arming("{holding: 50, value: 65536}"), "arm.writes[0].value: is 65536; uint16 holds 0 to 65535"},
		{arming("{holding: 50, value: -1}"), "is -1; uint16 holds 0 to 65535"},
		{arming("{holding: 50, value: on}"), "is text (on), wanted a whole number"},
		{arming("{holding: 50, type: float32, value: 1e39}"), "which float32 can't hold"},
		{arming("{coil: 50, value: 2}"), "is 2; a coil takes 0 or 1"},
		{arming("{coil: 50, type: uint16, value: 1}"), "gives type or words for a coil"},
		{arming("{holding: 65535, type: uint32, value: 1}"), "past the last address 65535"},
		{arming("{holding: 10, value: 1}"), "m:6:26: arm.writes[0].holding: would write holding 10, which is read as status.state; check the address"},
		{arming("{holding: 9, type: uint32, value: 1}"), "would write holding 9–10, which is read as status.state"},
		{arming("{holding: 199, value: 1}"), "would write holding 199, which is read as data"},
		{arming("{coil: 5, value: 1}") + "live: [{name: l, coil: 5}]\n", "would write coil 5, which is read as live[0]"},
		{arming("{holding: 60, value: 1}") + "identity: [{name: i, holding: 60}]\n", "which is read as identity[0]"},
		{arming("{holding: 61, value: 1}") + "checksum: {kind: sum, holding: 61}\n", "which is read as checksum"},
		{strings.Replace(arming("{holding: 62, value: 1}"), "samples: 100", "samples: {holding: 62}", 1), "which is read as header.samples"},
		{arming(strings.Repeat("{holding: 50, value: 1}, ", 33)), "arm.writes: has 33 entries; the most is 32"},
	} {
		_, problems := regmap.Parse("m", []byte(c.src))
		got := problems.Error()
		if !strings.Contains(got, c.want) || strings.Count(got, "\n") > strings.Count(c.want, "\n") {
			t.Errorf("%s\n got %s\nwant %s", c.src, got, c.want)
		}
	}
}

func TestArmWritesInOrderAndWidth(t *testing.T) {
	src := strings.Replace(base, "{3: ready}", "{1: armed, 3: ready}", 1) + `arm:
  within: 3s
  writes:
    - {holding: 50, value: 0xFFFF}
    - {coil: 7, value: 1}
    - {holding: 52, type: int32, value: -2}
    - {holding: 52, type: uint32, words: low-first, value: 65538}
    - {holding: 54, type: float32, value: -12.5}
    - {holding: 56, type: int8, value: -1}
    - {holding: 99, value: 0}
`
	m := parsed(t, src)
	want := []regmap.Write{
		{Table: regmap.Holding, Address: 50, Words: []uint16{0xFFFF}},
		{Table: regmap.Coil, Address: 7, Words: []uint16{1}},
		{Table: regmap.Holding, Address: 52, Words: []uint16{0xFFFF, 0xFFFE}},
		{Table: regmap.Holding, Address: 52, Words: []uint16{2, 1}},
		{Table: regmap.Holding, Address: 54, Words: []uint16{0xC148, 0}},
		{Table: regmap.Holding, Address: 56, Words: []uint16{0xFF}},
		{Table: regmap.Holding, Address: 99, Words: []uint16{0}},
	}
	if d := cmp.Diff(want, m.Arm.Writes); d != "" {
		t.Error(d)
	}
	if m.Arm.Within != 3*time.Second {
		t.Error(m.Arm.Within)
	}
}

// Whatever stands in a map: it is refused, or everything made of it keeps to
// the address space and to what the map may write.
func FuzzParse(f *testing.F) {
	for _, name := range configs.Maps() {
		src, _ := configs.Map(name)
		f.Add(src, []byte{0, 4, 0, 100, 0, 0, 0, 100})
	}
	f.Add([]byte(recorder), []byte{0, 4})
	f.Add([]byte(with("data: {layout: window, page: {holding: 5}, holding: 100, length: 10}")), []byte{1})
	f.Add([]byte(with("data: {layout: file-records, file: 4, record: 1, order: interleaved, type: float32, words: low-first}")), []byte{1})
	f.Fuzz(func(t *testing.T, src, registers []byte) {
		m, problems := regmap.Parse("m", src)
		if len(problems) > 0 {
			return
		}
		var img regmap.Image
		at := 0
		for _, values := range [][]regmap.Value{m.StatusValues(), m.LiveValues(), m.IdentityValues(), m.SettingsValues(), m.HeaderValues()} {
			reads := regmap.Plan(values, m.Limits)
			if why := wrong(values, reads, m.Limits); why != "" {
				t.Fatal(why)
			}
			for _, r := range reads {
				b := make([]byte, 0, 2*int(r.Count))
				for range 2 * int(r.Count) {
					if len(registers) > 0 {
						at = (at + 1) % len(registers)
						b = append(b, registers[at])
					} else {
						b = append(b, 0)
					}
				}
				img.Add(r, b)
			}
			for _, v := range values {
				if r, ok := img.Get(v); !ok || r.Text == "" {
					t.Fatalf("%s reads as %+v, %v", v.Place(), r, ok)
				}
			}
		}
		if m.Arm != nil {
			for _, w := range m.Arm.Writes {
				for _, v := range append(m.HeaderValues(), append(m.StatusValues(), m.IdentityValues()...)...) {
					if w.Table == v.Table && int(w.Address) < v.End() && int(v.Address) < int(w.Address)+len(w.Words) {
						t.Fatalf("arming writes %s", v.Place())
					}
				}
			}
		}
		rec, err := m.Recording(img)
		if err != nil || rec.Encoding.Size() > 1<<20 {
			return
		}
		if rec.Encoding.Check() != nil || len(rec.Channels) != len(rec.Encoding.Channels) || rec.Trigger < 0 || rec.Trigger >= rec.Timing.Samples || !(rec.Timing.Interval > 0) {
			t.Fatalf("%+v", rec)
		}
		var total int64
		for _, tile := range m.Tiles(rec.Encoding, rec.Trigger) {
			total += int64(tile.Bytes)
			if tile.Read.End() > 65536 || int(tile.Record)+tile.Words > 10_000 && m.Data.Layout == regmap.FileRecords {
				t.Fatalf("%+v", tile)
			}
		}
		if total != rec.Encoding.Size() {
			t.Fatalf("%d of %d bytes", total, rec.Encoding.Size())
		}
	})
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte{0x7F, 0xC0, 0, 0, 0, 0, 0, 0}, 3.5, uint8(8))
	f.Fuzz(func(t *testing.T, b []byte, scale float64, kind uint8) {
		v := value(capture.Types[int(kind)%len(capture.Types)])
		v.Scale = scale
		if len(b) < 2*v.Words() {
			b = append(b, make([]byte, 8)...)
		}
		got := v.Decode(b)
		if v.Type == capture.Uint16 && got.Raw != int64(binary.BigEndian.Uint16(b)) || got.Text == "" {
			t.Errorf("%+v", got)
		}
	})
}

// What the guide for technicians shows must work.
func TestExamplesOfTheGuide(t *testing.T) {
	guide, err := configs.FS.ReadFile("maps/README.md")
	if err != nil {
		t.Fatal(err)
	}
	whole, data := 0, 0
	for i, block := range strings.Split(string(guide), "```") {
		if src, ok := strings.CutPrefix(block, "yaml\nname:"); ok && i%2 == 1 {
			parsed(t, "name:"+src)
			whole++
		} else if src, ok := strings.CutPrefix(block, "yaml\narm:"); ok && i%2 == 1 {
			parsed(t, strings.Replace(strings.Replace(base, "{3: ready}", "{1: armed, 3: ready}", 1), "holding: 100}", "holding: 1000}", 1)+"arm:"+src)
			whole++
		}
	}
	for _, line := range strings.Split(string(guide), "\n") {
		if line, _, _ := strings.Cut(strings.TrimSpace(line), "       "); strings.HasPrefix(line, "data: {") {
			parsed(t, with(line))
			data++
		}
	}
	if whole != 2 || data != 5 {
		t.Errorf("found %d whole examples and %d of data", whole, data)
	}
}
