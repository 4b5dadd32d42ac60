package drivesim

import "faultkeep/store/capture"

// slots is the number of channels that the recorder can take.
const slots = 8

// Signals that a recorder can take, in the order of its slots.
var Signals = []capture.Role{capture.RoleSetpoint, capture.RoleSpeed, capture.RoleCurrent, capture.RoleTorque,
	capture.RoleDCLink, capture.RolePositionError, capture.RoleTemperature, capture.RoleDigital}

// signal is what one signal looks like on every drive.
type signal struct {
	name string
	unit string
	step float64 // one count of a 16-bit sample
}

var signals = map[capture.Role]signal{
	capture.RoleSetpoint:      {"speed setpoint", "rpm", 0.1},
	capture.RoleSpeed:         {"speed", "rpm", 0.1},
	capture.RoleCurrent:       {"output current", "A", 0.01},
	capture.RoleTorque:        {"torque", "N·m", 0.1},
	capture.RoleDCLink:        {"DC link voltage", "V", 0.1},
	capture.RolePositionError: {"position error", "°", 0.05},
	capture.RoleTemperature:   {"heat sink temperature", "°C", 0.1},
	capture.RoleDigital:       {"status bits", "", 1},
}

// Bits of the digital word, lowest first.
var Bits = []string{"enabled", "fault", "warning", "at speed", "torque limit", "encoder ok", "mains ok", "brake released"}

// The digital word's bits.
const (
	bitEnabled = 1 << iota
	bitFault
	bitWarning
	bitAtSpeed
	bitLimit
	bitEncoder
	bitMains
	bitBrake
)

// coding is how a signal is written as a sample: value = scale × number + offset.
type coding struct {
	typ           capture.Type
	scale, offset float64
}

// codingOf gives a role's coding for a recorder whose samples are of type t.
// Unsigned types carry signed signals by an offset, narrow ones by a coarser step.
func codingOf(role capture.Role, t capture.Type) coding {
	c := coding{typ: t, scale: signals[role].step}
	if role == capture.RoleDigital {
		switch t { // a word of bits is never negative
		case capture.Int8:
			c.typ = capture.Uint8
		case capture.Int16:
			c.typ = capture.Uint16
		case capture.Int32, capture.Float32:
			c.typ = capture.Uint32
		case capture.Int64, capture.Float64:
			c.typ = capture.Uint64
		}
		return c
	}
	switch t {
	case capture.Float32, capture.Float64:
		c.scale = 1
	case capture.Int8:
		c.scale *= 256
	case capture.Uint8:
		c.scale *= 256
		c.offset = -128 * c.scale
	case capture.Uint16, capture.Uint32, capture.Uint64:
		c.offset = -32768 * c.scale
	}
	return c
}
