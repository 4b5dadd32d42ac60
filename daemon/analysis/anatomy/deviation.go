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
}

// tracker looks for the deviation of one channel.
type tracker struct {
	r      *record
	t      *track
	share  float64 // of the false alarms
	gap    int     // samples of calm that end an episode
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

// settleBaseline begins with the first 60 % before the trigger as the quiet
// part, and shortens it as long as the deviation turns out to have begun in it.
func (k *tracker) settleBaseline(x []float64) {
	t := k.t
	t.base = max(least, len(x)*6/10)
	for range 8 {
		t.usual = robust.Median(thin(x[:min(t.base, len(x))]))
		k.course(x)
		k.scale()
		was := *t
		k.chart()
		if was.moved && t.moved && t.onset > was.onset {
			t.onset = was.onset
		}
		if !t.moved {
			if was.moved { // the shorter baseline says nothing new
				*t = was
			}
			return
		}
		next := max(least, t.onset-t.onset/8)
		if next >= t.base-t.base/20 {
			return
		}
		t.base = next
	}
}

// course takes the channel's own course away: the setpoint where it has one,
// the level of each stretch between moves where the setpoint rules it, else the
// baseline's trend.
func (k *tracker) course(x []float64) {
	t := k.t
	switch {
	case t.partner != nil:
		sp := t.partner.samples
		for i := range x {
			t.off[i] = x[i] - sp[min(i, len(sp)-1)]
		}
		k.level(0, len(x), t.off)
	case t.cmd != nil && len(t.cmd.moves) > 0 && t.kind.quantity != temperature:
		k.stretches(x)
	default:
		k.level(0, len(x), x)
	}
	for i, v := range t.off {
		if math.IsInf(v, 0) {
			t.off[i] = math.NaN()
		}
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
		if i >= k.freeAt {
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
		return t.cmd.allow[i]
	case !t.cmd.busy[i]:
		return 0
	case t.kind.quantity == link && t.off[i] < 0:
		return 0.06 * math.Abs(t.usual)
	}
	return math.Inf(1)
}

// scale measures the quiet part: its standard deviation, and how far it
// strayed for longer than single samples.
func (k *tracker) scale() {
	t := k.t
	var quiet []float64
	for i, v := range t.off[:min(t.base, len(t.off))] {
		if e := k.excused(i); !math.IsInf(e, 1) {
			quiet = append(quiet, shrink(v, e))
		}
	}
	if len(quiet) < least {
		quiet = t.off[:min(t.base, len(t.off))]
	}
	part := thin(quiet)
	t.sigma = robust.Spread(part, t.step)
	if n := robust.Noise(part); n > t.sigma {
		t.sigma = n
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
		z := shrink(t.off[i], k.excused(i)) / t.sigma
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
	k.measure()
	t.moved = math.Abs(t.peak) > max(6, 1.5*t.band)*t.sigma
	k.backdate()
}

// measure notes the largest deviation and its side at the alarm.
func (k *tracker) measure() {
	t := k.t
	t.side = math.Copysign(1, t.off[t.alarm])
	t.peak = 0
	for i := t.onset; i < len(t.off); i++ {
		if v := shrink(t.off[i], k.excused(i)); math.Abs(v) > math.Abs(t.peak) {
			t.peak = v
		}
	}
}

// backdate goes on to where the deviation left the noise: the chart's allowance
// makes it late by what the channel strayed.
func (k *tracker) backdate() {
	t := k.t
	for t.onset > 1 {
		i := t.onset - 1
		e := k.excused(i)
		if math.IsInf(e, 1) {
			return
		}
		mean := (t.off[i] + t.off[max(0, i-1)]) / 2
		if math.IsNaN(mean) || shrink(mean, e)*t.side < 1.5*t.sigma {
			return
		}
		t.onset = i
	}
}
