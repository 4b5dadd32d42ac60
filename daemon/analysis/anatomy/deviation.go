package anatomy

import (
	"math"

	"faultkeep/daemon/analysis/robust"
)

// falseAlarms is the chance that any channel of a record in which only normal
// noise happens is said to deviate.
const falseAlarms = 0.01

// least is the number of samples before the trigger that a baseline needs.
const least = 8

// linkSag is by what share the DC link may fall with a load that was asked for
// (common practice, no source).
const linkSag = 0.02

// track is how one channel left its course before the trigger.
type track struct {
	*signal
	off   []float64 // deviation from the course, in the channel's unit, samples [0, trigger)
	sigma float64   // standard deviation of off while quiet
	band  float64   // in sigma: how far it went by itself while quiet
	step  float64   // one count
	usual float64   // median while quiet
	base  int       // samples that the quiet part takes

	moved bool
	onset int     // first sample off course
	alarm int     // sample at which the chart was sure
	side  float64 // +1: up, −1: down
	peak  float64 // largest deviation from onset to trigger, signed
	swing float64 // of a DC link: its swing within a half period, where that moved first
}

// tracker looks for the deviation of one channel.
type tracker struct {
	r      *record
	t      *track
	share  float64 // of the false alarms
	gap    int     // samples of calm that end an episode
	demand float64 // times the usual floor
	moves  float64 // share of the allowance for moves that the channel takes
	lowest float64 // value in the baseline
	freeAt int     // from here on moves of the setpoint are no excuse
}

// follow finds where signal s left its course before the trigger. ok is false
// where there are too few samples to tell.
func (r *record) follow(s *signal, share float64, freeAt int) (t *track, ok bool) {
	x := s.before(r.trigger)
	if len(robust.Finite(x)) < least {
		return nil, false
	}
	k := &tracker{r: r, share: share, gap: max(8, len(x)/10), freeAt: freeAt,
		t: &track{signal: s, off: make([]float64, len(x)), step: robust.Step(x)}}
	k.settleBaseline(x)
	return k.t, true
}

// settleBaseline looks for a deviation from baselines of ever shorter parts of
// the record: a long one knows best what the channel does by itself, but
// doesn't see what began within it. The shorter, the more is asked for.
func (k *tracker) settleBaseline(x []float64) {
	t := k.t
	for _, b := range []struct{ share, demand float64 }{{0.6, 1}, {0.35, 1.3}, {0.2, 1.6}, {0.1, 2}} {
		if b.demand > 1.5 && t.kind.quantity == positionError {
			return // an integral strays more the longer one looks
		}
		k.demand = b.demand
		t.base = max(least, int(b.share*float64(len(x))))
		k.look(x)
		if t.moved {
			k.shorten(x)
			return
		}
	}
}

// look takes the baseline as it is and looks for the deviation.
func (k *tracker) look(x []float64) {
	k.t.usual = robust.Median(thin(x[:min(k.t.base, len(x))]))
	k.lowest = math.Inf(1)
	for _, v := range x[:min(k.t.base, len(x))] {
		if v < k.lowest {
			k.lowest = v
		}
	}
	k.course(x)
	k.scale()
	k.chart()
}

// shorten ends the baseline before the deviation, as long as it turns out to
// have begun within it.
func (k *tracker) shorten(x []float64) {
	t := k.t
	for range 6 {
		next := max(least, t.onset-t.onset/8)
		if next >= t.base-t.base/20 {
			return
		}
		was := *t
		t.base = next
		k.look(x)
		if !t.moved || t.onset > was.onset { // it says nothing new
			*t = was
			return
		}
	}
}

