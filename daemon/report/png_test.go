package report_test

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math"
	"testing"

	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

// The picture is read by Go's own decoder; colours are those of report.css,
// and of LOOK by way of it.
func TestPNGShowsTheLanes(t *testing.T) {
	c, s := belt(900)
	img := decoded(t, c, s)
	if b := img.Bounds(); b.Dx() != 1000 || b.Dy() < 400 || b.Dy() > 900 {
		t.Errorf("%v, want 1000 wide and good on a phone", b)
	}
	for name, want := range map[string]color.RGBA{
		"speed #0072b2": {0x00, 0x72, 0xb2, 255}, "current #d55e00": {0xd5, 0x5e, 0x00, 255},
	} {
		first, n := 0, 0
		for y := range img.Bounds().Dy() {
			for x := range img.Bounds().Dx() {
				if r, g, b, _ := img.At(x, y).RGBA(); uint8(r>>8) == want.R && uint8(g>>8) == want.G && uint8(b>>8) == want.B {
					if n == 0 {
						first = y
					}
					n++
				}
			}
		}
		if n < 800 {
			t.Errorf("%s: %d pixels, first in row %d", name, n, first)
		}
	}
	// The time before the trigger is darker than that after it. The trigger is at two thirds.
	luma := func(x, y int) uint32 { r, g, b, _ := img.At(x, y).RGBA(); return r + g + b }
	y := 2*20*2 + 6 // just below the top of the first lane, under two headings
	if before, after := luma(500, y), luma(900, y); before >= after {
		t.Errorf("before the trigger %d, after it %d", before, after)
	}
}

func TestPNGOfWhatIsOdd(t *testing.T) {
	c, s := belt(600)
	for i := range s {
		for k := range 200 {
			s[i][k] = math.NaN()
		}
		s[i][300] = math.Inf(1)
		s[i][301] = -math.MaxFloat64
	}
	c.Integrity.Whole = false
	c.Channels[0].Name = "Strøm ⟨3⟩ \x00 日本 " + string(bytes.Repeat([]byte("x"), 400))
	decoded(t, c, s)
	decoded(t, c, nil)
	decoded(t, capture.Capture{}, nil)
	c.Channels, s = nil, nil
	for range 32 {
		c.Channels = append(c.Channels, capture.Channel{Name: "Torque", Unit: "Nm", Role: capture.RoleTorque})
		s = append(s, capture.Series{1, 2, 3})
	}
	decoded(t, c, s)
}

func decoded(t *testing.T, c capture.Capture, s []capture.Series) image.Image {
	t.Helper()
	b, err := report.PNG(c, s)
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

func BenchmarkPNG(b *testing.B) {
	c, s := belt(8192)
	for b.Loop() {
		if _, err := report.PNG(c, s); err != nil {
			b.Fatal(err)
		}
	}
}
