package drivesim

import (
	"math"
	"math/rand/v2"

	"faultkeep/store/capture"
)

// trial is everything that a run of the model depends on, so that it can be
// run again.
type trial struct {
	m             Machine
	cause         Cause // empty: nothing goes wrong
	seed          uint64
	noise         Noise
	interval      float64 // s
	before, after int     // samples
	trigger       Trigger
}

// row is one sample of every signal, in the order of Signals, without noise.
type row [slots]float64

// course is what a run led to. Rows are one interval apart.
type course struct {
	trial trial
	rows  []row
	code  uint16
	onset float64 // s from row 0
	trip  int     // row; −1: none
	hit   int     // row of the trigger; −1: none
}

// patience is how long a disturbance may take until the drive trips, in s.
const patience = 20

// runner is the model in motion.
type runner struct {
	m        *Machine
	s        state
	line     mains
	volts    float64
	mean     float64 // V, slowly following
	heat     float64 // °C
	flux     float64 // share of the magnetising current
	dog      watchdog
	weather  weather
	profile  *profile
	setpoint float64
	in       inputs
	code     uint16
	stopped  float64 // s since the trip
}

func newRunner(m *Machine, seed uint64) *runner {
	rng := func(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, stream)) }
	r := &runner{m: m, profile: newProfile(m, rng(1)), weather: weather{m: m, rng: rng(2)}}
	r.setpoint = r.profile.now
	r.s = m.balance(r.setpoint)
	if r.setpoint == 0 && m.Constant == 0 { // resting on dry friction
		r.s = state{}
	}
	r.line.phase = 2 * math.Pi * rng(3).Float64()
	r.volts = 0.97 * m.Link()
	r.mean = r.volts
	load := m.current(r.s.torque) / m.Rated
	r.heat = m.Ambient + m.Rise*load*load
	r.flux = 1
	r.dog = watchdog{p: m.Protection, half: 0.5 / m.LineHz, nominal: m.Link(), model: r.s.motor}
	return r
}

// step moves everything on by h seconds, from time t.
func (r *runner) step(t, h float64, d disturbance) {
	m := r.m
	r.in = inputs{setpoint: r.setpoint, gain: 1, encoder: 1, off: r.code != 0}
	if r.code == 0 {
		r.setpoint = r.profile.at(t, h)
		r.in.setpoint = r.setpoint
	}
	r.line.level, r.line.lost = 1, false
	if r.stopped > brakeDelay {
		r.in.brake = m.Brake
	}
	r.in.load = r.weather.next(r.s.load, h)
	d.apply(m, t, &r.in, &r.line)
	r.in.supply = 1 + 0.6*(r.volts-r.mean)/m.Link()
	r.in.limit = m.TorqueLimit * min(1, r.volts/(0.8*m.Link()))

	r.s = m.step(r.s, r.in, h)
	current := r.current()
	power := 0.3 * m.Losses
	if r.code == 0 {
		power = m.power(r.s.torque*r.in.supply, r.s.motor) + m.Losses
	} else {
		r.flux -= r.flux * h / 0.004
		r.stopped += h
	}
	r.volts = m.link(r.volts, m.bridge(t, r.line), power, h)
	r.mean += (r.volts - r.mean) * h / 0.03
	share := current / m.Rated
	r.heat += (m.Ambient + m.Rise*share*share - r.heat) * h / m.ThermalTime
	if r.code == 0 {
		r.code = r.dog.check(r.s, r.s.motor*r.in.encoder, m.want(r.s, r.in), r.in.limit, r.volts, h)
		if r.code != 0 {
			r.setpoint = 0
		}
	}
}

// brakeDelay is how long the brake takes to fall in, in s.
const brakeDelay = 0.12

func (r *runner) current() float64 {
	return math.Hypot(r.m.Magnetising*r.flux, r.s.torque*r.in.supply/r.m.Kt)
}

func (r *runner) row() row {
	return row{rpm(r.setpoint), rpm(r.s.motor * r.in.encoder), r.current(), r.s.torque * r.in.supply,
		r.volts, deg(r.s.position), r.heat, float64(r.bits())}
}

func (r *runner) bits() int {
	m, bits := r.m, 0
	set := func(bit int, on bool) {
		if on {
			bits |= bit
		}
	}
	on := r.code == 0
	set(bitEnabled, on)
	set(bitBrake, r.stopped < brakeDelay)
	set(bitFault, !on)
	set(bitWarning, on && r.dog.nearing())
	set(bitAtSpeed, on && math.Abs(rpm(r.setpoint-r.s.motor*r.in.encoder)) < 0.02*m.Speed)
	set(bitLimit, on && r.dog.limit > 0)
	set(bitEncoder, r.code != codeEncoder && r.dog.slip < m.Protection.EncoderTime/2)
	set(bitMains, r.volts > 0.85*m.Link())
	return bits
}

// run lets the model run until the drive has tripped or triggered and the
// recorder has its samples; disturbed false leaves the disturbance out, rows
// above 0 ends the run after so many.
func (t trial) run(disturbed bool, rows int) *course {
	const settle = 0.3 // s before the first row
	c := &course{trial: t, trip: -1, hit: -1}
	r := newRunner(&t.m, t.seed)
	lots := rand.New(rand.NewPCG(t.seed, 4))
	c.onset = float64(t.before)*t.interval + 0.05 + 0.4*lots.Float64()
	var d disturbance
	if t.cause != "" && disturbed {
		d = draw(&t.m, t.cause, c.onset, lots)
	}
	sub := int(math.Ceil(t.interval / maxStep))
	h := t.interval / float64(sub)
	for at := -settle; at < 0; at += h {
		r.step(at, h, disturbance{})
	}
	for i := 0; ; i++ {
		if r.code != 0 && c.trip < 0 {
			c.trip, c.code = i, r.code
		}
		c.rows = append(c.rows, r.row())
		if c.hit < 0 && i >= t.before {
			c.look(i)
		}
		if rows > 0 && i+1 >= rows || rows == 0 && c.complete(i) {
			return c
		}
		for k := range sub {
			r.step(float64(i)*t.interval+float64(k)*h, h, d)
		}
	}
}

// complete tells whether row i is the last that is needed.
func (c *course) complete(i int) bool {
	t := c.trial
	if t.cause == "" && t.trigger.On == "" { // a quiet record
		c.hit = t.before
		return i >= t.before+t.after
	}
	late := float64(i)*t.interval > c.onset+patience
	switch {
	case c.hit >= 0 && (c.trip >= 0 || late):
		return i >= max(c.hit+t.after, c.trip)
	case c.trip >= 0: // no trigger came with the trip: one second more
		return float64(i-c.trip)*t.interval > 1
	}
	return late
}

// look tells whether the trigger came with row i.
func (c *course) look(i int) {
	t := c.trial.trigger
	hit := false
	switch t.On {
	case OnFault:
		hit = i == c.trip
	case OnCode:
		hit = i == c.trip && c.code == t.Code
	case OnLevel:
		k := slot(t.Channel)
		was, is := c.rows[i-1][k], c.rows[i][k]
		hit = was < t.Level && is >= t.Level
		if t.Falling {
			hit = was > t.Level && is <= t.Level
		}
	case OnBit:
		was := int(c.rows[i-1][slots-1])>>t.Bit&1 == 1
		is := int(c.rows[i][slots-1])>>t.Bit&1 == 1
		hit = was == t.Falling && is != t.Falling
	}
	if hit {
		c.hit = i
	}
}

func slot(role capture.Role) int {
	for i, r := range Signals {
		if r == role {
			return i
		}
	}
	return 0
}
