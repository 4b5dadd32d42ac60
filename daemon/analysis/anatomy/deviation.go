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

// beyondDoubt is the deviation, in standard deviations of what a channel does by
// itself, that counts as having moved. Of normal samples one in 16,000 is as far
// off, of the means of five that are looked at none in a lifetime; what a load
// does by itself isn't so well behaved.
const beyondDoubt = 4

// sureOf is what, in the same measure, the largest deviation must come to: drives
// don't trip because a channel is hardly out of its noise (common practice, no source).
const sureOf = 10

// track is how one channel left its course before the trigger.
type track struct {
	*signal
	off     []float64 // deviation from the course, in the channel's unit, samples [0, trigger)
	dev     []float64 // what of that is left beyond the doubt about the course
	doubt   []float64 // standard deviation of the course itself, by block of size samples
	size    int
	sigma   float64 // standard deviation of off while quiet
	quiet   float64 // the same in the quieter half of that
	band    float64 // in sigma: how far it went by itself while quiet
	step    float64 // one count
	usual   float64 // median while quiet
	base    int     // samples that the quiet part takes
	braking []bool  // of a DC link: while it may rise, by block
	lowest  float64 // median of a block while quiet

	moved     bool
	onset     int     // first sample off course
	alarm     int     // sample at which the deviation was twice as large
	side      float64 // +1: up, −1: down
	peak      float64 // largest deviation from onset to trigger, signed
	basis     string  // what its date rests on; empty: basisOrder
	swing, hz float64 // of a DC link: the amplitude that rose, and its frequency; 0 for none
}

// settle is for how long a move of the command may still be felt, in seconds
// (common practice, no source).
const settle = 0.5

// sag is by what share the DC link may fall with a load that was asked for
// (common practice, no source).
const sag = 0.02

// believe takes from the deviation what the doubt about the course may be. A DC
// link may be up while the motor brakes, and down to what it was at its lowest.
func (t *track) believe() {
	for b, d := range t.doubt {
		e := 2 * d
		if t.braking != nil && t.braking[b] {
			e = math.Inf(1)
		}
		for i := b * t.size; i < min((b+1)*t.size, len(t.off)); i++ {
			v := t.off[i]
			if t.kind.quantity == link && v < 0 {
				t.dev[i] = shrink(v, math.Max(0, t.samples[i]-v-t.lowest+sag*math.Abs(t.usual)))
				continue
			}
			t.dev[i] = shrink(v, e)
		}
	}
}

// tracker looks for the deviation of one channel.
type tracker struct {
	r       *record
	t       *track
	x       []float64
	y       []float64 // medians of blocks
	span    float64   // between the lowest and the highest of them
	share   float64   // of the false alarms
	lasting float64   // s, for how long it goes one way by itself
	gap     int       // samples of calm that end an episode
	demand  float64   // times the usual floor
}

// follow finds where signal s left its course before the trigger. ok is false
// where there are too few samples to tell. Up to sample follows the drive did what
// it was commanded: what moves can do to the signal is seen there.
func (r *record) follow(s *signal, share, lasting float64, follows int) (t *track, ok bool) {
	k := r.tracker(s, share, lasting, follows)
	if k == nil {
		return nil, false
	}
	if s.kind.quantity == temperature && len(r.moves.heat.means) > 2 {
		// The losses are told from a steady rise only in a record that has both; in
		// one that hasn't, their doubt would hide everything.
		s.heated = true
		k.settleBaseline()
		if s.heated = false; k.t.moved {
			return k.t, true
		}
		k = r.tracker(s, share, lasting, follows)
	}
	k.settleBaseline()
	return k.t, true
}

