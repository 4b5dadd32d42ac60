package delimited_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"io"
	"math"
	"runtime"
	"runtime/debug"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/delimited"
)

// BenchmarkDecode reads 8 channels of 1,000,000 samples, and beside it the same
// text by encoding/csv and strconv.ParseFloat. It prints how many times as fast
// it is, and the peak of the heap against the decoded samples, the text itself
// left out.
func BenchmarkDecode(b *testing.B) {
	const channels, samples = 8, 1_000_000
	c := capture.Capture{Timing: capture.Timing{Samples: samples, Interval: 1e-4}, Trigger: capture.Trigger{Index: samples / 2}}
	var series []capture.Series
	for ch := range channels {
		s := make(capture.Series, samples)
		for i := range s {
			s[i] = math.Round(1e4*math.Sin(float64(i)/1e3+float64(ch))) / 100
		}
		c.Channels, series = append(c.Channels, capture.Channel{Name: "channel " + strconv.Itoa(ch), Unit: "A"}), append(series, s)
	}
	text := encode(c, series)
	files := []format.File{{Name: "x.csv", Bytes: text}}
	var ours, floor time.Duration
	peak := 0.0
	for b.Loop() {
		read := func() {
			if _, err := (delimited.Decoder{}).Decode(context.Background(), files, format.Options{}); err != nil {
				b.Fatal(err)
			}
		}
		peak = max(peak, float64(watchHeap(read))/(channels*samples*8))
		runtime.GC()
		began := time.Now()
		read()
		ours += time.Since(began)
		runtime.GC()
		began = time.Now()
		plain(b, text)
		floor += time.Since(began)
	}
	b.ReportMetric(floor.Seconds()/ours.Seconds(), "times-as-fast")
	b.ReportMetric(peak, "peak/samples")
	b.ReportMetric(float64(len(text))*float64(b.N)/ours.Seconds()/1e6, "MB/s")
}

// plain is the floor.
func plain(b *testing.B, text []byte) {
	r := csv.NewReader(bytes.NewReader(text))
	r.ReuseRecord = true
	var columns [][]float64
	for first := true; ; first = false {
		row, err := r.Read()
		if err == io.EOF {
			return
		}
		if err != nil {
			b.Fatal(err)
		}
		if first {
			columns = make([][]float64, len(row))
			continue
		}
		for i, cell := range row {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				b.Fatal(err)
			}
			columns[i] = append(columns[i], v)
		}
	}
}

// watchHeap is by how much the heap grew at most while f ran, sampled every millisecond.
func watchHeap(f func()) uint64 {
	defer debug.SetGCPercent(debug.SetGCPercent(20))
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	before := m.HeapAlloc
	var most atomic.Uint64
	done, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		var m runtime.MemStats
		for {
			runtime.ReadMemStats(&m)
			if m.HeapAlloc > before {
				most.Store(max(most.Load(), m.HeapAlloc-before))
			}
			select {
			case <-done:
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	}()
	f()
	close(done)
	<-ended
	return most.Load()
}
