package report

import (
	"math"

	"faultkeep/store/capture"
)

// telling are the roles worth a place in a small picture, the most telling first.
var telling = []capture.Role{capture.RoleSpeed, capture.RoleCurrent, capture.RoleDCLink,
	capture.RoleTorque, capture.RolePositionError, capture.RoleTemperature, capture.RoleOther}

// Small draws a card's picture, w by h pixels at its natural size: up to three
// channels one above the other, each on its own scale, with the trigger's
// rule. What wasn't read stays visibly blank.
func Small(c capture.Capture, series []capture.Series, w, h int) []byte {
	w, h = min(max(w, 40), 2000), min(max(h, 20), 1000)
	d := &drawing{c: c, series: series, id: "s" + capture.Slug(string(c.ID))}
	d.v = newView(c, longest(series), 0, 0, w/2) // every other pixel: a page holds dozens of these
	d.f(`<svg xmlns="http://www.w3.org/2000/svg" class="fk small" width="%d" height="%d" role="img" aria-labelledby="%s-t">`, w, h, d.id)
	chosen := choose(c, series)
	names := ""
	for k, i := range chosen {
		if k > 0 {
			names += ", "
		}
		names += c.Channels[i].Name
	}
	if names == "" {
		names = "no channels"
	}
	d.f(`<title id="%s-t">%s of %s, %s</title>`, d.id, names, c.Name(), c.Wholeness())
	d.f(`<rect class="ground" width="100%%" height="%d"/>`, h)
	zero := d.v.frac(d.v.position(0))
	if zero > 0 {
		d.f(`<rect class="pre" width="%v" height="%d"/>`, at(min(1, zero)), h)
	}
	if len(chosen) > 0 {
		each := h / len(chosen)
		for k, i := range chosen {
			for _, g := range missing(c, i, series[i]) {
				d.f(`<rect class="blank" x="%v" y="%d" width="%v" height="%d"/>`, at(d.v.frac(float64(g[0]))), k*each, at(d.v.frac(float64(g[1]))-d.v.frac(float64(g[0]))), each)
			}
			d.spark(i, k*each+3, each-6)
		}
	}
	if zero >= 0 && zero <= 1 {
		d.f(`<line class="trigger" x1="%v" x2="%v" y1="0" y2="%d"/>`, at(zero), at(zero), h)
	}
	d.WriteString("</svg>")
	return d.Bytes()
}

func (d *drawing) spark(channel, top, height int) {
	low, high, ok := d.series[channel].Bounds()
	if !ok || height < 2 {
		return
	}
	sc := scale{height: float64(height)}
	if sc.low, sc.high = low, high; high/2-low/2 < 0.01*math.Max(math.Abs(low), math.Abs(high)) || low == high {
		sc.low, sc.high = span(low, high)
	}
	d.f(`<svg x="0" y="%d" width="100%%" height="%d" viewBox="0 0 %d %d" preserveAspectRatio="none" overflow="visible"><path class="line %s" d="`,
		top, height, d.v.columns, height, string(roleOf(d.c.Channels[channel])))
	d.Write(d.v.path(d.v.curve(d.series[channel]), sc))
	d.WriteString(`"/></svg>`)
}

// choose the channels of a small picture, at most three.
func choose(c capture.Capture, series []capture.Series) []int {
	var chosen []int
	for _, role := range telling {
		for i := range min(len(c.Channels), len(series)) {
			if roleOf(c.Channels[i]) != role || len(chosen) == 3 {
				continue
			}
			if _, _, ok := series[i].Bounds(); ok {
				chosen = append(chosen, i)
				if role != capture.RoleOther {
					break
				}
			}
		}
	}
	return chosen
}
