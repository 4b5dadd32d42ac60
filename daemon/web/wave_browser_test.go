package web_test

import (
	"fmt"
	"testing"
)

// waveReady waits until the lanes are drawn and the figures are there.
func (b *browser) waveReady() {
	b.t.Helper()
	b.until("the lanes are drawn and the figures there", `document.getElementById("wave").dataset.ready !== undefined && document.querySelector("#wave-figures tbody tr") !== null`)
}

func TestWaveShots(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	address, host := serve(t, p)
	b := newBrowser(t)
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int64{1280, 360} {
			b.open(address+"/capture/"+string(caps[0].ID)+"?a=-0.3&b=-0.1&spectrum=1", width, scheme)
			b.waveReady()
			b.shot(fmt.Sprintf("wave-%s-%d", scheme, width))
		}
	}
	b.clean(host)
}

func TestWaveShots2(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	address, host := serve(t, p)
	b := newBrowser(t)
	b.open(address+"/capture/"+string(caps[0].ID)+"?from=-0.05&to=0.02&t=-0.01&lanes=2~3,0~1,7&a=-0.02", 1280, "light")
	b.waveReady()
	eval[int](b, `(document.querySelectorAll("#wave details").forEach(d => { if (!d.hidden) d.open = true }), 1)`)
	b.shot("w2-zoom")
	b.open(address+"/capture/"+string(caps[1].ID), 1280, "dark")
	b.waveReady()
	b.shot("w2-partial")
	b.open(address+"/capture/"+string(caps[0].ID)+"?from=-0.005&to=0.005&t=-0.001", 360, "dark")
	b.waveReady()
	b.shot("w2-phone")
	b.clean(host)
}
