package drivesim

import "math"

// watchdog is the drive's protection. Each of its timers runs while its
// condition holds and falls back to zero when it doesn't.
type watchdog struct {
	p       Protection
	half    float64 // s, half a line period
	nominal float64 // V
	limit   float64 // s at the torque limit
	blocked float64
	slip    float64
	ripple  float64
	astray  float64
	side    float64 // on which the position error was last outside its room
	swings  int     // times it changed sides
	last    float64 // s since it did

	model     float64 // rad/s, the motor model's speed
	low, high float64 // V, within this half period
	within    float64 // s into it
	begun     bool
}

func timer(t *float64, holds bool, h float64) float64 {
	if holds {
		*t += h
	} else {
		*t = 0
	}
	return *t
}

// check moves on by one step and returns the code of a trip, 0 for none.
func (w *watchdog) check(s state, seen, torqueRef, limit, volts, h float64) uint16 {
	p := w.p
	atLimit := math.Abs(torqueRef) >= 0.97*limit
	w.model += (s.motor - w.model) * h / 0.004
	slow := math.Abs(s.motor) < rad(p.BlockedSpeed)
	timer(&w.limit, atLimit && torqueRef*s.motor >= 0, h)
	timer(&w.blocked, atLimit && slow, h)
	timer(&w.slip, math.Abs(w.model-seen) > rad(p.EncoderSlip), h)
	w.rippleOf(volts, h)
	w.follow(deg(s.position), h)
	switch {
	case volts < p.Undervoltage:
		return codeUndervoltage
	case volts > p.Overvoltage:
		return codeOvervoltage
	case w.slip > p.EncoderTime:
		return codeEncoder
	case math.Abs(s.motor) > rad(p.Overspeed):
		return codeOverspeed
	case w.blocked > p.BlockedTime:
		return codeBlocked
	case w.limit > p.LimitTime:
		return codeOvercurrent
	case w.ripple > p.PhaseTime:
		return codePhaseLoss
	case w.astray > p.FollowingTime || w.swings >= 3:
		return codeFollowing
	}
	return 0
}

// follow tells an error that swings to and fro from one that a slow or blocked
// machine leaves behind; the latter is judged by its time.
func (w *watchdog) follow(degrees, h float64) {
	outside := math.Abs(degrees) > w.p.FollowingRoom
	timer(&w.astray, outside, h)
	w.last += h
	if w.last > 2 {
		w.swings, w.side = 0, 0
	}
	if outside && degrees*w.side <= 0 {
		w.side, w.last = degrees, 0
		w.swings++
	}
}

// rippleOf looks at each half period: a missing phase leaves the crests high
// and deepens the valleys, unlike a sag or a change of load.
func (w *watchdog) rippleOf(volts, h float64) {
	if !w.begun || w.within >= w.half {
		if w.begun {
			timer(&w.ripple, w.high-w.low > w.p.PhaseRipple && w.high > 0.9*w.nominal, w.within)
		}
		w.begun, w.within, w.low, w.high = true, 0, volts, volts
	}
	w.low, w.high = min(w.low, volts), max(w.high, volts)
	w.within += h
}

// nearing tells whether a protection has used half of its time.
func (w *watchdog) nearing() bool {
	p := w.p
	return w.limit > p.LimitTime/2 || w.ripple > p.PhaseTime/2 || w.blocked > p.BlockedTime/2
}
