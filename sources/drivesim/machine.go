package drivesim

import "math"

// Machine is a motor, what it drives, its converter and its protection.
// Mechanics are referred to the motor shaft.
type Machine struct {
	Name   string
	Causes []Cause // what can go wrong with it by itself

	// Two masses and the shaft between them.
	MotorInertia float64 // kg·m²
	LoadInertia  float64 // kg·m²
	Stiffness    float64 // N·m/rad; 0: one rigid mass
	Damping      float64 // N·m·s/rad, of the shaft

	// The load's torque.
	Coulomb   float64 // N·m, against the motion
	Viscous   float64 // N·m·s/rad
	Constant  float64 // N·m, whatever the motion: weight
	Quadratic float64 // N·m·s²/rad²: air
	Ripple    float64 // N·m, at RippleRate
	RippleHz  float64 // at Speed: buckets passing, rollers
	Gust      float64 // N·m rms, slow and random
	Backstop  bool    // can't turn backwards
	Brake     float64 // N·m of the brake that falls in after a trip

	// Motor and speed loop.
	Kt          float64 // N·m per ampere of torque-producing current
	Magnetising float64 // A
	TorqueLag   float64 // s, of the current loop
	TorqueLimit float64 // N·m
	Kp          float64 // N·m·s/rad
	Ki          float64 // N·m/rad
	Kv          float64 // 1/s, of the position loop around it
	Speed       float64 // rpm
	Accel       float64 // rpm/s
	Profile     Profile

	// DC link, fed by a three-phase diode bridge.
	Line        float64 // V rms between phases
	LineHz      float64
	Resistance  float64 // Ω, of the supply and the bridge
	Capacitance float64 // F
	Losses      float64 // W
	ChopperOhm  float64
	ChopperOn   float64 // V

	// Heat sink.
	Rated       float64 // A, output
	Ambient     float64 // °C
	Rise        float64 // K at rated current
	ThermalTime float64 // s

	Protection Protection
}

// Protection is what makes the drive trip.
type Protection struct {
	LimitTime     float64 // s at the torque limit while driving: 2311
	BlockedSpeed  float64 // rpm, and below it
	BlockedTime   float64 // s at the torque limit: 7121
	Undervoltage  float64 // V: 3221
	Overvoltage   float64 // V: 3211
	PhaseRipple   float64 // V peak to peak within half a line period
	PhaseTime     float64 // s of it: 3130
	Overspeed     float64 // rpm: 7310
	EncoderSlip   float64 // rpm between the encoder and the motor model
	EncoderTime   float64 // s of it: 7305
	FollowingRoom float64 // ° of position error, to both sides in turn …
	FollowingTime float64 // … or to one side for so many s: 8611
}

// Profile is how the setpoint goes.
type Profile string

// The profiles.
const (
	Steady Profile = "steady" // constant speed
	Stages Profile = "stages" // ramps between speeds, every few seconds
	Travel Profile = "travel" // to and fro, with rests
)

// Elevator is a bucket elevator: weight on a backstop, buckets passing.
func Elevator() Machine {
	return base(Machine{
		Name: "bucket elevator", Causes: []Cause{Jam, Jam, MainsDip, Oscillation, PhaseLoss, EncoderLoss},
		MotorInertia: 0.12, LoadInertia: 0.55, Stiffness: 1700, Damping: 1.2,
		Coulomb: 18, Viscous: 0.04, Constant: 62, Ripple: 3, RippleHz: 5.2, Gust: 1.5, Backstop: true,
		Kt: 3.6, Magnetising: 14, TorqueLag: 0.003, TorqueLimit: 180, Kp: 9, Ki: 150, Kv: 2,
		Speed: 1470, Accel: 600, Profile: Steady,
		Capacitance: 3.0e-3, Losses: 350, Rated: 36, Rise: 32,
	})
}

// Belt is a belt conveyor: much inertia behind a soft coupling.
func Belt() Machine {
	return base(Machine{
		Name: "belt conveyor", Causes: []Cause{Jam, MainsDip, Oscillation, EncoderLoss, PhaseLoss},
		MotorInertia: 0.10, LoadInertia: 1.4, Stiffness: 1900, Damping: 1.5,
		Coulomb: 55, Viscous: 0.12, Ripple: 1.2, RippleHz: 11, Gust: 3,
		Kt: 4.6, Magnetising: 10, TorqueLag: 0.003, TorqueLimit: 165, Kp: 18, Ki: 216, Kv: 1.5,
		Speed: 970, Accel: 120, Profile: Stages,
		Capacitance: 2.2e-3, Losses: 250, Rated: 24, Rise: 30,
	})
}

