package raster_test

import (
	"bytes"
	"fmt"
	"image"
	"image/png"
	"strings"
	"testing"

	"faultkeep/daemon/report/raster"
)

// drawn is a picture of 20 by 20 units, two pixels a unit.
func drawn(t *testing.T, css, inside string) image.Image {
	t.Helper()
	b, err := raster.PNG([]byte(`<svg xmlns="http://www.w3.org/2000/svg" class="fk" width="20" height="20">`+inside+`</svg>`), ".fk { --ground: #ffffff; --blank: #808080; }"+css, 2)
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

func at(img image.Image, x, y int) string {
	r, g, b, _ := img.At(x, y).RGBA()
	return fmt.Sprintf("%02x%02x%02x", r>>8, g>>8, b>>8)
}

// sRGB's red and blue in OKLCH, as sample values beside CSS Color 4; values from memory.
func TestColours(t *testing.T) {
	for value, want := range map[string]string{
		"#0072b2": "0072b2", "var(--blank)": "808080", "oklch(0.62796 0.25768 29.234)": "ff0000",
		"oklch(0.45201 0.31321 264.052)": "0000ff", "oklch(1 0 0)": "ffffff", "none": "ffffff",
	} {
		if got := at(drawn(t, ".fk .a { fill: "+value+"; }", `<rect class="a" width="100%" height="100%"/>`), 20, 20); got != want {
			t.Errorf("%s is %s, want %s", value, got, want)
		}
	}
}

// What CSS Cascading 4 says of order and specificity, as far as the sheet needs it.
func TestCascade(t *testing.T) {
	css := `.fk .a.b { fill: #010101; } .fk .a { fill: #020202; } @media (prefers-color-scheme: dark) { .fk .a { fill: #030303; } }
		/* .fk .a.b { fill: #040404; } */ .fk.small .a { fill: #050505; } .fk rect { fill: #060606; }`
	for class, want := range map[string]string{"a b": "010101", "a": "020202", "": "060606"} {
		if got := at(drawn(t, css, `<rect class="`+class+`" width="20" height="20"/>`), 20, 20); got != want {
			t.Errorf("%q: %s, want %s", class, got, want)
		}
	}
}

func TestShapes(t *testing.T) {
	const css = `.fk .l { stroke: #000000; stroke-width: 2; } .fk .f { fill: #000000; } .fk .d { stroke-dasharray: 4 4; } .fk path { fill: none; }`
	for _, c := range []struct {
		name, svg        string
		x, y, offX, offY int // a pixel that is black, and one that is white
	}{
		{"line", `<line class="l" x1="0" x2="100%" y1="50%" y2="50%"/>`, 30, 20, 30, 24},
		{"dash", `<line class="l d" x1="0" x2="20" y1="10" y2="10"/>`, 20, 20, 12, 20},
		{"path", `<path class="l" d="M0 10H10V20"/>`, 20, 30, 30, 20},
		{"corner back on itself", `<path class="l" d="M0 10L20 10 0 10"/>`, 20, 20, 20, 24},
		{"far outside", `<path class="l" d="M-1000000 10L1000000 10"/>`, 20, 20, 20, 24},
		{"circle", `<circle class="f" cx="10" cy="10" r="5"/>`, 20, 20, 11, 11},
		{"nested", `<svg x="10" y="0" width="10" height="20" viewBox="0 0 100 1" preserveAspectRatio="none"><path class="l" d="M0 .5L100 .5"/></svg>`, 30, 20, 10, 20},
		{"clipped", `<svg x="10" y="0" width="10" height="20"><rect class="f" x="-10" width="30" height="20"/></svg>`, 30, 20, 10, 20},
		{"not clipped", `<svg x="10" y="0" width="10" height="20" overflow="visible"><rect class="f" x="-10" width="10" height="20"/></svg>`, 10, 20, 30, 20},
		{"moved", `<rect class="f" transform="translate(10 0) scale(2 .5)" width="5" height="20"/>`, 38, 10, 38, 30},
		{"hidden", `<defs><rect class="f" width="20" height="20"/></defs><rect class="f" width="5" height="5"/>`, 5, 5, 30, 30},
	} {
		img := drawn(t, css, c.svg)
		if on, off := at(img, c.x, c.y), at(img, c.offX, c.offY); on != "000000" || off != "ffffff" {
			t.Errorf("%s: %s and %s, want 000000 and ffffff", c.name, on, off)
		}
	}
}

func TestTextStands(t *testing.T) {
	const css = ".fk text { fill: #000000; }"
	for anchor, want := range map[string]bool{"start": true, "end": false} { // whether there is ink right of the middle
		img := drawn(t, css, `<text x="10" y="15" text-anchor="`+anchor+`">l<title>WWW</title></text>`)
		ink := false
		for x := 20; x < 40; x++ {
			for y := range 40 {
				ink = ink || at(img, x, y) == "000000"
			}
		}
		if ink != want {
			t.Errorf("%s: ink right of the middle %v", anchor, ink)
		}
	}
}

func TestWhatCantBeDrawn(t *testing.T) {
	for _, svg := range []string{"", "<p/>", "<svg", `<svg width="100%" height="1e9"/>`, `<svg width="x" height="20"/>`, `<svg width="NaN" height="Inf"/>`, `<svg width="20" height="20">`} {
		if _, err := raster.PNG([]byte(svg), "", 1); err == nil {
			t.Errorf("%q was drawn", svg)
		}
	}
	for _, css := range []string{"/* ", ".fk", ".fk { a: b"} {
		if _, err := raster.PNG([]byte(`<svg width="20" height="20"/>`), css, 1); err == nil || !strings.Contains(err.Error(), "style sheet") {
			t.Errorf("%q: %v", css, err)
		}
	}
}
