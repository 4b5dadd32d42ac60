package vibration

import (
	"fmt"
	"math"
	"slices"

	"faultkeep/store/capture"
)

const (
	leastCaptures = 3    // that must show the same
	leastShare    = 0.5  // of the captures that show the channel
	leastSpread   = 0.10 // of the speeds, highest to lowest: less tells nothing
)

// Tones is what one capture contributes to a comparison of several.
type Tones struct {
	Capture capture.ID
	Rev     float64 // revolutions of the shaft a second; 0: not known, or not steady
	Tones   []Tone
}

// Tone is one oscillation of a channel.
type Tone struct {
	Channel   string
	Hz        float64
	PlusMinus float64 // Hz
}

// Look takes from a capture what Across needs, so that the samples of many
// captures needn't be held at once.
func Look(c capture.Capture, series []capture.Series) Tones {
	return look(c, series).told()
}

func (l *looking) told() Tones {
	out := Tones{Capture: l.c.ID}
	if l.shaft.known() && !l.shaft.varies {
		out.Rev = l.shaft.mean
	}
	for _, t := range l.tones {
		if !t.order {
			out.Tones = append(out.Tones, Tone{t.signal.name(), t.peak.Frequency, t.peak.FrequencyPM})
		}
	}
	return out
}

// Across compares captures of one drive: a frequency that stays put at
// different speeds hints at a resonance, one that goes with the speed at forced
// vibration. Both are hints: values from memory, common in the trade.
func Across(all []Tones) []capture.Finding {
	var known []Tones
	low, high := math.Inf(1), 0.0
	for _, t := range all {
		if t.Rev > 0 && !math.IsInf(t.Rev, 0) {
			known = append(known, t)
			low, high = math.Min(low, t.Rev), math.Max(high, t.Rev)
		}
	}
	switch {
	case len(known) < leastCaptures:
		return []capture.Finding{unable(capture.Capture{}, fmt.Sprintf("only %d of %d captures have a steady shaft speed in them; it takes %d to compare frequencies over speeds", len(known), len(all), leastCaptures))}
	case high-low < leastSpread*high:
		return []capture.Finding{unable(capture.Capture{}, fmt.Sprintf("all captures are at nearly the same speed (%s to %s revolutions a second), so a resonance can't be told from forced vibration", num(low, 0), num(high, 0)))}
	}
	var out []capture.Finding
	for _, name := range channelsOf(known) {
		out = append(out, across(name, known)...)
	}
	if len(out) == 0 {
		out = append(out, unable(capture.Capture{}, fmt.Sprintf("no oscillation shows in %d captures either at the same frequency or at the same multiple of the speed", leastCaptures)))
	}
	return out
}

// point is a tone with its capture.
type point struct {
	capture int
	rev     float64
	hz, pm  float64
}

// track is points of different captures that agree, in Hz or in orders.
type track struct {
	points []point
	value  float64 // Hz, or order
	order  bool
}

func across(name string, all []Tones) (out []capture.Finding) {
	var left []point
	for i, t := range all {
		for _, tone := range t.Tones {
			if tone.Channel == name && finite(tone.Hz, tone.PlusMinus) && tone.Hz > 0 {
				left = append(left, point{i, t.Rev, tone.Hz, math.Max(tone.PlusMinus, 0.005*tone.Hz)})
			}
		}
	}
	need := max(leastCaptures, int(math.Ceil(leastShare*float64(len(all)))))
	for len(left) > 0 && len(out) < mostTold {
		best := track{}
		for _, order := range []bool{false, true} {
			for _, p := range left {
				if t := trackOf(p, left, order); t.better(best) {
					best = t
				}
			}
		}
		if len(best.points) < need {
			return out
		}
		out = append(out, best.finding(name, len(all)))
		left = slices.DeleteFunc(left, func(p point) bool { return slices.Contains(best.points, p) })
	}
	return out
}

// trackOf takes from every capture the tone that agrees best with p.
func trackOf(p point, all []point, order bool) track {
	at := func(q point) (value, pm float64) {
		if order {
			return q.hz / q.rev, q.pm / q.rev
		}
		return q.hz, q.pm
	}
	want, slack := at(p)
	nearest := map[int]point{}
	for _, q := range all {
		value, pm := at(q)
		if math.Abs(value-want) > slack+pm {
			continue
		}
		if old, ok := nearest[q.capture]; ok {
			if before, _ := at(old); math.Abs(before-want) <= math.Abs(value-want) {
				continue
			}
		}
		nearest[q.capture] = q
	}
	t := track{order: order}
	low, high := math.Inf(1), 0.0
	for _, q := range all { // in order, unlike the map
		if nearest[q.capture] == q {
			value, _ := at(q)
			t.points = append(t.points, q)
			t.value += value
			low, high = math.Min(low, q.rev), math.Max(high, q.rev)
		}
	}
	if high-low < leastSpread*high {
		return track{} // agrees either way
	}
	t.value /= float64(len(t.points))
	return t
}

// better: in more captures, or as many and with less scatter.
func (t track) better(other track) bool {
	if len(t.points) != len(other.points) {
		return len(t.points) > len(other.points)
	}
	return len(t.points) > 0 && t.scatter() < other.scatter()
}

// scatter of the points about the track, relative to it.
func (t track) scatter() (sum float64) {
	for _, p := range t.points {
		value := p.hz
		if t.order {
			value /= p.rev
		}
		sum += math.Abs(value/t.value-1) / float64(len(t.points))
	}
	return sum
}

func (t track) finding(name string, captures int) capture.Finding {
	low, high, scatter := math.Inf(1), 0.0, t.scatter()*t.value
	for _, p := range t.points {
		low, high = math.Min(low, p.rev), math.Max(high, p.rev)
	}
	f := capture.Finding{Kind: capture.FindingVibration, Channels: []string{name},
		Basis: fmt.Sprintf("Peaks of %d captures with a steady shaft speed; a line frequency is told from a resonance by being a multiple of 50 or 60 Hz.", captures)}
	speeds := fmt.Sprintf("in %d of %d captures between %s and %s revolutions a second", len(t.points), captures, num(low, 0), num(high, 0))
	if t.order {
		f.Name = "forced"
		f.Text = fmt.Sprintf("The oscillation of %s follows the shaft: %s × its speed %s, which hints at forced vibration.", name, plusMinus(t.value, scatter, ""), speeds)
		f.Values = []capture.Quantity{{Name: "order", Value: t.value, PlusMinus: scatter}}
		return f
	}
	f.Values = []capture.Quantity{{Name: "frequency", Value: t.value, Unit: "Hz", PlusMinus: scatter}}
	for _, line := range mains {
		if n := multipleOf(line, t.value, scatter); n > 0 {
			f.Name = "line"
			f.Text = fmt.Sprintf("The oscillation of %s stays at %s %s: %d × a line frequency of %g Hz, which hints at the supply.", name, plusMinus(t.value, scatter, "Hz"), speeds, n, line)
			return f
		}
	}
	f.Name = "resonance"
	f.Text = fmt.Sprintf("The oscillation of %s stays at %s %s, which hints at a resonance of the machine or its structure.", name, plusMinus(t.value, scatter, "Hz"), speeds)
	return f
}

func channelsOf(all []Tones) (names []string) {
	for _, t := range all {
		for _, tone := range t.Tones {
			if !slices.Contains(names, tone.Channel) {
				names = append(names, tone.Channel)
			}
		}
	}
	return names
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
