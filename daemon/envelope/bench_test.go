package envelope_test

import (
	"math"
	"testing"
	"time"

	"faultkeep/daemon/envelope"
	"faultkeep/store/capture"
)

// BenchmarkEnvelope reduces 8 channels of 1,000,000 samples to 1,500 columns.
// cold builds the pyramid first, cached has it. Both are printed in ms and as a
// multiple of the floor: one plain pass over all samples for least and greatest.
// Each is the quickest of all rounds, so that other work on the machine counts little.
func BenchmarkEnvelope(b *testing.B) {
	const channels, n = 8, 1_000_000
	series := make([]capture.Series, channels)
	for ch := range series {
		series[ch] = make(capture.Series, n)
		for i := range n {
			series[ch][i] = math.Sin(float64(i)/700) + math.Sin(float64(i*(ch+3)))/9
		}
	}
	c := record(capture.Timing{Samples: n, Interval: 1e-4}, n/2, series...)
	from, to := c.At(0), c.At(n)
	var buffer []byte
	answer := func(p *envelope.Pyramid) {
		e, err := p.Envelope(series, envelope.Query{From: from, To: to, Columns: 1500})
		if err != nil {
			b.Fatal(err)
		}
		buffer = e.Append(buffer[:0])
	}
	floor, cold, cached := time.Hour, time.Hour, time.Hour
	var sink float64
	for b.Loop() {
		begin := time.Now()
		for _, s := range series {
			low, high := math.Inf(1), math.Inf(-1)
			for _, x := range s {
				if x < low {
					low = x
				}
				if x > high {
					high = x
				}
			}
			sink += high - low
		}
		floor = min(floor, time.Since(begin))

		begin = time.Now()
		p := envelope.New(c, series)
		answer(p)
		cold = min(cold, time.Since(begin))

		begin = time.Now()
		answer(p)
		cached = min(cached, time.Since(begin))
	}
	_ = sink
	ms := func(d time.Duration) float64 { return d.Seconds() * 1e3 }
	b.ReportMetric(ms(cold), "cold-ms")
	b.ReportMetric(ms(cached), "cached-ms")
	b.ReportMetric(float64(cold)/float64(floor), "cold/floor")
	b.ReportMetric(float64(cached)/float64(floor), "cached/floor")
	b.ReportMetric(0, "ns/op") // of all three together it says nothing
}