// course takes the channel's own course away: the setpoint where it has one,
// the level of each stretch between moves where the setpoint rules it, else the
// baseline's trend.
func (k *tracker) course(x []float64) {
	t := k.t
	k.moves = 1
	switch {
	case t.kind.quantity == temperature || t.cmd == nil || len(t.cmd.moves) == 0 && t.partner == nil:
		k.level(0, len(x), x)
	case t.partner != nil:
		sp := t.partner.samples
		for i := range x {
			t.off[i] = x[i] - sp[min(i, len(sp)-1)]
		}
		k.level(0, len(x), t.off)
		k.learn()
	default:
		k.stretches(x)
	}
	for i, v := range t.off {
		if math.IsInf(v, 0) {
			t.off[i] = math.NaN()
		}
	}
}

// learn notes how much of the allowance for moves the channel took in the
// baseline, where that has seen a whole one.
func (k *tracker) learn() {
	t := k.t
	most, took, busy := 0.0, 0.0, 0.0
	for i := 1; i < min(t.base, len(t.off)); i++ {
		if v := t.cmd.allow[i]; v > 0.5*most && t.cmd.busy[i] {
			busy += k.r.at(i) - k.r.at(i-1)
			most = max(most, v)
			took = max(took, math.Abs(t.off[i])/most)
		}
	}
	if busy > settle {
		k.moves = min(1, max(0.25, 1.4*took))
	}
}

// level takes the trend of the quiet part of samples [from, to) away. A slope
// counts only where it is beyond doubt: carried on to the trigger, a small
// error would look like a deviation.
func (k *tracker) level(from, to int, x []float64) {
	t := k.t
	quiet := max(min(t.base, to), min(from+least, to))
	if quiet-from < least/2 || quiet <= from {
		quiet = min(to, from+least)
	}
	part := thin(x[from:quiet])
	line := robust.Line{Level: robust.Median(part)}
	if l, ok := robust.Fit(x[from:quiet]); ok && t.partner == nil {
		drift := math.Abs(l.Slope) * float64(quiet-from)
		if s := robust.MAD(part); drift > 4*max(robust.Noise(part), t.step) && drift > 2.5*s {
			line = l
		}
	}
	for i := from; i < to; i++ {
		t.off[i] = x[i] - line.At(float64(i-from))
	}
}

// stretches gives each stretch between moves its own level, taken from its
// first half; while the loop is busy the last level holds.
func (k *tracker) stretches(x []float64) {
	t, busy := k.t, k.t.cmd.busy
	level := robust.Median(thin(x[:min(len(x), t.base)]))
	for i := 0; i < len(x); {
		if busy[i] && i < k.freeAt {
			t.off[i] = x[i] - level
			i++
			continue
		}
		end := i
		for end < len(x) && (!busy[end] || end >= k.freeAt) {
			end++
		}
		quiet := min(end, max(t.base, i+(end-i)/3))
		if i >= k.freeAt { // no time to settle: the level just before is what it left
			level = robust.Median(x[max(0, i-max(least, k.gap/4)) : i+1])
			quiet = i
		}
		if quiet-i >= least {
			level = robust.Median(thin(x[i:quiet]))
		}
		for ; i < end; i++ {
			t.off[i] = x[i] - level
		}
	}
}

// excused is the deviation that the command explains at sample i; infinite
// where nothing can be told.
func (k *tracker) excused(i int) float64 {
	t := k.t
	if t.cmd == nil || i >= k.freeAt {
		return 0
	}
	switch {
	case t.kind.quantity == temperature:
		return 0
	case t.partner != nil:
		return k.moves * t.cmd.allow[i]
	case !t.cmd.busy[i]:
		return 0
	case t.kind.quantity == link && t.samples[i] < k.lowest:
		return linkSag*math.Abs(t.usual) + t.samples[i] - t.off[i] - k.lowest
	}
	return math.Inf(1)
}

