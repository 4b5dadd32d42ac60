package drivesim

import (
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"

	"faultkeep/store/capture"
)

// play is one run of a scenario.
type play struct {
	Scenario
	seed     uint64
	step     float64 // s between rows
	before   int     // samples before the trigger
	onset    float64 // s from row 0, when the cause begins to act
	patience float64 // s from there until the trip
	move     float64 // s, when the setpoint begins a move; infinite: as the profile draws it
	heatRoom float64 // K above the temperature before, where it trips
	heatGain float64 // by which the rise goes up without cooling
	reach    float64 // of rated speed, how far the setpoint jumps
	steep    float64 // times the ordinary ramp
	ramped   bool    // an ordered stop ramps down first

	rows []row // with the cause
	calm []row // the same without
	bare []row // without it, and nothing varies by itself either: no gusts, no ripple of the load
	hit  int   // row of the trigger
	code uint16
}

// run plays with and without the cause; false where no trigger comes in time,
// or one before the cause: the draw asked too much of the machine by itself.
func (p *play) run() bool {
	p.rows = p.unroll(true, 0)
	if p.hit < 0 || float64(p.hit)*p.step < p.onset {
		return false
	}
	p.calm = p.unroll(false, p.hit+1)
	if p.harmless() {
		return true
	}
	steady := *p
	steady.Machine.Gust, steady.Machine.Ripple = 0, 0
	p.bare = steady.unroll(false, p.hit+1)
	return true
}

// unroll lets the model run: to the end of the record, or for so many rows.
func (p *play) unroll(disturbed bool, rows int) []row {
	const settle = 0.3 // s before the first row
	m := p.Machine
	r := newRunner(&m, p.seed)
	if m.Profile != Steady && !math.IsInf(p.move, 1) {
		r.profile.next = p.move
	}
	d := disturbance{}
	if disturbed {
		d = draw(&m, p.Cause, p.onset, rand.New(rand.NewPCG(p.seed, 4)))
	}
	sub := int(math.Ceil(p.step / playStep))
	h := p.step / float64(sub)
	for t := -settle; t < 0; t += h {
		r.step(t, h, disturbance{})
	}
	limit := math.Inf(1)
	var out []row
	for i := 0; ; i++ {
		t := float64(i) * p.step
		if disturbed && p.hit < 0 {
			if r.code != 0 || p.Cause == HandTriggered && t >= p.onset {
				p.hit, p.code = i, r.code
			} else if t > p.onset+p.patience {
				return nil
			}
		}
		out = append(out, r.row())
		if rows > 0 && i+1 >= rows || rows == 0 && p.hit >= 0 && i+1 >= p.hit+p.Samples-p.before {
			return out
		}
		for k := range sub {
			at := t + float64(k)*h
			if disturbed && r.code == 0 {
				p.meddle(r, at, h, &limit)
			}
			r.step(at, h, d)
		}
	}
}

// meddle does what the disturbances of the model don't.
func (p *play) meddle(r *runner, t, h float64, limit *float64) {
	begun := t >= p.onset
	switch p.Cause {
	case Overreach:
		if begun {
			p.overreach(r, h)
		}
	case Overheat:
		if math.IsInf(*limit, 1) && begun {
			*limit = r.heat + p.heatRoom
			r.m.Rise *= p.heatGain
		}
		if r.heat > *limit {
			r.code, r.setpoint = codeOverheat, 0
		}
	case StopOrdered:
		if p.ramped && t >= p.onset-p.rampDown(r.m) {
			r.profile.target, r.profile.next = 0, math.Inf(1)
		}
		if begun {
			r.code, r.setpoint = codeExternal, 0
		}
	}
}

// rampDown is how long before the trip an ordered stop takes the setpoint down.
func (p *play) rampDown(m *Machine) float64 { return p.reach * m.Speed / m.Accel }

// overreach moves the setpoint away from rest or on in its direction, many
// times steeper than the machine's own ramp.
func (p *play) overreach(r *runner, h float64) {
	if !math.IsInf(r.profile.next, 1) {
		side := 1.0
		if r.profile.now < 0 {
			side = -1
		}
		r.profile.next = math.Inf(1)
		r.profile.target = r.profile.now + side*p.reach*rad(r.m.Speed)
	}
	most := p.steep * rad(r.m.Accel) * h
	r.profile.now += max(-most, min(most, r.profile.target-r.profile.now))
}

// truth compares the two runs; false where what moved first isn't well inside
// the record.
func (p *play) truth() (ScenarioTruth, bool) {
	t := ScenarioTruth{Scenario: p.Scenario, Acts: p.since(p.onset), Moving: p.moves()}
	first := p.hit - p.before
	if t.Calm = p.harmless(); t.Calm {
		t.Acts = 0
		return t, true
	}
	for k, role := range Signals {
		if role == capture.RoleDigital {
			continue
		}
		room := p.room(k)
		for i := range p.hit {
			if math.Abs(p.rows[i][k]-p.calm[i][k]) > room[i] {
				t.Movers = append(t.Movers, ScenarioMover{signals[role].name, role, p.since(float64(i) * p.step)})
				break
			}
		}
	}
	if len(t.Movers) == 0 {
		return t, false
	}
	sort.SliceStable(t.Movers, func(i, j int) bool { return t.Movers[i].At < t.Movers[j].At })
	t.Onset = t.Movers[0].At
	lead := t.Onset - p.since(float64(first)*p.step) // s of the record before it
	return t, lead >= max(0.2*float64(p.Samples), 64)*p.step && t.Onset <= -p.step
}

// harmless tells whether nothing is wrong with the drive.
func (p *play) harmless() bool { return slices.Contains(CalmCauses, p.Cause) }

