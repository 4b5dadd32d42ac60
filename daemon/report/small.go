package report

import (
	"math"

	"faultkeep/store/capture"
)

// telling are the roles worth a place in a small picture, the most telling
// first, with the few letters that there is room for.
var telling = []struct {
	role  capture.Role
	short string
}{
	{capture.RoleSpeed, "speed"}, {capture.RoleCurrent, "current"}, {capture.RoleDCLink, "DC link"}, {capture.RoleTorque, "torque"},
	{capture.RolePositionError, "pos. err."}, {capture.RoleTemperature, "temp."}, {capture.RoleOther, ""},
}

// picked is a channel in a small picture.
type picked struct {
	channel int
	label   string
}

// gutter at the left of a small picture, for the labels.
const gutter = 58

// Small draws a card's picture, w by h pixels at its natural size: up to three
// channels one above the other, each on its own scale, with the trigger's
// rule. What wasn't read stays visibly blank.
func Small(c capture.Capture, series []capture.Series, w, h int) []byte {
	w, h = min(max(w, 120), 2000), min(max(h, 20), 1000)
	plot := w - gutter
	d := &drawing{c: c, series: series, id: "s" + capture.Slug(string(c.ID))}
	d.v = newView(c, longest(series), 0, 0, plot/2) // every other pixel: a page holds dozens of these
	x := func(position float64) float64 { return gutter + min(1, max(0, d.v.frac(position)))*float64(plot) }

	d.f(`<svg xmlns="http://www.w3.org/2000/svg" class="fk small" width="%d" height="%d" viewBox="0 0 %d %d" role="img" aria-labelledby="%s-t">`, w, h, w, h, d.id)
	chosen := choose(c, series)
	names := "no channels"
	for k, p := range chosen {
		if k == 0 {
			names = c.Channels[p.channel].Name
		} else {
			names += ", " + c.Channels[p.channel].Name
		}
	}
	d.f(`<title id="%s-t">%s of %s, %s</title>`, d.id, names, c.Name(), c.Wholeness())
	d.f(`<rect class="ground" x="%d" width="%d" height="%d"/>`, gutter, plot, h)
	zero := d.v.frac(d.v.position(0))
	if zero > 0 {
		d.f(`<rect class="pre" x="%d" width="%.0f" height="%d"/>`, gutter, x(d.v.position(0))-gutter, h)
	}
	for k, p := range chosen {
		each := h / len(chosen)
		for _, g := range missing(c, p.channel, series[p.channel]) {
			from, to := x(float64(g[0])), x(float64(g[1]))
			d.f(`<rect class="blank" x="%.0f" y="%d" width="%.0f" height="%d"/>`, from, k*each, math.Max(1, to-from), each)
		}
		if each >= 16 {
			d.f(`<text class="tag" x="%d" y="%d" text-anchor="end">%s</text>`, gutter-6, k*each+each/2+5, p.label)
		}
		d.spark(p.channel, k*each+3, each-6)
	}
	if zero >= 0 && zero <= 1 {
		d.f(`<path class="trigger" d="M%.1f 0V%d"/>`, x(d.v.position(0)), h)
	}
	d.WriteString("</svg>")
	return d.Bytes()
}

func (d *drawing) spark(channel, top, height int) {
	low, high, ok := d.series[channel].Bounds()
	if !ok || height < 2 {
		return
	}
	// The inner picture has half-pixel units, so that whole numbers do.
	sc := scale{low: low, high: high, height: float64(2 * height), grid: 1}
	size := math.Max(math.Abs(low), math.Abs(high))
	if least := 0.1 * size; high/2-low/2 < least/2 { // what hardly moves is drawn calm
		mid := low/2 + high/2
		sc.low, sc.high = mid-least/2, mid+least/2
	}
	if size == 0 {
		sc.low, sc.high = -1, 1
	}
	d.f(`<path class="line %s" transform="translate(%d %d) scale(2 .5)" d="`, string(roleOf(d.c.Channels[channel])), gutter, top)
	d.Write(d.v.path(d.v.curve(d.series[channel]), sc))
	d.WriteString(`"/>`)
}

// choose the channels of a small picture, at most three.
func choose(c capture.Capture, series []capture.Series) []picked {
	var chosen []picked
	for _, t := range telling {
		for i := range min(len(c.Channels), len(series)) {
			if roleOf(c.Channels[i]) != t.role || len(chosen) == 3 {
				continue
			}
			if _, _, ok := series[i].Bounds(); !ok {
				continue
			}
			if t.role == capture.RoleOther {
				chosen = append(chosen, picked{i, cut(c.Channels[i].Name, 8)})
				continue
			}
			chosen = append(chosen, picked{i, t.short})
			break
		}
	}
	return chosen
}
