package web_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"faultkeep/store/capture"
)

// odd makes a recording of 32-bit floats: whatever value gives for a channel at a sample.
func odd(name string, timing capture.Timing, index, channels int, value func(ch, i int) float64) (capture.Capture, []byte) {
	c, _ := trip(name, "", morning.Add(-time.Minute), overcurrent, name)
	c.Timing, c.Trigger.Index = timing, index
	c.Channels, c.Encoding = nil, capture.Encoding{Order: capture.Interleaved, Samples: timing.Samples}
	var data []byte
	for ch := range channels {
		c.Channels = append(c.Channels, capture.Channel{Name: fmt.Sprintf("<b>channel</b> %d", ch), Unit: "V\"", Role: capture.Role("\"><script>")})
		c.Encoding.Channels = append(c.Encoding.Channels, capture.Coding{Type: capture.Float32, Scale: 1})
	}
	for i := range timing.Samples {
		for ch := range channels {
			data = binary.BigEndian.AppendUint32(data, math.Float32bits(float32(value(ch, i))))
		}
	}
	c.Integrity.Size = int64(len(data))
	return c, data
}

// Records as no drive should send them are shown without complaint, and names
// from outside are only text.
func TestWaveOfOddRecords(t *testing.T) {
	p := newPlant(t, "Northquay")
	wild := func(ch, i int) float64 {
		return []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 3e38, -3e38, 1e-40, 5}[(i/7*3+ch*5+i)%8]
	}
	address, host := serve(t, p)
	b := newBrowser(t)
	for _, one := range []struct {
		name            string
		timing          capture.Timing
		index, channels int
		value           func(ch, i int) float64
	}{
		{"wild", capture.Timing{Samples: 5000, Interval: 1e-4}, 100, 8, wild},
		{"nothing", capture.Timing{Samples: 500, Interval: 1e-4}, 0, 2, func(int, int) float64 { return math.NaN() }},
		{"one-sample", capture.Timing{Samples: 1, Interval: 1e-3}, 0, 1, func(int, int) float64 { return 3 }},
		{"two-rates", capture.Timing{Samples: 3000, Interval: 1e-4, Rates: []capture.Rate{{End: 1000, Interval: 1e-2}, {End: 3000, Interval: 1e-4}}}, 1500, 2, func(_, i int) float64 { return float64(i % 500) }},
		{"after-the-end", capture.Timing{Samples: 300, Interval: 1e-6}, 300, 1, func(_, i int) float64 { return float64(i) }},
		{"many", capture.Timing{Samples: 300, Interval: 1}, 200, 60, func(ch, i int) float64 { return float64(ch + i) }},
	} {
		c, data := odd(one.name, one.timing, one.index, one.channels, one.value)
		id := string(p.keep(t, c, data, 0).ID)
		b.open(address+"/capture/"+id+"?spectrum=1", 360, "light")
		b.waveReady()
		b.until("there are words about a spectrum", `document.querySelector("#wave-spectrum p").textContent !== ""`)
		if lanes := eval[float64](b, `document.querySelectorAll("#wave-stack .lane").length`); int(lanes) != one.channels {
			t.Errorf("%s: %v lanes", one.name, lanes)
		}
		if name := eval[string](b, `document.querySelector("#wave-figures tbody th").textContent`); name != "<b>channel</b> 0" {
			t.Errorf("%s: the first channel is called %q", one.name, name)
		}
		if over := eval[float64](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
			t.Errorf("%s is %v px too wide", one.name, over)
		}
		b.must(chromedp.Do(b.ctx, chromedp.Focus(chromedp.CSS("#wave-stack"))))
		b.keys("+", "+", "1", right, "2", escape)
		b.shot("wave-odd-" + one.name)
	}
	b.clean(host)
}
