// Package raster draws faultkeep's own SVG pictures as PNG, for where SVG isn't
// shown, such as mail on a phone. It knows what those pictures are made of and
// no more: rect, line, path (M L H V h v), circle, text, nested svg, their
// classes and the style sheet's light colours. So a picture is laid out once,
// and looks the same everywhere.
package raster

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"io"
	"math"
	"strconv"
	"strings"
)

// most pixels of a picture, so that no number in an SVG can take all memory.
const most = 16 << 20

// PNG draws the SVG, styled by css, with zoom pixels a unit. The SVG's width
// and height must be numbers. Strokes and texts keep their widths in nested
// pictures that are stretched.
func PNG(svg []byte, css string, zoom float64) ([]byte, error) {
	sheet, err := parse(css)
	if err != nil {
		return nil, fmt.Errorf("style sheet of a picture: %w", err)
	}
	p := &painter{sheet: sheet, zoom: zoom}
	if err := p.run(svg); err != nil {
		return nil, fmt.Errorf("draw a picture: %w", err)
	}
	var out bytes.Buffer
	if err := png.Encode(&out, p.img); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// frame is a svg element: where its units lie on the picture, in pixels.
type frame struct {
	x, y   float64 // of its origin
	kx, ky float64 // pixels a unit
	w, h   float64 // its size in units, which percentages are of
	clip   image.Rectangle
}

func (f frame) px(x, y float64) point { return point{f.x + x*f.kx, f.y + y*f.ky} }

type painter struct {
	sheet  sheet
	zoom   float64
	img    *image.RGBA
	root   []string // classes of the picture
	frames []frame
	faces  faces
}

// attrs of an element.
type attrs map[string]string

func (a attrs) classes() []string { return strings.Fields(a["class"]) }

func (p *painter) run(svg []byte) error {
	d := xml.NewDecoder(bytes.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			if p.img == nil {
				return errors.New("it has no svg element")
			}
			return nil
		}
		if err != nil {
			return err
		}
		switch t := token.(type) {
		case xml.StartElement:
			a := attrs{}
			for _, at := range t.Attr {
				a[at.Name.Local] = at.Value
			}
			switch t.Name.Local {
			case "svg":
				if err := p.open(a); err != nil {
					return err
				}
			case "text":
				said, err := inner(d)
				if err != nil {
					return err
				}
				p.text(a, said)
			case "title", "desc", "style", "defs":
				if err := d.Skip(); err != nil {
					return err
				}
			default:
				if p.img == nil {
					return errors.New("it doesn't begin with svg")
				}
				p.shape(t.Name.Local, a)
			}
		case xml.EndElement:
			if t.Name.Local == "svg" {
				p.frames = p.frames[:len(p.frames)-1]
			}
		}
	}
}

// inner is the text of an element, without that of elements in it.
func inner(d *xml.Decoder) (string, error) {
	var b strings.Builder
	for {
		token, err := d.Token()
		if err != nil {
			return "", err
		}
		switch t := token.(type) {
		case xml.CharData:
			b.Write(t)
		case xml.StartElement:
			if err := d.Skip(); err != nil {
				return "", err
			}
		case xml.EndElement:
			return b.String(), nil
		}
	}
}

// open begins a svg element: the picture, or one within it.
func (p *painter) open(a attrs) error {
	if p.img == nil {
		w, h := length(a["width"], math.NaN()), length(a["height"], math.NaN())
		if n := w * p.zoom * h * p.zoom; !(w >= 1 && h >= 1 && n >= 1 && n <= most) {
			return fmt.Errorf("it is %s by %s, which can't be drawn", a["width"], a["height"])
		}
		p.img = image.NewRGBA(image.Rect(0, 0, int(math.Ceil(w*p.zoom)), int(math.Ceil(h*p.zoom))))
		p.root = a.classes()
		draw.Draw(p.img, p.img.Bounds(), image.NewUniform(p.sheet.variable("--ground")), image.Point{}, draw.Src)
		p.frames = append(p.frames, frame{kx: p.zoom, ky: p.zoom, w: w, h: h, clip: p.img.Bounds()})
		return nil
	}
	in := p.frame()
	w, h := length(or(a["width"], "100%"), in.w), length(or(a["height"], "100%"), in.h)
	at := in.px(length(a["x"], in.w), length(a["y"], in.h))
	f := frame{x: at.x, y: at.y, kx: in.kx, ky: in.ky, w: w, h: h, clip: in.clip}
	if a["overflow"] != "visible" {
		f.clip = in.clip.Intersect(image.Rect(int(math.Floor(at.x)), int(math.Floor(at.y)),
			int(math.Ceil(at.x+w*in.kx)), int(math.Ceil(at.y+h*in.ky))))
	}
	if box := numbers(a["viewBox"]); len(box) == 4 && box[2] > 0 && box[3] > 0 {
		f.kx, f.ky = w*in.kx/box[2], h*in.ky/box[3]
		f.x, f.y, f.w, f.h = at.x-box[0]*f.kx, at.y-box[1]*f.ky, box[2], box[3]
	}
	p.frames = append(p.frames, f)
	return nil
}

func (p *painter) frame() frame { return p.frames[len(p.frames)-1] }

// placed is the frame with an element's own transform, translate(x y) and scale(x y).
func (p *painter) placed(a attrs) frame {
	f := p.frame()
	for part := range strings.SplitSeq(a["transform"], ")") {
		what, list, _ := strings.Cut(strings.TrimSpace(part), "(")
		n := numbers(list)
		switch {
		case what == "translate" && len(n) == 2:
			at := f.px(n[0], n[1])
			f.x, f.y = at.x, at.y
		case what == "scale" && len(n) == 2:
			f.kx, f.ky = f.kx*n[0], f.ky*n[1]
		}
	}
	return f
}

// length in units; a percentage is of the whole. Nothing is 0.
func length(s string, whole float64) float64 {
	if part, ok := strings.CutSuffix(s, "%"); ok {
		n, _ := strconv.ParseFloat(part, 64)
		return n / 100 * whole
	}
	n, _ := strconv.ParseFloat(strings.TrimSuffix(s, "px"), 64)
	return n
}

func numbers(s string) (out []float64) {
	for _, word := range strings.FieldsFunc(s, func(r rune) bool { return r == ' ' || r == ',' }) {
		n, err := strconv.ParseFloat(word, 64)
		if err != nil {
			return nil
		}
		out = append(out, n)
	}
	return out
}

func or(s, instead string) string {
	if s == "" {
		return instead
	}
	return s
}
