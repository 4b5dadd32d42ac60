package drivesim

import (
	"math"
	"time"

	"faultkeep/store/capture"
)

// live is a signal's present value, as a drive's display shows it: the steady
// state with a little noise, and after a trip the machine running down.
func (d *Drive) live(role capture.Role) float64 {
	m := d.spec.Machine
	noise := float64(int16(mix(d.spec.Seed, uint64(d.now.UnixMilli()/20), uint64(len(role))))) / 32768
	run := 1.0
	if d.tripped != nil && !d.tripped.Tripped.IsZero() {
		run = math.Exp(-d.now.Sub(d.tripped.Tripped).Seconds() / m.RunDown())
	}
	on := 1.0
	if d.fault != 0 {
		on = 0
	}
	switch role {
	case capture.RoleSpeed:
		return m.Speed * run * (1 + 0.001*noise)
	case capture.RoleCurrent:
		return on * m.SteadyCurrent() * (1 + 0.01*noise)
	case capture.RoleTorque:
		return on * m.SteadyTorque() * (1 + 0.01*noise)
	case capture.RoleDCLink:
		return m.Link() * (1 + 0.002*noise)
	case capture.RoleTemperature:
		return m.Ambient + m.Rise + 3*math.Sin(float64(d.now.Unix()%7200)/7200*2*math.Pi) + 0.2*noise
	}
	return 0
}

// warning tells whether the drive warns: it does so for some seconds after a
// reset, having just been overloaded.
func (d *Drive) warning() bool {
	last := len(d.incidents) - 1
	return d.fault == 0 && last >= 0 && !d.incidents[last].Reset.IsZero() &&
		d.now.Sub(d.incidents[last].Reset) < 5*time.Second
}