// tracker of a signal, nil where there are too few samples.
func (r *record) tracker(s *signal, share, lasting float64, follows int) *tracker {
	x := s.before(r.trigger)
	if s.blocks == nil {
		s.finite, s.step, s.blocks = len(robust.Finite(x)), robust.Step(x), r.moves.medians(x, s.partner != nil)
		for _, v := range x {
			if v = math.Abs(v); v > s.top && !math.IsInf(v, 0) {
				s.top = v
			}
		}
	}
	if s.finite < least {
		return nil
	}
	k := &tracker{r: r, x: x, share: share, lasting: lasting, gap: max(8, len(x)/10),
		t: &track{signal: s, off: make([]float64, len(x)), dev: make([]float64, len(x)), size: r.moves.size, step: s.step}}
	k.y = s.blocks
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range k.y[:min(max(follows/k.t.size, 1), len(k.y))] {
		if !math.IsNaN(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	k.span = math.Max(high-low, k.t.step)
	if k.span == 0 {
		k.span = math.Max(1e-6*math.Abs(high), 1e-9)
	}
	return k
}

// baselines are shares of the record: a long one knows best what the channel
// does by itself, but doesn't see what began within it. The shorter, the more is
// asked for. The longest are for what only shows once a late move of the command
// is learned; of what they see, part is taken for its answer.
var baselines = []struct {
	share, demand float64
	mechanics     bool // for these alone
}{{0.6, 1, false}, {0.35, 1.3, false}, {0.2, 1.6, false}, {0.8, 2, true}, {0.9, 2, true}}

// settleBaseline looks for a deviation from baselines of several parts of the record.
func (k *tracker) settleBaseline() {
	t := k.t
	for _, b := range baselines {
		if b.mechanics && t.slow() {
			continue
		}
		k.demand = b.demand
		if !k.look(max(least, int(b.share*float64(len(k.x))))) {
			return
		}
		if t.moved {
			k.settle()
			k.redate()
			return
		}
		if k.still() {
			return
		}
	}
}

// still tells whether no other baseline would show a deviation either: nothing in
// the record goes beyond what the noise from sample to sample allows.
func (k *tracker) still() bool {
	t := k.t
	most := 0.0
	for _, v := range t.off {
		if v = math.Abs(v); v > most {
			most = v
		}
	}
	return most < sureOf*max(robust.Noise(thin(k.x)), t.step/math.Sqrt(12))
}

// look takes a baseline and looks for the deviation.
func (k *tracker) look(base int) bool {
	t := k.t
	c, ok := k.r.courseOf(t.signal, k.r.moves, base, k.y, k.span, k.lasting)
	if !ok {
		return false
	}
	t.base = min(base, len(k.x))
	t.usual = robust.Median(thin(k.x[:t.base]))
	c.deviation(k.x, t.off)
	for i, v := range t.off {
		if math.IsInf(v, 0) {
			t.off[i] = math.NaN()
		}
	}
	t.doubt = c.doubts(k.r.samplesIn(settle) / t.size)
	t.lowest = math.Inf(1)
	for _, v := range k.y[:min(t.base/t.size, len(k.y))] {
		if v < t.lowest {
			t.lowest = v
		}
	}
	t.believe()
	k.scale()
	if k.brake() {
		t.believe()
	}
	k.chart()
	return true
}

// brake notes when a DC link may be up: while the motor brakes, and after that
// until it is back. false for other channels.
func (k *tracker) brake() bool {
	t := k.t
	if t.kind.quantity != link {
		return false
	}
	t.braking = k.r.braking(len(t.doubt))
	for b := 1; b < len(t.braking) && b*t.size < len(t.off); b++ {
		if t.braking[b-1] && !t.braking[b] {
			i := b * t.size
			t.braking[b] = robust.Median(t.off[i:min(i+t.size, len(t.off))]) > 3*t.sigma
		}
	}
	return true
}

// settle takes as the baseline what comes before the deviation, less a tenth
// since that may have begun before it showed, until that dates it the same.
func (k *tracker) settle() {
	t := k.t
	for range 6 {
		next := max(least, t.onset-t.onset/10)
		if d := next - t.base; max(d, -d) < t.base/20 {
			return
		}
		was := *t
		t.off, t.dev = make([]float64, len(k.x)), make([]float64, len(k.x))
		if !k.look(next) || t.peak == 0 { // not a deviation from that
			*t = was
			return
		}
		t.moved = true
	}
}

// slow tells whether a channel shows none of the mechanics.
func (t *track) slow() bool {
	switch t.kind.quantity {
	case temperature, ripple, link:
		return true
	}
	return false
}

// redate dates the deviation of a channel of the mechanics once more from a
// baseline that leaves more room before it: what swings ever wider has begun
// long before it shows, and widened the baseline.
func (k *tracker) redate() {
	const share = 0.6
	t := k.t
	if t.slow() {
		return
	}
	was := *t
	t.off, t.dev = make([]float64, len(k.x)), make([]float64, len(k.x))
	if !k.look(max(least, int(share*float64(t.onset)))) || t.peak == 0 || t.onset > was.onset {
		*t = was
	}
	t.moved = true
}

// scale measures the quiet part: its standard deviation, and how far it
// strayed for longer than single samples.
func (k *tracker) scale() {
	t := k.t
	quiet := t.off[:t.base]
	if t.step > coarse*t.top && robust.Step(k.x[:t.base]) == 0 {
		t.step = coarse * t.top // a constant that changed once: that was no count
	}
	t.sigma = max(robust.Noise(thin(quiet)), robust.Spread(thin(quiet), t.step))
	if t.sigma == 0 || math.IsNaN(t.sigma) { // a constant: any change is one
		t.sigma = max(1e-9, 1e-6*math.Abs(t.usual))
	}
	half := len(quiet) / 2
	t.quiet = min(t.sigma, max(t.step/math.Sqrt(12), min(robust.Spread(thin(quiet[:half]), 0), robust.Spread(thin(quiet[half:]), 0))))
	t.band = stray(t.dev[:t.base]) / t.sigma
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

// thin takes every so many of the samples where they are more than a scale
// needs, neighbours staying together in sixteens.
func thin(v []float64) []float64 {
	const most = 1024
	if len(v) <= most {
		return v
	}
	out := make([]float64, 0, most)
	stride := 16 * len(v) / most
	for i := 0; i+16 <= len(v); i += stride {
		out = append(out, v[i:i+16]...)
	}
	return out
}

// chart runs a two-sided CUSUM over the deviation and keeps the last episode of
// alarm that goes on until the trigger. Its allowance is what the channel
// strayed by itself.
func (k *tracker) chart() {
	t := k.t
	allowance := max(1, 1.1*t.band)
	c := robust.CUSUM{K: allowance, H: robust.Decision(max(1, t.band), falseAlarms*k.share, len(t.off))}
	t.moved = false
	start, calm := -1, 0
	for i := range t.off {
		z := max(-allowance-4, min(allowance+4, t.dev[i]/t.sigma)) // so that one wild sample is soon forgotten
		state := c.Add(z)
		c.Up, c.Down = min(c.Up, 2*c.H+4), min(c.Down, 2*c.H+4)
		switch {
		case state != robust.Calm:
			if start < 0 {
				start = i + 1 - c.Since(state)
			}
			calm = 0
		case c.Up == 0 && c.Down == 0:
			if calm++; calm > k.gap {
				start = -1
			}
		}
	}
	if start < 0 {
		return
	}
	k.date(start, 0)
	t.moved = math.Abs(t.peak) > max(k.demand*max(sureOf, 2*k.few()*t.band)*t.sigma, k.floor())
	if t.moved && t.kind.quantity == temperature {
		k.bend()
	}
}

// matters is the share of a channel's largest value below which a deviation is
// the plant's ordinary life (common practice, no source).
var matters = map[quantity]float64{speed: 0.01, torque: 0.3, current: 0.25, link: 0.02, temperature: 0.02}

// floor is the deviation that the channel must exceed to have moved.
func (k *tracker) floor() float64 { return matters[k.t.kind.quantity] * k.t.top }

// coarse is the largest share of a channel's largest value that one count is
// (common practice, no source).
const coarse = 0.01

// few is by how much more a channel may stray than it did in a short baseline:
// Student's quantile for as many independent values as that has, to the normal
// one, for a chance of one in a thousand; roughly, and at most 4.
func (k *tracker) few() float64 {
	n := (k.r.at(k.t.base) - k.r.at(0)) / k.lasting
	return math.Min(4, 1+3/math.Max(n-1, 0.1)) // 1.3 at 11, 1.75 at 5, 2.5 at 3; the exact ratios are 1.4, 2.6, 3.9
}
