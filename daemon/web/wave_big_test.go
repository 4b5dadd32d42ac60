package web_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"net/http"
	"testing"
	"time"

	"faultkeep/daemon/web"
	"faultkeep/store/capture"
)

// long makes a recording of 8 channels of n samples each, a tenth of a
// millisecond apart.
func long(n int) (capture.Capture, []byte) {
	c, _ := trip("elevator", "Bucket elevator", morning.Add(-time.Hour), overcurrent, "long")
	c.Timing, c.Trigger.Index, c.Encoding.Samples = capture.Timing{Samples: n, Interval: 1e-4}, n*2/3, n
	c.Integrity.Size = c.Encoding.Size()
	data := make([]byte, c.Encoding.Size())
	for ch := range c.Channels {
		at := c.Encoding.At(ch, 0).Start
		for i := range n {
			v := 3000*math.Sin(float64(i)/float64(500*(ch+1))) + float64((i*7919+ch)%97)
			binary.BigEndian.PutUint16(data[at+int64(2*i):], uint16(int16(v)))
		}
	}
	return c, data
}

// BenchmarkWavePage asks for what the page of 8 × 1,000,000 samples needs, in
// ms: the page itself and the first envelope when nothing is in memory, then
// the envelope of another stretch.
func BenchmarkWavePage(b *testing.B) {
	p := newPlant(b, "Northquay")
	c, data := long(1_000_000)
	id := string(p.keep(b, c, data, 0).ID)
	page, first, next := time.Hour, time.Hour, time.Hour
	for b.Loop() {
		h := web.New(p.options())
		timed := func(path string) time.Duration {
			begin := time.Now()
			if w := askB(b, h, path); w != http.StatusOK {
				b.Fatal(path, w)
			}
			return time.Since(begin)
		}
		page = min(page, timed("/capture/"+id))
		first = min(first, timed("/capture/"+id+"/envelope?width=1500"))
		next = min(next, timed(fmt.Sprintf("/capture/%s/envelope?from=-20&to=20.5&width=1500", id)))
	}
	b.ReportMetric(page.Seconds()*1e3, "page-ms")
	b.ReportMetric(first.Seconds()*1e3, "first-envelope-ms")
	b.ReportMetric(next.Seconds()*1e3, "next-envelope-ms")
	b.ReportMetric(0, "ns/op")
}
