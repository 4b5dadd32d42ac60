package anatomy

import (
	"math"
	"slices"

	"faultkeep/daemon/analysis/robust"
)

// laid is a channel whose course was learned from the whole record, beside a part
// that comes on top of it until the trigger: a swell or a surge.
type laid struct {
	*track
	off   []float64           // samples less the course
	value []float64           // the course, by block
	part  func(i int) float64 // what comes on top at sample i, as fitted
	from  int                 // sample from which that counts

	earliest int     // sample that can be the onset
	gap      float64 // s, the longest calm between the onset and what follows
	begun    float64 // share of the largest deviation that counts
	fit      float64 // share of the fitted part in what is dated, the rest being what was measured
	basis    string
}

// What of a laid channel's deviation counts.
const (
	moveHides = 0.25 // share of what a move changed in the last half second that it may hide
	early     = 0.3  // share of the largest deviation below which the fitted part has its share
)

// beside tells the course of a channel from parts that come on top of it, given
// by block, and how large those are. weight is that of each block, 0 where it is
// missing. nil where there are too few blocks.
func (s *study) beside(t *track, weight []float64, parts ...[]float64) (l *laid, sizes []float64) {
	b, sp := s.moves.basisFor(t.signal)
	low, high := math.Inf(1), math.Inf(-1)
	y := make([]float64, len(t.blocks))
	for i, v := range t.blocks {
		if y[i] = v * weight[i]; weight[i] == 0 {
			y[i] = math.NaN()
			continue
		}
		low, high = min(low, v), max(high, v)
	}
	span := max(high-low, t.step, 1e-9)
	prior := b.priors(span, sp != nil)
	var columns [][]float64
	for j, m := range slices.Concat(b.means, parts) {
		c := make([]float64, len(y))
		for i := range c {
			c[i] = m[i] * weight[i]
		}
		if columns = append(columns, c); j >= len(prior) {
			prior = append(prior, 50*span) // free
		}
	}
	model, ok := robust.Regress(columns, y, prior, s.alike(t))
	if !ok {
		return nil, nil
	}
	c := course{basis: b, model: model, sp: sp, size: t.size}
	l = &laid{track: t, off: make([]float64, len(t.off)), value: make([]float64, len(y))}
	c.deviation(t.before(s.trigger), l.off)
	for i, v := range l.off {
		if math.IsInf(v, 0) {
			l.off[i] = math.NaN()
		}
	}
	for j, m := range b.means {
		for i := range l.value {
			l.value[i] += model.Theta[j] * m[i]
		}
	}
	return l, model.Theta[len(b.means):]
}

// alike is how many blocks of a channel in a row count as one.
func (s *study) alike(t *track) float64 {
	return lasting / math.Max(s.pace(1)*float64(t.size), 1e-9)
}

// redate dates channels by what lay makes of them, if anything, and a current
// that goes with a torque by that of its torque.
func (s *study) redate(all []*track, lay func(*track) *laid) {
	var torques []*laid
	for _, t := range all {
		if t.kind.quantity == current && s.statorOf(t) != nil {
			continue
		}
		if l := lay(t); l != nil {
			l.date(s)
			if t.kind.quantity == torque {
				torques = append(torques, l)
			}
		}
	}
	for _, t := range all {
		c := s.statorOf(t)
		if t.kind.quantity != current || c == nil {
			continue
		}
		for _, l := range torques {
			if l.signal == c.torque {
				l.through(c, t).date(s)
			}
		}
	}
}

// through is the current that goes with a torque.
func (l *laid) through(c *stator, t *track) *laid {
	n := *l
	n.track, n.off, n.value = t, make([]float64, len(t.off)), make([]float64, len(l.value))
	course := make([]float64, len(t.off))
	for i := range course {
		course[i] = l.samples[i] - l.off[i]
		if n.off[i] = t.samples[i] - c.current(course[i]); math.IsInf(n.off[i], 0) {
			n.off[i] = math.NaN()
		}
	}
	for b, v := range l.value {
		n.value[b] = c.current(v)
	}
	n.part = func(i int) float64 { return c.current(course[i]+l.part(i)) - c.current(course[i]) }
	return &n
}

// quietly is the standard deviation of what the part leaves before it counts.
func (l *laid) quietly() float64 {
	quiet := make([]float64, l.from)
	for i := range quiet {
		quiet[i] = l.off[i] - l.part(i)
	}
	return max(robust.Noise(thin(quiet)), robust.Spread(thin(quiet), l.step))
}

// date dates the deviation of a channel by what was laid, instead of from a baseline.
func (l *laid) date(s *study) {
	t := l.track
	t.sigma = l.quietly()
	t.off, t.quiet, t.basis, t.dev = l.off, t.sigma, l.basis, make([]float64, len(l.off))
	t.peak = 0
	most, top, spread, last := 0.0, l.earliest, 0.0, s.samplesIn(settle)/t.size
	for _, v := range t.off[l.earliest:] {
		if v = math.Abs(v); v > most {
			most = v
		}
	}
	for i, v := range t.off {
		if b := i / t.size; i%t.size == 0 {
			recent := l.value[max(0, b-last) : b+1]
			spread = slices.Max(recent) - slices.Min(recent)
		}
		if g := l.part(i); math.Abs(g) < early*most {
			v += l.fit * (g - v)
		}
		t.dev[i] = shrink(v, moveHides*spread)
		if i >= l.earliest && math.Abs(t.dev[i]) > math.Abs(t.peak) {
			t.peak, top = t.dev[i], i
		}
	}
	room, first := max(beyondDoubt*t.sigma, l.begun*most), -1
	for i := top; i >= l.earliest; i-- {
		if math.Abs(t.smooth(i)) >= room {
			first = i
		} else if first >= 0 && s.at(first)-s.at(i) > l.gap {
			break
		}
	}
	if t.moved = first >= 0; !t.moved {
		return
	}
	t.onset, t.alarm = first, first
	t.side = math.Copysign(1, t.smooth(first))
	for t.alarm < top && math.Abs(t.smooth(t.alarm)) < math.Min(2*room, 0.9*math.Abs(t.peak)) {
		t.alarm++
	}
}
