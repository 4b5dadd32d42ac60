package comtrade_test

import (
	"context"
	"encoding/binary"
	"math"
	"runtime"
	"testing"
	"time"

	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

// large is a capture of 8 channels, written in one type of data.
func large(b *testing.B, samples int, d comtrade.Data) []format.File {
	b.Helper()
	var channels []capture.Channel
	series := make([]capture.Series, 8)
	c := night(samples)
	c.Encoding = capture.Encoding{Order: capture.ByChannel, Samples: samples}
	for i := range series {
		channels = append(channels, speed)
		c.Encoding.Channels = append(c.Encoding.Channels, capture.Coding{Type: capture.Int16, Scale: 0.1})
		series[i] = make(capture.Series, samples)
		for k := range series[i] {
			series[i][k] = capture.Scaled(float64(int16(k*(i+3))|1), 0.1)
		}
	}
	c.Channels = channels
	f := encode(b, comtrade.Encoder{Data: d}, c, series)
	return []format.File{{Name: "trip.cfg", Bytes: f[".cfg"].Bytes()}, {Name: "trip.dat", Bytes: f[".dat"].Bytes()}}
}

// BenchmarkDecode reads 8 × 1,000,000 samples. loop/decode is a plain loop over
// the same bytes that converts them, divided by ours with all its checks;
// peak/decoded all memory that decoding takes, what it gives back included,
// together with the file's bytes, divided by that of the samples.
func BenchmarkDecode(b *testing.B) {
	const samples = 1_000_000
	for _, d := range []comtrade.Data{comtrade.Binary, comtrade.Binary32, comtrade.Float32, comtrade.ASCII} {
		b.Run(string(d), func(b *testing.B) {
			files := large(b, samples, d)
			size := len(files[0].Bytes) + len(files[1].Bytes)
			b.SetBytes(int64(len(files[1].Bytes)))
			floor, ours := time.Duration(math.MaxInt64), time.Duration(math.MaxInt64) // best rounds: others share the machine
			decode := func() {
				if _, err := (comtrade.Decoder{}).Decode(context.Background(), files, format.Options{}); err != nil {
					b.Fatal(err)
				}
			}
			for b.Loop() {
				if d == comtrade.Binary {
					floor = min(floor, lasts(func() { plain(files[1].Bytes, samples) }))
				}
				ours = min(ours, lasts(decode))
			}
			if d == comtrade.Binary {
				b.ReportMetric(floor.Seconds()/ours.Seconds(), "loop/decode")
			}
			b.ReportMetric(float64(allocates(decode)+uint64(size))/(8*8*samples), "peak/decoded")
		})
	}
}

// lasts is how long f takes, begun with the garbage of others collected.
func lasts(f func()) time.Duration {
	runtime.GC()
	begun := time.Now()
	f()
	return time.Since(begun)
}

// plain converts the rows of 8 channels of 16 bits and checks nothing.
func plain(data []byte, samples int) []capture.Series {
	out := make([]capture.Series, 8)
	for i := range out {
		out[i] = make(capture.Series, samples)
	}
	const frame = 8 + 2*8
	for i := range samples {
		for ch := range out {
			out[ch][i] = 0.1 * float64(int16(binary.LittleEndian.Uint16(data[i*frame+8+2*ch:])))
		}
	}
	return out
}

// BenchmarkEncode writes 8 × 1,000,000 samples, the choice of the type included.
func BenchmarkEncode(b *testing.B) {
	const samples = 1_000_000
	files := large(b, samples, comtrade.Binary)
	r := one(b, files)
	c := night(samples, r.Channels...)
	c.Encoding = capture.Encoding{Order: capture.ByChannel, Samples: samples}
	for range r.Channels {
		c.Encoding.Channels = append(c.Encoding.Channels, capture.Coding{Type: capture.Int16, Scale: 0.1})
	}
	b.SetBytes(int64(len(files[1].Bytes)))
	for b.Loop() {
		encode(b, comtrade.Encoder{}, c, r.Series)
	}
}
