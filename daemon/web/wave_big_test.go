package web_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"net/http"
	"testing"
	"time"

	"faultkeep/daemon/report"
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

// A million samples a channel: the page opens with every one of them counted,
// and shows a single sample that stands out at any zoom. How long it took is logged.
func TestWaveOfMillions(t *testing.T) {
	if testing.Short() {
		t.Skip("millions of samples")
	}
	const n = 1_000_000
	p := newPlant(t, "Northquay")
	c, data := long(n)
	spike := n / 2
	binary.BigEndian.PutUint16(data[c.Encoding.At(2, spike).Start:], 32000)
	id := string(p.keep(t, c, data, 0).ID)
	address, host := serve(t, p)
	b := newBrowser(t)
	b.open("about:blank", 1280, "light")
	begin := time.Now()
	b.open(address+"/capture/"+id+"?lanes=2,0~1,3,4,5,6,7", 1280, "light")
	b.until("the lanes are drawn", `document.getElementById("wave").dataset.ready !== undefined`)
	opened := time.Since(begin)
	b.waveReady()
	b.until("every sample is counted", `document.getElementById("wave-over").textContent.includes("every one of 1000000 samples")`)
	if got, want := eval[string](b, `document.querySelector("#wave-figures tbody tr").cells[5].textContent`), report.Readout(c.Channels[2], 320); got != want {
		t.Errorf("highest current %q, want %q", got, want)
	}
	b.drawn(t, 0.06/1.12, c.At(spike), c)
	// Closer by a tenth at every frame, about the spike.
	eval[bool](b, fmt.Sprintf(`(() => {
		const stack = document.getElementById("wave-stack"), box = stack.getBoundingClientRect(), times = [];
		stack.focus();
		let last = performance.now();
		const turn = now => {
			times.push(now - last);
			last = now;
			if (times.length > 60) { window.took = times.slice(1).sort((a, b) => a - b); return; }
			const data = document.getElementById("wave").dataset, from = Number(data.from), to = Number(data.to);
			stack.dispatchEvent(new WheelEvent("wheel", { deltaY: -53, clientX: box.left + (%v - from) / (to - from) * box.width, clientY: box.top + 100, bubbles: true, cancelable: true }));
			requestAnimationFrame(turn);
		};
		requestAnimationFrame(turn);
		return true;
	})()`, c.At(spike)))
	b.until("sixty frames", `window.took !== undefined`)
	took := eval[[]float64](b, `window.took`)
	b.until("a few samples are shown, with the spike among them", `(d => d.to - d.from < 0.3 && d.from < 0 && d.to > 0)({ from: document.getElementById("wave").dataset.from - `+fmt.Sprint(c.At(spike))+`, to: document.getElementById("wave").dataset.to - `+fmt.Sprint(c.At(spike))+` })`)
	b.shot("wave-millions-light-1280")
	t.Logf("opened after %v; frames while zooming: median %.0f ms, worst %.0f ms", opened.Round(time.Millisecond), took[len(took)/2], took[len(took)-1])
	b.clean(host)
}
