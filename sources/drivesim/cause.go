package drivesim

// Cause is what goes wrong with a machine.
type Cause string

// The causes.
const (
	Jam         Cause = "jam"          // load torque rises beyond what the drive can give
	MainsDip    Cause = "mains dip"    // the line voltage sags
	Oscillation Cause = "oscillation"  // a growing oscillation of the shaft
	Runaway     Cause = "runaway"      // the load drives the motor: wind, or belt running back
	EncoderLoss Cause = "encoder loss" // the speed signal is lost
	PhaseLoss   Cause = "phase loss"   // one line phase is missing
)

// Causes in a fixed order.
var Causes = []Cause{Jam, MainsDip, Oscillation, Runaway, EncoderLoss, PhaseLoss}

// Error codes of IEC 61800-7-201 (CiA 402) that the protections raise.
const (
	codeOvercurrent  = 0x2311 // continuous overcurrent, output, no. 1
	codePhaseLoss    = 0x3130 // phase failure
	codeOvervoltage  = 0x3211 // DC link overvoltage no. 1
	codeUndervoltage = 0x3221 // DC link undervoltage no. 1
	codeBlocked      = 0x7121 // motor blocked
	codeEncoder      = 0x7305 // incremental encoder 1
	codeOverspeed    = 0x7310 // speed
	codeFollowing    = 0x8611 // following error
)

// usual is the code that a cause leads to where samples are a pattern and no
// model decides.
var usual = map[Cause]uint16{Jam: codeOvercurrent, MainsDip: codeUndervoltage, Oscillation: codeFollowing,
	Runaway: codeOverspeed, EncoderLoss: codeEncoder, PhaseLoss: codePhaseLoss}
