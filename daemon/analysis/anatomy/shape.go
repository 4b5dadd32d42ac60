package anatomy

import (
	"math"
	"strings"
)

// shape is what a track looks like about its onset and from there to the trigger.
type shape struct {
	jump    float64 // share of the largest deviation that came within two samples of the onset
	swings  int     // from one turn to the next
	sides   float64 // the largest deviation to the one side after the onset, to that to the other
	growing int     // of them those that lead up to the largest, each larger than the one before
	growth  float64 // the largest of these to the first
}

// grows is by how much a swing must be larger than the one before: noise and
// what a load does by itself change swings, too (common practice, no source).
const grows = 1.15

// bothSides is the share of the deviation to one side that one to the other must
// have (common practice, no source).
const bothSides = 0.25

// jumps is the share of a deviation that has to come within two samples to be a
// jump; masses don't jump.
const jumps = 0.4

// leaps is by how much a swing is larger than the one before where nothing
// builds up, but something happens (common practice, no source).
const leaps = 4

// shapeOf looks at the way of a track that moved.
func (s *study) shapeOf(t *track) (f shape) {
	f.growth = 1
	size := math.Abs(t.peak)
	if size == 0 {
		return f
	}
	before := t.off[max(0, t.onset-1)]
	for i := t.onset; i < min(t.onset+3, len(t.off)); i++ {
		f.jump = max(f.jump, math.Abs(t.off[i]-before)/size)
	}
	from := max(0, t.onset-(len(t.off)-t.onset)) // what swings came before the onset, in what the channel does by itself
	of := swingsOf(t.off[from:], max(3*t.sigma, 0.05*size))
	f.swings = len(of)
	up, down := 0.0, 0.0
	for i := t.onset; i < len(t.off); i++ {
		up, down = max(up, t.dev[i]), max(down, -t.dev[i])
	}
	f.sides = min(up, down) / max(up, down, 1e-300)
	last := 0
	for i := range of {
		if of[i] > of[last] {
			last = i
		}
	}
	for last > 0 && of[last] > grows*of[last-1] && of[last] < leaps*of[last-1] {
		f.growing++
		f.growth *= of[last] / of[last-1]
		last--
	}
	return f
}

// swingsOf are the sizes of the swings between turns by more than least each.
func swingsOf(x []float64, least float64) (out []float64) {
	low, high, way, last := math.NaN(), math.NaN(), 0, math.NaN()
	turn := func(at float64) {
		if !math.IsNaN(last) {
			out = append(out, math.Abs(at-last))
		}
		last = at
	}
	for _, v := range x {
		if math.IsNaN(v) {
			continue
		}
		if !(v >= low) {
			low = v
		}
		if !(v <= high) {
			high = v
		}
		switch {
		case way >= 0 && high-v > least:
			turn(high)
			way, low, high = -1, v, v
		case way <= 0 && v-low > least:
			turn(low)
			way, low, high = 1, v, v
		}
	}
	if way > 0 {
		turn(high)
	} else if way < 0 {
		turn(low)
	}
	return out
}

// limit is a channel that stayed at its largest or lowest value.
type limit struct {
	*signal
	value    float64
	high     bool
	from, to int // [from, to]
	exact    bool
}

// limits finds channels that touch a limit: samples alike at the edge of what
// was recorded, or, with noise on it, a level that is held there.
func (s *study) limits() (out []limit) {
	for _, t := range s.tracks {
		if t.kind.quantity == temperature || t.kind.quantity == link || t.kind.quantity == positionError {
			if l, ok := clipped(t); ok {
				out = append(out, l)
			}
			continue
		}
		if l, ok := clipped(t); ok {
			out = append(out, l)
		} else if l, ok := held(t); ok {
			out = append(out, l)
		}
	}
	return out
}

// clipped looks for the longest run of the very same extreme value, of at least
// five samples, in a channel that otherwise varies more.
func clipped(t *track) (l limit, ok bool) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range t.samples {
		if !math.IsNaN(v - v) {
			low, high = min(low, v), max(high, v)
		}
	}
	if !(high-low > 20*max(t.step, 1e-12)) || t.sigma < 0.5*t.step {
		return l, false
	}
	for _, edge := range []float64{high, low} {
		if edge == 0 {
			continue // at rest, as after the trip
		}
		run := 0
		for i, v := range t.samples {
			if v != edge {
				run = 0
				continue
			}
			if run++; run >= 5 && run > l.to-l.from+1 {
				l, ok = limit{t.signal, edge, edge == high, i - run + 1, i, true}, true
			}
		}
	}
	return l, ok
}

// held looks for a level at the edge of the recorded range, in size, that the
// channel came to after it had moved and kept within its noise.
func held(t *track) (l limit, ok bool) {
	if !t.moved || t.kind.quantity != torque && t.kind.quantity != current {
		return l, false
	}
	top, at := 0.0, 0
	for i := t.onset; i < len(t.off); i++ {
		if v := math.Abs(t.samples[i]); v > top {
			top, at = v, i
		}
	}
	room := max(0.04*top, 5*t.sigma)
	if room > 0.2*top {
		return l, false
	}
	from, to := at, at
	for from > t.onset && top-math.Abs(t.samples[from-1]) < room {
		from--
	}
	for to+1 < len(t.off) && top-math.Abs(t.samples[to+1]) < room {
		to++
	}
	if to-from < 10 || float64(to-from) < 0.25*float64(len(t.off)-t.onset) {
		return l, false
	}
	return limit{t.signal, t.samples[at], t.samples[at] > 0, from, to, false}, true
}

// edge is a change of a bit.
type edge struct {
	*signal
	bit    int
	name   string
	at     int // of its last change before or at the trigger, else its first
	rises  bool
	number int // changes in the record
}

// edges are the bits that changed, by channel and bit.
func (s *study) edges() (out []edge) {
	for _, g := range s.signals {
		if g.kind.quantity != digital {
			continue
		}
		var bits [64]edge
		last, have := uint64(0), false
		for i, v := range g.all {
			i -= s.skipped
			if math.IsNaN(v-v) || v < 0 || v >= 1<<53 {
				continue
			}
			w := uint64(v)
			for d := w ^ last; have && d != 0; d &= d - 1 {
				b := lowest(d)
				e := &bits[b]
				if e.number++; e.number == 1 || i <= s.trigger {
					e.at, e.rises = i, w>>b&1 == 1
				}
			}
			last, have = w, true
		}
		for b := range bits {
			if e := bits[b]; e.number > 0 {
				e.signal, e.bit, e.name = g, b, bitName(s.c.Channels[g.index].Bits, b)
				out = append(out, e)
			}
		}
	}
	return out
}

func lowest(d uint64) (b int) {
	for d&1 == 0 {
		d >>= 1
		b++
	}
	return b
}

func bitName(names []string, b int) string {
	if b < len(names) && strings.TrimSpace(names[b]) != "" {
		return names[b]
	}
	return "bit " + itoa(b)
}
