package drivesim

import (
	"math"
	"math/rand/v2"
)

// disturbance is one cause with the numbers drawn for this time.
type disturbance struct {
	cause    Cause
	onset    float64 // s
	rise     float64 // s
	strength float64 // meaning depends on the cause
}

// draw makes a disturbance that begins at onset.
func draw(m *Machine, cause Cause, onset float64, rng *rand.Rand) disturbance {
	between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	d := disturbance{cause: cause, onset: onset}
	room := m.TorqueLimit - m.drag(rad(m.Speed))
	switch cause {
	case Jam: // gradual up to the torque limit, or hard into standstill
		if rng.Float64() < 0.5 {
			d.rise, d.strength = between(0.15, 0.5), room*between(1.1, 1.5)
		} else {
			d.rise, d.strength = between(0.02, 0.08), room+m.TorqueLimit*between(5, 9)
		}
	case MainsDip: // to what is left of the line voltage
		d.rise, d.strength = between(0.02, 0.15), between(0.45, 0.65)
	case Oscillation: // growth of the oscillation, per second
		d.rise, d.strength = 0.2, between(1.2, 2.6)
	case Runaway:
		// Beyond what the drive can hold, and fast enough for overspeed to be first.
		gain := (m.MotorInertia + m.LoadInertia) * rad(m.Protection.Overspeed-m.Speed)
		d.rise = between(0.1, 0.35)
		d.strength = m.TorqueLimit + math.Abs(m.drag(rad(m.Speed))) + gain/between(0.05, 0.1)
	case EncoderLoss: // to nothing, or to a part: a slipping coupling
		d.strength = between(0, 0.6)
		if rng.Float64() < 0.6 {
			d.strength = 0
		}
	}
	return d
}

// apply changes what the drive sees at time t.
func (d disturbance) apply(m *Machine, t float64, in *inputs, line *mains) {
	if d.cause == "" || t < d.onset {
		return
	}
	since := t - d.onset
	share := 1.0
	if d.rise > 0 {
		share = math.Min(1, since/d.rise)
	}
	switch d.cause {
	case Jam:
		in.jam += d.strength * share
	case MainsDip:
		line.level *= 1 - share*(1-d.strength)
	case Oscillation: // the controller's gain fades, and friction falls with speed
		const left = 0.2
		in.gain = 1 - share*(1-left)
		inertia := m.MotorInertia + m.LoadInertia
		if in.off { // the rate is about the setpoint, which is gone
			return
		}
		in.slope += share * (m.Kp*left + m.Viscous + 2*inertia*d.strength)
	case Runaway: // with the motion
		direction := 1.0
		if in.setpoint < 0 {
			direction = -1
		}
		in.load -= direction * d.strength * share
	case EncoderLoss:
		in.encoder *= d.strength
	case PhaseLoss:
		line.lost = true
	}
}

// weather is the load's slow random part and its ripple.
type weather struct {
	m    *Machine
	rng  *rand.Rand
	gust float64
	turn float64
}

func (w *weather) next(speed, h float64) float64 {
	const calm = 0.25 // s, correlation time
	w.gust += -w.gust*h/calm + w.m.Gust*math.Sqrt(2*h/calm)*w.rng.NormFloat64()
	w.turn += 2 * math.Pi * w.m.RippleHz * speed / rad(w.m.Speed) * h
	return w.gust + w.m.Ripple*math.Sin(w.turn)
}

// profile is the setpoint as it goes by itself, in rad/s.
type profile struct {
	now, target float64
	next        float64 // time of the next change
	rng         *rand.Rand
	m           *Machine
	leg         int
}

func newProfile(m *Machine, rng *rand.Rand) *profile {
	p := &profile{m: m, rng: rng, now: rad(m.Speed), target: rad(m.Speed)}
	switch m.Profile {
	case Stages:
		p.now *= 0.75 + 0.2*rng.Float64()
		p.target = p.now
		p.next = 0.3 + 1.5*rng.Float64()
	case Travel:
		p.leg = rng.IntN(4)
		p.now = p.speed()
		p.target = p.now
		p.next = 0.2 + 1.5*rng.Float64()
	}
	return p
}

// speed of a leg of the travel: forth, rest, back, rest.
func (p *profile) speed() float64 {
	switch p.leg % 4 {
	case 0:
		return rad(p.m.Speed)
	case 2:
		return -rad(p.m.Speed)
	}
	return 0
}

func (p *profile) at(t, h float64) float64 {
	if t >= p.next && p.m.Profile != Steady {
		if p.m.Profile == Travel {
			p.leg++
			p.target = p.speed()
			p.next = t + 4 + 2*p.rng.Float64()
			if p.target == 0 {
				p.next = t + 3.5 + 0.5*p.rng.Float64()
			}
		} else {
			p.target = rad(p.m.Speed) * (0.7 + 0.3*p.rng.Float64())
			p.next = t + 1.5 + 2.5*p.rng.Float64()
		}
	}
	most := rad(p.m.Accel) * h
	p.now += max(-most, min(most, p.target-p.now))
	return p.now
}