// Slew is a ship loader's slew gear: to and fro, against the wind.
func Slew() Machine {
	return base(Machine{
		Name: "loader slew", Causes: []Cause{Runaway, Oscillation, EncoderLoss, MainsDip, Jam},
		MotorInertia: 0.04, LoadInertia: 0.35, Stiffness: 420, Damping: 0.5,
		Coulomb: 14, Viscous: 0.03, Ripple: 0.6, RippleHz: 17, Gust: 2.5, Brake: 260,
		Kt: 3.1, Magnetising: 7, TorqueLag: 0.003, TorqueLimit: 78, Kp: 5.4, Ki: 76, Kv: 2,
		Speed: 1440, Accel: 450, Profile: Travel,
		Capacitance: 1.5e-3, Losses: 180, Rated: 16, Rise: 28,
	})
}

// Fan is an aeration fan: air on a big wheel.
func Fan() Machine {
	return base(Machine{
		Name: "aeration fan", Causes: []Cause{PhaseLoss, MainsDip, Jam, EncoderLoss},
		MotorInertia: 0.15, LoadInertia: 2.6, Stiffness: 9000, Damping: 4,
		Coulomb: 4, Viscous: 0.02, Quadratic: 0.0043, Ripple: 0.8, RippleHz: 24, Gust: 1.5,
		Kt: 3.5, Magnetising: 16, TorqueLag: 0.004, TorqueLimit: 190, Kp: 26, Ki: 176, Kv: 1,
		Speed: 1480, Accel: 60, Profile: Stages,
		Capacitance: 3.6e-3, Losses: 420, Rated: 42, Rise: 34,
	})
}

// base fills in what the machines have in common: a 400 V supply and the
// protection that goes with it.
func base(m Machine) Machine {
	m.Line, m.LineHz, m.Resistance = 400, 50, 0.25
	m.ChopperOn = 740
	m.ChopperOhm = m.ChopperOn * m.ChopperOn / (1.5 * m.TorqueLimit * rad(m.Speed)) // more than the motor can brake with
	m.Ambient, m.ThermalTime = 24, 420
	room := 10.0
	if m.Profile == Travel { // its ramps are steeper
		room = 25
	}
	m.Protection = Protection{
		LimitTime: 0.25, BlockedSpeed: 0.06 * m.Speed, BlockedTime: 0.06,
		Undervoltage: 400, Overvoltage: 800, PhaseRipple: 30, PhaseTime: 0.12,
		Overspeed: 1.15 * m.Speed, EncoderSlip: 0.12 * m.Speed, EncoderTime: 0.04, FollowingRoom: room, FollowingTime: 1,
	}
	return m
}

// RunDown is about how long the machine turns on without the motor, in s.
func (m Machine) RunDown() float64 {
	return (m.MotorInertia + m.LoadInertia) * rad(m.Speed) / max(m.SteadyTorque(), 1)
}

// Link is the DC link's voltage with little load, in volts.
func (m Machine) Link() float64 { return m.Line * math.Sqrt2 }

// SteadyTorque is the torque at full speed in N·m.
func (m Machine) SteadyTorque() float64 { return m.drag(rad(m.Speed)) }

// SteadyCurrent is the output current at full speed in A.
func (m Machine) SteadyCurrent() float64 { return m.current(m.SteadyTorque()) }

// current at a torque: magnetising and torque-producing part at right angles.
func (m Machine) current(torque float64) float64 {
	return math.Hypot(m.Magnetising, torque/m.Kt)
}

// drag is the load's undisturbed torque at a speed in rad/s. At a creep the
// dry friction fades, which keeps it from chattering about standstill.
func (m Machine) drag(w float64) float64 {
	t := m.Coulomb*dry(w) + m.Viscous*w + m.Constant + m.Quadratic*w*math.Abs(w)
	if m.Backstop && w < 0 {
		t += 1500 * m.LoadInertia * w
	}
	return t
}

// creep is the speed in rad/s below which dry friction fades.
const creep = 1.0

func dry(w float64) float64 { return max(-1, min(1, w/creep)) }

func rad(rpm float64) float64 { return rpm * math.Pi / 30 }
func rpm(rad float64) float64 { return rad * 30 / math.Pi }
func deg(rad float64) float64 { return rad * 180 / math.Pi }