// since makes seconds from row 0 seconds from the trigger.
func (p *play) since(t float64) float64 { return t - float64(p.hit)*p.step }

// moves tells whether the setpoint moves by itself.
func (p *play) moves() bool {
	low, high := math.Inf(1), math.Inf(-1)
	for i := p.hit - p.before; i < p.hit; i++ {
		low, high = math.Min(low, p.calm[i][0]), math.Max(high, p.calm[i][0])
	}
	return high-low > 0.02*p.Machine.Speed
}

// What hides a deviation from an observer who has nothing but the record: see ScenarioTruth.
const (
	beyondDoubt = 4    // standard deviations
	begun       = 0.1  // share of the largest deviation
	moveHides   = 0.25 // share of what a move of the setpoint changed …
	moveLasts   = 0.5  // … in so many seconds
)

// room is how far signal k must be from its undisturbed course to have moved,
// by row.
func (p *play) room(k int) []float64 {
	out, own, most := make([]float64, p.hit), make([]float64, p.hit), 0.0
	setpoint := Signals[k] == capture.RoleSetpoint
	for i := range own {
		most = max(most, math.Abs(p.rows[i][k]-p.calm[i][k]))
		if own[i] = p.bare[i][k]; Signals[k] == capture.RoleSpeed {
			own[i] -= p.bare[i][0] // its setpoint is known
		}
	}
	base := beyondDoubt * p.hidden(k)
	if !setpoint { // that begins when it begins
		base = max(base, begun*most)
	}
	changed := spans(own, int(moveLasts/p.step))
	for i := range out {
		if out[i] = base; !setpoint {
			out[i] += moveHides * changed[i]
		}
	}
	return out
}

// spans are the differences between the highest and the lowest of each value
// and the w before it: those that can still be one are kept in order.
func spans(x []float64, w int) []float64 {
	out := make([]float64, len(x))
	var high, low []int
	for i, v := range x {
		for len(high) > 0 && x[high[len(high)-1]] <= v {
			high = high[:len(high)-1]
		}
		for len(low) > 0 && x[low[len(low)-1]] >= v {
			low = low[:len(low)-1]
		}
		high, low = append(high, i), append(low, i)
		if high[0] < i-w {
			high = high[1:]
		}
		if low[0] < i-w {
			low = low[1:]
		}
		out[i] = x[high[0]] - x[low[0]]
	}
	return out
}

// playStep is the longest integration step of a play in seconds: a twelfth of
// what the torque's lag takes, a thirteenth of a pulse of the bridge.
const playStep = 250e-6

// hidden is the standard deviation of what hides a movement of signal k: noise,
// counts, what the load does to it by itself, and how it departs from its own
// mean over a quarter of a second, as a DC link's ripple.
func (p *play) hidden(k int) float64 {
	role := Signals[k]
	half := max(1, int(0.125/p.step))
	sum := make([]float64, p.hit+1)
	for i := range p.hit {
		sum[i+1] = sum[i] + p.calm[i][k]
	}
	var own []float64
	load := 0.0
	for i := p.hit - p.before; i < p.hit; i++ {
		from, to := max(0, i-half), min(p.hit, i+half+1)
		own = append(own, math.Abs(p.calm[i][k]-(sum[to]-sum[from])/float64(to-from)))
		load += (p.calm[i][k] - p.bare[i][k]) * (p.calm[i][k] - p.bare[i][k]) / float64(p.before)
	}
	sort.Float64s(own)
	ripple := 1.4826 * own[len(own)/2] // moves of the setpoint are the few large ones
	noise := p.Machine.spread(role, p.Noise)
	return math.Sqrt(max(ripple*ripple, load) + noise*noise + signals[role].step*signals[role].step/12)
}

// capture is the record as a drive with a 16-bit recorder would give it.
func (p *play) capture() (capture.Capture, []capture.Series) {
	c := capture.Capture{Schema: capture.Schema, Drive: "scenario", Title: p.Machine.Name, DriveType: "scenario",
		Trigger:  capture.Trigger{Time: time.Unix(1700000000, 0).UTC(), Latest: time.Unix(1700000000, 0).UTC(), Index: p.before},
		Timing:   capture.Timing{Samples: p.Samples, Interval: p.step},
		Encoding: capture.Encoding{Order: capture.ByChannel, Samples: p.Samples},
		Fault:    capture.Fault{Code: uint32(p.code)},
	}
	var out []capture.Series
	for k, role := range Signals {
		about, coding := signals[role], codingOf(role, capture.Int16)
		ch := capture.Channel{Name: about.name, Unit: about.unit, Role: role}
		if role == capture.RoleDigital {
			ch.Bits = Bits
		}
		c.Channels = append(c.Channels, ch)
		c.Encoding.Channels = append(c.Encoding.Channels, capture.Coding{Type: coding.typ, Scale: coding.scale, Offset: coding.offset})
		out = append(out, p.series(k, coding))
	}
	size := c.Encoding.Size()
	c.Integrity = capture.Integrity{Whole: true, Size: size, Have: []capture.Range{{Start: 0, End: size}}}
	return c, out
}

// series are signal k's samples with noise, in counts and back.
func (p *play) series(k int, coding coding) capture.Series {
	sigma := p.Machine.spread(Signals[k], p.Noise)
	rng := rand.New(rand.NewPCG(p.seed, 100+uint64(k)))
	lim := limits[coding.typ]
	out := make(capture.Series, p.Samples)
	for i := range out {
		v := p.rows[p.hit-p.before+i][k]
		if sigma > 0 {
			v += sigma * rng.NormFloat64()
		}
		count := min(max(math.RoundToEven((v-coding.offset)/coding.scale), lim[0]), lim[1])
		out[i] = capture.Scaled(count, coding.scale) + coding.offset
	}
	return out
}
