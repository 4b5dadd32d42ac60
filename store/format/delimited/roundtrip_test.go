package delimited_test

import (
	"context"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/delimited"
)

// encode writes a capture as comma separated values (RFC 4180), times rounded
// to 12 digits and samples exact.
func encode(c capture.Capture, series []capture.Series) []byte {
	line := []byte("time [s]")
	for _, ch := range c.Channels {
		line = append(line, `,"`+strings.ReplaceAll(ch.Name, `"`, `""`)+" ["+ch.Unit+`]"`...)
	}
	out := append(line, '\r', '\n')
	for i := range c.Timing.Samples {
		out = strconv.AppendFloat(out, c.At(i), 'g', 12, 64)
		for _, s := range series {
			out = append(out, ',')
			if !math.IsNaN(s[i]) {
				out = strconv.AppendFloat(out, s[i], 'g', -1, 64)
			}
		}
		out = append(out, '\r', '\n')
	}
	return out
}

func drawn(t *rapid.T) (capture.Capture, []capture.Series) {
	var c capture.Capture
	n := rapid.IntRange(3, 60).Draw(t, "samples")
	c.Timing = capture.Timing{Samples: n, Interval: rapid.SampledFrom([]float64{1, 0.1, 0.001, 2.5e-4, 1e-6, 1.0 / 3, 0.007}).Draw(t, "interval")}
	c.Trigger.Index = rapid.IntRange(0, n-1).Draw(t, "trigger")
	var series []capture.Series
	for range rapid.IntRange(1, 6).Draw(t, "channels") {
		name := rapid.StringMatching(`[A-Za-zäöü][A-Za-z0-9 ,;"/_()\[\]°-]{0,12}[a-z\])]`).Draw(t, "name")
		c.Channels = append(c.Channels, capture.Channel{Name: strings.TrimSpace(name), Role: capture.RoleOther,
			Unit: rapid.SampledFrom([]string{"", "A", "1/min", "°C", "%", "widgets"}).Draw(t, "unit")})
		s := make(capture.Series, n)
		for i := range s {
			s[i] = rapid.OneOf(rapid.Float64(), rapid.Float64Range(-2000, 2000), rapid.Just(math.NaN())).Draw(t, "v")
		}
		s[0] = rapid.Float64Range(2, 9).Draw(t, "first") // not a channel of bits, nor an empty one
		series = append(series, s)
	}
	return c, series
}

// What was written is read exactly: names, units, every sample's bits, the trigger.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c, series := drawn(rt)
		b := encode(c, series)
		records, err := delimited.Decoder{}.Decode(context.Background(), []format.File{{Name: "x.csv", Bytes: b}}, format.Options{})
		if err != nil || len(records) != 1 {
			rt.Fatalf("%v, %d records\n%s", err, len(records), b)
		}
		r := records[0]
		if len(r.Channels) != len(c.Channels) || r.Timing.Samples != c.Timing.Samples || r.Trigger != c.Trigger.Index ||
			math.Abs(r.Timing.Interval/c.Timing.Interval-1) > 1e-9 {
			rt.Fatalf("%+v trigger %d, was %+v trigger %d\n%s", r.Timing, r.Trigger, c.Timing, c.Trigger.Index, b)
		}
		for i, ch := range r.Channels {
			if ch.Name != c.Channels[i].Name || ch.Unit != c.Channels[i].Unit {
				rt.Fatalf("channel %+v, was %+v\n%s", ch, c.Channels[i], b)
			}
			for k, v := range r.Series[i] {
				if was := series[i][k]; math.Float64bits(v) != math.Float64bits(was) && !(math.IsNaN(v) && math.IsNaN(was)) {
					rt.Fatalf("sample %d is %v, was %v", k, v, was)
				}
			}
		}
	})
}

// FuzzDecode: no text makes the decoder panic, or say something of a file that
// can't be: series of other lengths, a trigger outside.
func FuzzDecode(f *testing.F) {
	for _, s := range []string{"Time [s],a\n0,1\n1,2\n", "a;b\n1,5;2\n\n2,5;3\n", "\ufeffDate;Time;x\n2026-11-25;03:12:07,5;1\n2026-11-25;03:12:08,5;2\n",
		"x\ty\n1\t\"2\n3\"\n", "Time [ms];P\n0;1.234,5\n1;2.000,0\n0;1\n1;2\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		files := []format.File{{Name: "x.csv", Bytes: b}}
		delimited.Decoder{}.Sniff(files)
		records, err := delimited.Decoder{}.Decode(context.Background(), files, format.Options{})
		if err != nil {
			return
		}
		for _, r := range records {
			if len(r.Channels) == 0 || len(r.Series) != len(r.Channels) || r.Trigger < 0 || r.Trigger > r.Timing.Samples || !(r.Timing.Interval > 0) {
				t.Fatalf("%+v", r)
			}
			for _, s := range r.Series {
				if len(s) != r.Timing.Samples {
					t.Fatalf("%d samples of %d", len(s), r.Timing.Samples)
				}
			}
		}
	})
}
