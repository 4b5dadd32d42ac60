package drivesim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"faultkeep/store/capture"
)

// Causes that only scenarios know, beside Causes.
const (
	Overreach Cause = "command beyond limits" // the setpoint jumps to where the drive can't follow
	Overheat  Cause = "cooling lost"          // the heat sink no longer gives its heat away

	// With these nothing is wrong with the drive.
	StopOrdered   Cause = "stop ordered"      // a trip from outside: an emergency stop, an interlock
	HandTriggered Cause = "triggered by hand" // no trip at all
)

// ScenarioCauses are all anomalies of scenarios, CalmCauses those without one.
var (
	ScenarioCauses = []Cause{Jam, MainsDip, Oscillation, Runaway, EncoderLoss, PhaseLoss, Overreach, Overheat}
	CalmCauses     = []Cause{StopOrdered, HandTriggered}
)

// Error codes of IEC 61800-7-201 (CiA 402) beside those of the protections.
const (
	codeOverheat = 0x4310 // excess temperature drive
	codeExternal = 0x9000 // external error
)

// Scenario is one recording of a simulated drive, for trying analyses against
// the truth. It needs no clock and no server. Fields that are zero are drawn
// by the seed; the same Scenario always gives the same recording. The drives'
// setpoints move by themselves in most of them, often at the onset.
type Scenario struct {
	Seed     uint64
	Cause    Cause         // one of ScenarioCauses or CalmCauses
	Machine  Machine       // without a Name: one of the four
	Noise    Noise         //
	Interval time.Duration // between samples: 0.5, 1, 2 or 4 ms
	Samples  int           // per channel: 1024, 2048 or 4096
}

// ScenarioTruth is what is true about a scenario. Times are in seconds from
// the trigger, as those of capture.Capture.At.
//
// A channel has moved at the first sample at which it is so far from what it
// would have shown in the same run without the cause that an observer who has
// nothing but the record can see it, whatever his method:
//
//   - further than four standard deviations of what hides it: measuring noise,
//     the step of a count, ripple, and what the load's own ups and downs do to it;
//   - further than a tenth of what the deviation comes to before the trip, as
//     rise times are taken from 10 %, so that the order of channels depends on
//     what happens and not on who measures best;
//   - while a move of the setpoint is felt, further by a quarter of what that move
//     itself changed in the last half second: without the machine's data
//     the two can't be told apart sooner.
//
// A setpoint has neither of the last two.
type ScenarioTruth struct {
	Scenario                 // with what was drawn
	Calm     bool            // nothing was wrong: no Movers
	Moving   bool            // the undisturbed setpoint moves within the record before the trigger
	Acts     float64         // when the cause begins to act
	Onset    float64         // when the first channel moved
	Movers   []ScenarioMover // every channel that moved before the trip, first to last
}

// ScenarioMover is a channel that left its undisturbed course.
type ScenarioMover struct {
	Channel string
	Role    capture.Role
	At      float64
}

// First are the channels that moved within so many seconds of the very first,
// it included: which of them came first can't be told at that resolution.
func (t ScenarioTruth) First(within float64) []string {
	var out []string
	for _, m := range t.Movers {
		if m.At-t.Onset <= within {
			out = append(out, m.Channel)
		}
	}
	return out
}

// Play runs the scenario: the capture, its samples in counts as a 16-bit
// recorder has them, and the truth. Where a draw leads to no trip, or to a
// first movement that isn't well inside the record, another is made. It panics
// for a scenario in which that never happens, such as a Machine that can't trip.
func (s Scenario) Play() (capture.Capture, []capture.Series, ScenarioTruth) {
	if s.Cause == "" {
		all := append(append([]Cause(nil), ScenarioCauses...), CalmCauses...)
		s.Cause = all[rand.New(rand.NewPCG(s.Seed, 10)).IntN(len(all))]
	}
	const attempts = 60
	for k := range uint64(attempts) {
		p := s.draw(k)
		if !p.run() {
			continue
		}
		truth, ok := p.truth()
		if !ok {
			continue
		}
		c, series := p.capture()
		return c, series, truth
	}
	panic(fmt.Sprintf("scenario %d: %q never shows on %q", s.Seed, s.Cause, s.Machine.Name))
}

// draw fills in what is left open and prepares the play.
func (s Scenario) draw(attempt uint64) *play {
	seed := mix(s.Seed, attempt, 0x5ce)
	rng := rand.New(rand.NewPCG(seed, 11))
	between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	if s.Machine.Name == "" {
		s.Machine = []Machine{Elevator(), Belt(), Slew(), Fan()}[rng.IntN(4)]
		if s.Machine.Profile == Steady && rng.Float64() < 0.6 {
			s.Machine.Profile = Stages
		}
		if s.Cause == Overheat { // the sensor sits at the power module
			s.Machine.ThermalTime = between(6, 12)
		}
	}
	if s.Noise == "" {
		s.Noise = []Noise{Quiet, Normal, Loud}[rng.IntN(3)]
	}
	if s.Interval == 0 {
		s.Interval = []time.Duration{500 * time.Microsecond, time.Millisecond, 2 * time.Millisecond, 4 * time.Millisecond}[rng.IntN(4)]
	}
	if s.Samples == 0 {
		s.Samples = 1024 << rng.IntN(3)
	}
	p := &play{Scenario: s, seed: seed, step: s.Interval.Seconds(), before: int(between(0.6, 0.85) * float64(s.Samples))}
	window := float64(p.before) * p.step
	p.onset = window + between(0.05, 0.45)
	p.patience = window
	p.move = math.Inf(1)
	if rng.Float64() < 0.5 { // a move of the setpoint that is about the onset
		p.move = p.onset + between(-0.7, 0.02)*window
	}
	p.heatRoom, p.heatGain = between(6, 15), between(5, 8)
	p.reach, p.steep = between(0.3, 0.6), between(15, 80)
	p.ramped = rng.Float64() < 0.5
	p.hit = -1
	return p
}
