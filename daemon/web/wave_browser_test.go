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
