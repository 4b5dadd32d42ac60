package comtrade_test

import (
	"context"
	"encoding/binary"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

var scales = []float64{1, 0.1, 0.01, 0.001, 0.05, 0.3, 2.5, -0.1, 1.0 / 3, 4096}

// draw makes a random capture of the given number types and its samples.
func draw(t *rapid.T, types []capture.Type) (capture.Capture, []byte, []capture.Series) {
	samples := rapid.IntRange(1, 40).Draw(t, "samples")
	c := night(samples)
	e := capture.Encoding{Order: capture.Interleaved, Samples: samples}
	for i := range rapid.IntRange(1, 6).Draw(t, "channels") {
		coding := capture.Coding{Type: rapid.SampledFrom(types).Draw(t, "type"), Scale: 1, LowFirst: rapid.Bool().Draw(t, "low first")}
		channel := capture.Channel{Name: string(rune('a' + i)), Unit: rapid.SampledFrom([]string{"", "A", "1/min", "°C"}).Draw(t, "unit"), Role: capture.RoleOther}
		if i > 0 && coding.Type.Words() == 1 && rapid.IntRange(0, 3).Draw(t, "digital") == 0 {
			channel.Role = capture.RoleDigital
			channel.Bits = []string{"running", "", "fault"}
		} else if coding.Type != capture.Float32 {
			coding.Scale = rapid.SampledFrom(scales).Draw(t, "scale")
			coding.Offset = rapid.SampledFrom([]float64{0, 0, -40, 273.15}).Draw(t, "offset")
		}
		c.Channels = append(c.Channels, channel)
		e.Channels = append(e.Channels, coding)
	}
	c.Encoding = e
	data := rapid.SliceOfN(rapid.Byte(), int(e.Size()), int(e.Size())).Draw(t, "data")
	have := []capture.Range{{Start: 0, End: e.Size()}}
	if rapid.Bool().Draw(t, "partial") {
		have[0].Start = rapid.Int64Range(0, e.Size()).Draw(t, "from")
	}
	c.Integrity.Have = have
	series, err := e.Decode(data, have)
	if err != nil {
		t.Fatal(err)
	}
	c.Trigger.Index = rapid.IntRange(0, samples).Draw(t, "trigger")
	c.Timing.Interval = rapid.SampledFrom([]float64{1e-6, 1e-3, 0.0025, 1.0 / 3, 1.0 / 8000, 3600}).Draw(t, "interval")
	c.Trigger.Time = c.Trigger.Time.Add(time.Duration(rapid.SampledFrom([]int{0, 1000, 999_999_000}).Draw(t, "after")))
	return c, data, series
}

// back decodes what was written and pairs its channels with the capture's:
// analog ones bit for bit, digital ones bit by bit.
func back(t *rapid.T, c capture.Capture, series []capture.Series, f folder) format.Record {
	records, err := comtrade.Decoder{}.Decode(context.Background(), f.files(), format.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := records[0]
	if len(r.Warnings) > 0 {
		t.Fatalf("warns of what faultkeep wrote: %q", r.Warnings)
	}
	if !r.Time.Equal(c.Trigger.Time) || r.Trigger != c.Trigger.Index {
		t.Fatalf("trigger at %v, sample %d; want %v, %d", r.Time, r.Trigger, c.Trigger.Time, c.Trigger.Index)
	}
	if r.Timing.Samples != c.Timing.Samples || math.Abs(r.Timing.Interval/c.Timing.Interval-1) > 1e-15 {
		t.Fatalf("timing %+v, want %+v", r.Timing, c.Timing)
	}
	if got := r.Field("fault"); got != "2311" {
		t.Fatalf("fault %q", got)
	}
	digital(t, c, series, r)
	return r
}

func analogs(c capture.Capture, series []capture.Series) (out []capture.Series) {
	for i, s := range series {
		if !c.Channels[i].Digital() {
			out = append(out, s)
		}
	}
	return out
}

// digital puts the words together again from their status channels.
func digital(t *rapid.T, c capture.Capture, series []capture.Series, r format.Record) {
	at := len(analogs(c, series))
	for i, channel := range c.Channels {
		if !channel.Digital() {
			continue
		}
		var words, missing [64]uint16
		var bit int
		for ; at < len(r.Channels); at++ {
			name := r.Channels[at].Name
			if !strings.Contains("running fault", name) && !strings.HasPrefix(name, channel.Name+" ") || name == "running" && bit > 0 {
				break
			}
			switch name {
			case "running":
				bit = 0
			case "fault":
				bit = 2
			case channel.Name + " not read":
				for k, v := range r.Series[at] {
					missing[k] = uint16(v)
				}
				bit = 99
				continue
			default:
				bit = int(name[len(name)-1] - '0')
				if two := name[len(name)-2]; two == '1' {
					bit += 10
				}
			}
			for k, v := range r.Series[at] {
				words[k] |= uint16(v) << bit
			}
			bit++
		}
		for k, v := range series[i] {
			want := uint16(int64(v))
			if c.Encoding.Channels[i].Type.Words() == 1 && (c.Encoding.Channels[i].Type == capture.Int8 || c.Encoding.Channels[i].Type == capture.Uint8) {
				want &= 0xFF
			}
			if math.IsNaN(v) != (missing[k] == 1) || !math.IsNaN(v) && words[k] != want {
				t.Fatalf("channel %s sample %d: word %04x, missing %d; want %v", channel.Name, k, words[k], missing[k], v)
			}
		}
	}
}

// What 16-bit drives send comes back bit for bit from BINARY, and the file
// holds the drive's own numbers where they don't collide with the missing one.
func TestBinaryGivesBackSixteenBits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, data, series := draw(t, []capture.Type{capture.Int16, capture.Int16, capture.Uint8, capture.Int8})
		// 8000h means missing: a drive's −32768 needs a wider type, see below.
		for i := range c.Encoding.Channels {
			for k := range c.Encoding.Samples {
				at := c.Encoding.At(i, k).Start
				if c.Encoding.Channels[i].Type == capture.Int16 && binary.BigEndian.Uint16(data[at:]) == 0x8000 {
					t.Skip("lowest number")
				}
			}
		}
		e := comtrade.Encoder{Edition: rapid.SampledFrom([]comtrade.Edition{0, comtrade.Edition1999}).Draw(t, "edition")}
		e.Single = e.Edition == 0 && rapid.Bool().Draw(t, "single")
		f := folder{}
		if err := e.Encode(context.Background(), f.create, c, series); err != nil {
			t.Fatal(err)
		}
		r := back(t, c, series, f)
		if got := r.Field("file type"); got != "BINARY" {
			t.Fatalf("written as %s", got)
		}
		for i, want := range analogs(c, series) {
			if err := same(r.Series[i], want); err != nil {
				t.Fatalf("channel %d: %v", i, err)
			}
		}
		if e.Single {
			return
		}
		frame := f[".dat"].Len() / c.Timing.Samples
		column := 0
		for i, s := range series {
			if c.Channels[i].Digital() {
				continue
			}
			for k, v := range s {
				own := c.Encoding.At(i, k)
				want := int16(c.Encoding.Channels[i].Type.Number(data[own.Start:own.End], false))
				if got := int16(binary.LittleEndian.Uint16(f[".dat"].Bytes()[k*frame+8+2*column:])); !math.IsNaN(v) && got != want {
					t.Fatalf("channel %d sample %d: the file holds %d, the drive sent %d", i, k, got, want)
				}
			}
			column++
		}
	})
}

