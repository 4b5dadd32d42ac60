package drivesim

import "math"

// state of the mechanics and the speed loop, in SI units.
type state struct {
	motor, load float64 // rad/s
	twist       float64 // rad
	torque      float64 // N·m in the air gap
	integral    float64 // N·m, of the PI controller
	position    float64 // rad, position error as the encoder counts it
}

func (s state) plus(d state, h float64) state {
	s.motor += h * d.motor
	s.load += h * d.load
	s.twist += h * d.twist
	s.torque += h * d.torque
	s.integral += h * d.integral
	s.position += h * d.position
	return s
}

// inputs hold still during a step.
type inputs struct {
	setpoint float64 // rad/s
	load     float64 // N·m of load beside the machine's drag
	jam      float64 // N·m of dry friction
	brake    float64 // N·m of the mechanical brake
	slope    float64 // N·m·s/rad of friction that falls with speed, about the setpoint
	gain     float64 // share of Kp that is left; 1: all
	encoder  float64 // share of the speed that the encoder shows; 1: all
	supply   float64 // factor on torque by the DC link's ripple; 1: none
	limit    float64 // N·m
	off      bool    // pulses off
	inject   float64 // N·m added to the motor, for measuring the mechanics
}

// rates are the state's derivatives.
func (m *Machine) rates(s state, in inputs) (d state) {
	seen := s.motor * in.encoder
	e := in.setpoint + m.Kv*s.position - seen
	want := m.want(s, in)
	ref := max(-in.limit, min(in.limit, want))
	d.integral = m.Ki * e
	if m.Kp > 0 { // back-calculation: the integral gives way at the limit
		d.integral += (ref - want) * m.Ki / m.Kp
	}
	d.position = in.setpoint - seen
	if in.off {
		ref, d.integral, d.position = 0, 0, 0
	}
	d.torque = (ref - s.torque) / m.TorqueLag

	drive := s.torque*in.supply + in.inject
	drag := m.drag(s.load) + in.load + (in.jam+in.brake)*dry(s.load) - in.slope*(s.load-in.setpoint)
	if m.Stiffness == 0 {
		d.motor = (drive - drag) / (m.MotorInertia + m.LoadInertia)
		d.load = d.motor
		return d
	}
	shaft := m.Stiffness*s.twist + m.Damping*(s.motor-s.load)
	d.motor = (drive - shaft) / m.MotorInertia
	d.load = (shaft - drag) / m.LoadInertia
	d.twist = s.motor - s.load
	return d
}

// want is the torque that the speed controller asks for, before the limit.
func (m *Machine) want(s state, in inputs) float64 {
	return m.Kp*in.gain*(in.setpoint+m.Kv*s.position-s.motor*in.encoder) + s.integral
}

// step integrates by the classical Runge-Kutta method.
func (m *Machine) step(s state, in inputs, h float64) state {
	k1 := m.rates(s, in)
	k2 := m.rates(s.plus(k1, h/2), in)
	k3 := m.rates(s.plus(k2, h/2), in)
	k4 := m.rates(s.plus(k3, h), in)
	s = s.plus(k1, h/6).plus(k2, h/3).plus(k3, h/3).plus(k4, h/6)
	return s
}

// balance is the state in which the machine turns steadily at w rad/s.
func (m *Machine) balance(w float64) state {
	t := m.drag(w)
	s := state{motor: w, load: w, torque: t, integral: t}
	if m.Stiffness > 0 {
		s.twist = t / m.Stiffness
	}
	return s
}

// mains is what the line does to the DC link.
type mains struct {
	level float64 // factor on the line voltage
	lost  bool    // one phase is missing
	phase float64 // rad, where the line's period begins
}

// bridge is the rectified line voltage at time t.
func (m *Machine) bridge(t float64, in mains) float64 {
	peak := m.Line * math.Sqrt2 * in.level
	a := 2*math.Pi*m.LineHz*t + in.phase
	if in.lost {
		return peak * math.Abs(math.Sin(a))
	}
	// Six pulses: within each sixth of the period the cosine around its crest.
	const sixth = math.Pi / 3
	a -= sixth * (math.Floor(a/sixth) + 0.5)
	return peak * math.Cos(a)
}

// link moves the DC link's voltage on by one step; implicit in the supply's
// current, whose time constant is of the step's order.
func (m *Machine) link(v, bridge, power, h float64) float64 {
	drain := power / max(v, 50)
	if v > m.ChopperOn {
		drain += v / m.ChopperOhm
	}
	next := v - h*drain/m.Capacitance
	if g := h / (m.Capacitance * m.Resistance); bridge > next {
		next = (next + g*bridge) / (1 + g)
	}
	return max(next, 0)
}

// power is what the motor takes from the DC link at a torque and speed, in W.
func (m *Machine) power(torque, speed float64) float64 {
	const efficiency = 0.93
	p := torque * speed
	if p < 0 {
		return p * efficiency
	}
	return p / efficiency
}

// Response is the speed loop's answer to a step of the setpoint from
// standstill, in units of the step: n samples, interval seconds apart, the
// first at the instant of the step. Nothing disturbs it and the DC link is stiff.
func (m Machine) Response(step, interval float64, n int) []float64 {
	out := make([]float64, n)
	sub := int(math.Ceil(interval / (maxStep / 2)))
	h := interval / float64(sub)
	s := m.balance(0)
	in := inputs{setpoint: step, gain: 1, encoder: 1, supply: 1, limit: m.TorqueLimit}
	for i := range out {
		out[i] = s.motor / step
		for range sub {
			s = m.step(s, in, h)
		}
	}
	return out
}

// maxStep is the longest integration step in seconds.
const maxStep = 100e-6
