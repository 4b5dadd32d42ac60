package report

import (
	"fmt"

	"faultkeep/store/capture"
)

// rows are the bits of a digital word that get a row: the named ones, or,
// where none is named, those that are set at some time.
func (d *drawing) rows(channel int) []int {
	var rows []int
	for bit, name := range d.c.Channels[channel].Bits {
		if name != "" {
			rows = append(rows, bit)
		}
	}
	if rows != nil {
		return rows
	}
	var seen uint64
	for _, x := range d.series[channel] {
		for bit := 0; bit < 32; bit++ {
			if set, ok := bitOf(x, bit); !ok {
				break
			} else if set {
				seen |= 1 << bit
			}
		}
	}
	for bit := 0; bit < 32; bit++ {
		if seen>>bit&1 == 1 {
			rows = append(rows, bit)
		}
	}
	return rows
}

// BitName is what a bit of a digital word is called.
func BitName(ch capture.Channel, bit int) string {
	if bit < len(ch.Bits) && ch.Bits[bit] != "" {
		return ch.Bits[bit]
	}
	return fmt.Sprintf("bit %d", bit)
}

// bits draws a digital word, a row of bars a bit.
func (d *drawing) bits(s strip) {
	i := s.channels[0]
	ch, samples := d.c.Channels[i], d.series[i]
	d.gaps(s, i)
	if len(s.rows) == 0 {
		d.f(`<text class="mute" x="4" y="%d">no bit set</text>`, s.top+15)
	}
	for row, bit := range s.rows {
		y := s.top + row*bitRow
		d.f(`<line class="off" x1="0" x2="100%%" y1="%d" y2="%d"/>`, y+18, y+18)
		for _, b := range d.v.bars(samples, bit) {
			from, to := max(0, d.v.frac(b.from)), min(1, d.v.frac(b.to))
			class, words := "on", "set"
			if b.mixed {
				class, words = "on mixed", "changing"
			}
			d.f(`<rect class="%s" x="%v" y="%d" width="%v" height="6"><title>%s %s</title></rect>`, class, at(from), y+15, at(to-from), BitName(ch, bit), words)
		}
		d.f(`<text class="bit" x="4" y="%d">%s</text>`, y+12, cut(BitName(ch, bit), max(12, d.o.Width/16)))
	}
	d.heading(s)
}

// word is a digital word as the names of its set bits.
func word(ch capture.Channel, x float64) string {
	out := ""
	for bit := 0; bit < 64; bit++ {
		set, ok := bitOf(x, bit)
		if !ok {
			return "–"
		}
		if set {
			if out != "" {
				out += ", "
			}
			out += BitName(ch, bit)
		}
	}
	if out == "" {
		return "no bit set"
	}
	return out
}