// Every mix of 8-, 16- and 32-bit integers comes back bit for bit from some
// binary type, and so does every mix of floats and 16-bit integers.
func TestSomeTypeGivesBackEveryBit(t *testing.T) {
	for name, types := range map[string][]capture.Type{
		"integers": {capture.Int16, capture.Uint16, capture.Int32, capture.Uint8},
		"floats":   {capture.Float32, capture.Int16},
	} {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				c, data, series := draw(t, types)
				for i, k := range c.Encoding.Channels { // NaN and the lowest numbers mean missing
					for n := range c.Encoding.Samples {
						at := c.Encoding.At(i, n)
						bits := k.Type.Bits(data[at.Start:at.End], k.LowFirst)
						if k.Type == capture.Int32 && bits == 0x80000000 || k.Type == capture.Float32 && bits == 0xFF7FFFFF {
							t.Skip("means missing")
						}
					}
				}
				f := folder{}
				e := comtrade.Encoder{Single: rapid.Bool().Draw(t, "single")}
				if err := e.Encode(context.Background(), f.create, c, series); err != nil {
					t.Fatal(err)
				}
				r := back(t, c, series, f)
				for i, want := range analogs(c, series) {
					if err := same(r.Series[i], want); err != nil {
						t.Fatalf("%s channel %d: %v", r.Field("file type"), i, err)
					}
				}
			})
		})
	}
}
