package raster

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// size of texts in units, as in the style sheet.
const size = 13

var fonts = sync.OnceValues(func() ([2]*opentype.Font, error) {
	regular, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return [2]*opentype.Font{}, err
	}
	bold, err := opentype.Parse(gobold.TTF)
	return [2]*opentype.Font{regular, bold}, err
})

// faces are the fonts at the picture's size. A face is for one goroutine.
type faces [2]font.Face

func (f *faces) get(bold bool, zoom float64) (font.Face, error) {
	i := 0
	if bold {
		i = 1
	}
	if f[i] == nil {
		parsed, err := fonts()
		if err != nil {
			return nil, err
		}
		if f[i], err = opentype.NewFace(parsed[i], &opentype.FaceOptions{Size: size * zoom, DPI: 72}); err != nil {
			return nil, err
		}
	}
	return f[i], nil
}

// text writes one, over a rim of ground where its style strokes it first.
func (p *painter) text(a attrs, said string) {
	if p.img == nil || said == "" {
		return
	}
	style := p.sheet.style(p.root, "text", a)
	face, err := p.faces.get(style["font-weight"] == "600", p.zoom)
	if err != nil {
		return // the fonts are in the binary: a test would have failed
	}
	f := p.placed(a)
	at := f.px(length(a["x"], f.w)+shift(a["dx"]), length(a["y"], f.h))
	width := float64(font.MeasureString(face, said)) / 64
	switch a["text-anchor"] {
	case "middle":
		at.x -= width / 2
	case "end":
		at.x -= width
	}
	dst := p.img.SubImage(f.clip).(draw.Image)
	write := func(c color.Color, dx, dy float64) {
		d := font.Drawer{Dst: dst, Src: image.NewUniform(c), Face: face,
			Dot: fixed.Point26_6{X: fixed.Int26_6(math.Round((at.x + dx) * 64)), Y: fixed.Int26_6(math.Round((at.y + dy) * 64))}}
		d.DrawString(said)
	}
	if rim, ok := p.sheet.color(style["stroke"]); ok {
		r := length(style["stroke-width"], 0) / 2 * p.zoom
		for i := range 12 {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / 12)
			write(rim, r*cos, r*sin)
		}
	}
	if ink, ok := p.sheet.color(style["fill"]); ok {
		write(ink, 0, 0)
	}
}
