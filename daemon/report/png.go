package report

import (
	"faultkeep/daemon/report/raster"
	"faultkeep/store/capture"
)

const (
	pngWidth = 500 // in units; a phone is about 400 wide
	pngZoom  = 2   // pixels a unit
	pngAim   = 300 // height to aim for, in units
)

// PNG is the picture that Lanes draws, on paper, 1000 pixels wide, for where
// SVG isn't shown. Its texts can be read on a phone.
func PNG(c capture.Capture, series []capture.Series) ([]byte, error) {
	room := pngAim - axis
	if n := len(arrange(c, series)); n > 0 {
		room = room/n - header - between
	}
	svg := Lanes(c, series, Options{Width: pngWidth, Height: min(max(room, 40), 110), Standalone: true})
	return raster.PNG(svg, CSS, pngZoom)
}