// scale measures the quiet part: its standard deviation, and how far it
// strayed for longer than single samples.
func (k *tracker) scale() {
	t := k.t
	var calm, quiet []float64 // where nothing is excused; whatever isn't wholly excused
	for i, v := range t.off[:min(t.base, len(t.off))] {
		e := k.excused(i)
		if e == 0 {
			calm = append(calm, v)
		}
		if !math.IsInf(e, 1) {
			quiet = append(quiet, shrink(v, e))
		}
	}
	if len(quiet) < least {
		quiet = t.off[:min(t.base, len(t.off))]
	}
	t.sigma = max(robust.Noise(thin(t.off[:min(t.base, len(t.off))])), t.step/math.Sqrt(12))
	if len(calm) >= least {
		t.sigma = max(t.sigma, robust.Spread(thin(calm), t.step))
	}
	if t.sigma == 0 || math.IsNaN(t.sigma) { // a constant: any change is one
		t.sigma = max(1e-9, 1e-6*math.Abs(t.usual))
	}
	t.band = stray(quiet) / t.sigma
}

// shrink takes up to e off the size of v.
func shrink(v, e float64) float64 {
	switch {
	case v > e:
		return v - e
	case v < -e:
		return v + e
	case math.IsNaN(v):
		return v
	}
	return 0
}

// stray is the largest mean of eight samples in a row.
func stray(v []float64) float64 {
	const m = 8
	sum, worst, n := 0.0, 0.0, 0
	for i, x := range v {
		if math.IsNaN(x) {
			sum, n = 0, 0
			continue
		}
		sum += x
		n++
		if n > m {
			sum -= v[i-m]
			n = m
		}
		if n == m && math.Abs(sum)/m > worst {
			worst = math.Abs(sum) / m
		}
	}
	return worst
}

// chart runs a two-sided CUSUM over the deviation and keeps the last episode of
// alarm that goes on until the trigger. Its allowance is what the channel
// strayed by itself.
func (k *tracker) chart() {
	t := k.t
	n := len(t.off)
	allowance := max(1, 1.1*t.band)
	c := robust.CUSUM{K: allowance, H: robust.Decision(max(1, t.band), falseAlarms*k.share, n)}
	t.moved = false
	start, alarm, calm := -1, -1, 0
	for i := range n {
		e := k.excused(i)
		if math.IsInf(e, 1) { // nothing can be told
			continue
		}
		z := shrink(t.off[i], e) / t.sigma
		z = max(-allowance-4, min(allowance+4, z)) // so that one wild sample is soon forgotten
		state := c.Add(z)
		c.Up, c.Down = min(c.Up, 2*c.H+4), min(c.Down, 2*c.H+4)
		switch {
		case state != robust.Calm:
			if start < 0 {
				start, alarm = i+1-c.Since(state), i
			}
			calm = 0
		case c.Up == 0 && c.Down == 0:
			if calm++; calm > k.gap {
				start, alarm = -1, -1
			}
		}
	}
	if alarm < 0 {
		return
	}
	t.onset, t.alarm = start, alarm
	k.excursion()
	t.moved = math.Abs(t.peak) > max(k.demand*max(6, 1.5*t.band)*t.sigma, k.floor())
	if t.kind.quantity == temperature {
		k.bend()
	}
}

// matters is the share of a channel's largest value below which a deviation is
// the plant's ordinary life (common practice, no source).
var matters = map[quantity]float64{speed: 0.01, torque: 0.3, current: 0.25, link: 0.02, temperature: 0.02}

// floor is the deviation that the channel must exceed to have moved: a share of
// its largest value, and what the moves of a setpoint did to it.
func (k *tracker) floor() float64 {
	t := k.t
	top, ordered := 0.0, 0.0
	side := math.Copysign(1, t.peak)
	for i, v := range t.samples[:len(t.off)] {
		if v = math.Abs(v); v > top && !math.IsInf(v, 0) {
			top = v
		}
		if i < t.onset && math.IsInf(k.excused(i), 1) && t.off[i]*side > ordered {
			ordered = t.off[i] * side
		}
	}
	return max(matters[t.kind.quantity]*top, ordered)
}
