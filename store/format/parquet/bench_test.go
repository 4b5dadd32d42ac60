package parquet_test

import (
	"context"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"faultkeep/store/capture"
	"faultkeep/store/format/parquet"
)

// long is a capture of channels that wander like a drive's, of scaled 16-bit
// numbers. They all have the same samples.
func long(channels, samples int) (capture.Capture, []capture.Series) {
	dice := rand.New(rand.NewPCG(1, 1))
	one := make(capture.Series, samples)
	for k := range one {
		one[k] = capture.Scaled(math.Round(8000*math.Sin(float64(k)/5000)+40*dice.NormFloat64()), 0.1)
	}
	return night(slices.Repeat([]capture.Channel{{Name: "speed", Unit: "1/min"}}, channels), slices.Repeat([]capture.Series{one}, channels)...)
}

type counter int64

func (c *counter) Write(b []byte) (int, error) { *c += counter(len(b)); return len(b), nil }

// B/sample is the file's size by samples and channels; 8 are a double.
func BenchmarkEncode(b *testing.B) {
	c, series := long(8, 1_000_000)
	var size counter
	for b.Loop() {
		size = 0
		if err := (parquet.Encoder{}).Encode(context.Background(), func(string) (io.Writer, error) { return &size, nil }, c, series); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(size)/8e6, "B/sample")
}
