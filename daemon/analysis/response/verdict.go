package response

import (
	"fmt"
	"math"

	"faultkeep/store/capture"
)

// The verdicts, as Name of a loop finding.
const (
	Hunting      = "hunting"        // an oscillation that goes on, or hardly decays
	Overshooting = "overshooting"   // far beyond the setpoint, and back
	SlowToSettle = "slow to settle" // there soon, but not at rest
	Sluggish     = "sluggish"       // takes long to get there
	WellDamped   = "well damped"
	Fast         = "fast fluctuation" // too fast to be hunting: ripple, vibration, a gain too high
	Steady       = "steady"           // nothing moved, and nothing oscillates
)

// Limits of the verdicts. Common practice, no source: a quarter of a swing left
// after one period is the classic limit of an acceptable decay; an overshoot of
// a quarter belongs to a damping ratio of 0.4; a second-order loop with that
// damping settles to 2 % in 5.7 rise times, one without overshoot in 1.8; the
// speed loops of variable-speed drives rise within tenths of a second; hunting
// is slow enough to be seen or heard as a swing.
const (
	decayLimit    = 0.25
	overLimit     = 25.0 // %
	settleLimit   = 6.5  // settling to 2 % ÷ rise
	sluggishRise  = 0.5  // s
	huntingHz     = 20.0
	smallestSwing = 0.002 // of the setpoint
)

const caution = "(common practice; re-tuning is for people qualified on drive and machine, within the machine's limits and with everybody clear of what may move)"

// verdicts judges the loop in plain words: one finding, after the worst that was seen.
func (l *loop) verdicts() (out []capture.Finding) {
	if f, ok := l.swinging(); ok {
		return append(out, f)
	}
	if f, ok := l.fromSteps(); ok {
		return append(out, f)
	}
	if f, ok := l.fromRamps(); ok {
		return append(out, f)
	}
	if len(l.quiet) > 0 {
		return append(out, l.steady())
	}
	return nil
}

// swinging finds a sustained oscillation about a setpoint that stands still.
func (l *loop) swinging() (capture.Finding, bool) {
	worst := quiet{}
	for _, q := range l.quiet {
		if q.swing.amplitude > worst.swing.amplitude && q.swing.amplitude > smallestSwing*math.Abs(q.set) && q.swing.amplitude > 3*q.grain {
			worst = q
		}
	}
	if worst.swing.hz == 0 {
		return capture.Finding{}, false
	}
	s, unit := worst.swing, l.unit()
	f := l.loopFinding(Hunting, worst.from, worst.to)
	helps := "less gain or a longer integral time usually calms it, unless the load itself pulsates"
	if s.hz > huntingHz {
		f.Name = Fast
		helps = "less gain or a filter in the speed feedback usually calms it, unless it comes from the machine or the supply: see vibration"
	}
	f.Text = fmt.Sprintf("The loop shows %s: %s swings by ±%s at %s about the setpoint of %s that stands still; %s %s.", f.Name, l.c.Channels[l.pair.act].Name,
		with(s.amplitude, s.amplitude/10, unit), have(s.hz, s.pm).text("Hz"), with(worst.set, math.Abs(worst.set)/1000, unit), helps, caution)
	f.Values = addValue(f.Values, "frequency", have(s.hz, s.pm), "Hz")
	f.Values = addValue(f.Values, "amplitude", have(s.amplitude, 0), unit)
	f.Values = addValue(f.Values, "ripple RMS", have(worst.ripple, 0), unit)
	f.Basis = fmt.Sprintf("Regular zero crossings of the autocorrelation over %d samples; the oscillation holds %.0f %% of the variance.", worst.samples, 100*s.share)
	return f, true
}

// fromSteps judges by the steps that could be measured; the worst counts.
func (l *loop) fromSteps() (capture.Finding, bool) {
	order := []string{WellDamped, Sluggish, SlowToSettle, Overshooting, Hunting}
	worst, at, counts := -1, step{}, map[string]int{}
	judged := 0
	for _, s := range l.steps {
		name := judgeStep(s)
		if name == "" {
			continue
		}
		judged++
		counts[name]++
		for rank, known := range order {
			if known == name && rank > worst {
				worst, at = rank, s
			}
		}
	}
	if worst < 0 {
		return capture.Finding{}, false
	}
	name := order[worst]
	f := l.loopFinding(name, at.m.p.at(at.at), at.m.p.at(at.m.end-1))
	of := "at the one step that could be judged"
	if judged > 1 {
		of = fmt.Sprintf("at %d of %d steps", counts[name], judged)
	}
	f.Text = fmt.Sprintf("The loop is %s %s: %s.", name, of, stepReason(name, at))
	if name != WellDamped {
		f.Text = fmt.Sprintf("The loop is %s %s: %s %s.", name, of, stepReason(name, at), caution)
	}
	f.Basis = "Limits by common practice: decay ratio 0.25, overshoot 25 %, settling to 2 % within 6.5 rise times, rise within 0.5 s."
	if held := l.heldBack(at); held != "" {
		f.Against = append(f.Against, held)
	}
	return f, true
}

// judgeStep gives the verdict on one step; empty where the next change or the
// record's end came too soon for one.
func judgeStep(s step) string {
	switch {
	case s.ring.left() > decayLimit:
		return Hunting
	case s.over.v-s.over.pm > overLimit:
		return Overshooting
	case s.settle2.ok && s.settle2.v-s.settle2.pm > settleLimit*(s.rise.v+s.rise.pm), !s.settled && s.watched > settleLimit*s.rise.v:
		return SlowToSettle
	case !s.settled:
		return ""
	case s.rise.v > sluggishRise && s.over.v < 2:
		return Sluggish
	}
	return WellDamped
}

// stepReason says why, and which direction would help.
func stepReason(name string, s step) string {
	switch name {
	case Hunting:
		return fmt.Sprintf("%.0f %% of a swing are left after one period (damping ratio %s); less gain or a longer integral time usually calms it", 100*math.Exp(-s.ring.decrement.v), s.ring.zeta.text(""))
	case Overshooting:
		return fmt.Sprintf("it overshoots by %s; a longer integral time or a filter in the setpoint usually lessens that", s.over.text("%"))
	case SlowToSettle:
		took := "it is not at rest within the " + span(s.watched, s.m.p.dt) + " that can be seen"
		if s.settle2.ok {
			took = fmt.Sprintf("it takes %s to settle to 2 %%, %.1f times its rise", s.settle2.seconds(), s.settle2.v/s.rise.v)
		}
		if s.over.v > 2 {
			return took + "; a longer integral time or more gain usually shortens the swing"
		}
		return took + " and creeps; a shorter integral time usually shortens that"
	case Sluggish:
		return fmt.Sprintf("it rises in %s without overshoot; more gain usually quickens it, where neither inertia nor a limit holds it back", s.rise.seconds())
	}
	return list(append([]string{"it rises in " + s.rise.seconds()}, append(swingWords(s), settleWords(s)...)...))
}

// fromRamps judges by the ends of ramps.
func (l *loop) fromRamps() (capture.Finding, bool) {
	for _, r := range l.ramps {
		f := l.loopFinding(WellDamped, r.m.p.at(r.m.from), r.m.p.at(r.m.end-1))
		f.Basis = "Judged by the end of a ramp, where a well-tuned speed loop shows slight over- and undershoot and settles quickly: common practice, no source."
		if r.ring.left() > decayLimit && r.over.v > 0.01*r.m.size() {
			f.Name = Hunting
			f.Text = fmt.Sprintf("The loop is hunting at the end of a ramp: %.0f %% of a swing are left after one period, starting from an overshoot of %s; less gain or a longer integral time usually calms it %s.",
				100*math.Exp(-r.ring.decrement.v), r.over.text(l.unit()), caution)
			return f, true
		}
		if !r.settle2.ok || r.over.v > 0.25*r.m.size() {
			continue // neither this nor that
		}
		f.Text = fmt.Sprintf("The loop is well damped at the end of a ramp: %s.", list(rampEndWords(r, l.unit())))
		return f, true
	}
	return capture.Finding{}, false
}

// steady says how quietly the loop kept a setpoint that stood still.
func (l *loop) steady() capture.Finding {
	q := l.quiet[0]
	for _, other := range l.quiet[1:] {
		if other.samples > q.samples {
			q = other
		}
	}
	unit := l.unit()
	f := l.loopFinding(Steady, q.from, q.to)
	if far := math.Abs(q.offset); far > 0.1*math.Abs(q.set) && far > 3*q.noise {
		f.Kind, f.Name = capture.FindingUnable, "response"
		f.Text = fmt.Sprintf("Response of the loop: %s is %s off its setpoint of %s on average, so they don't belong together, or the drive didn't control.", l.c.Channels[l.pair.act].Name,
			with(q.offset, far/100, unit), with(q.set, math.Abs(q.set)/1000, unit))
		return f
	}
	if q.ripple == 0 {
		f.Kind, f.Name = capture.FindingUnable, "response"
		f.Text = fmt.Sprintf("Response of the loop: %s is its setpoint of %s in every sample, so the machine stands still or the actual value isn't measured.", l.c.Channels[l.pair.act].Name,
			with(q.set, math.Abs(q.set)/1000, unit))
		return f
	}
	f.Text = fmt.Sprintf("The loop is steady: %s keeps to the setpoint of %s within %s RMS (mean error %s), without a regular oscillation.", l.c.Channels[l.pair.act].Name,
		with(q.set, math.Abs(q.set)/1000, unit), with(q.ripple, q.ripple/10, unit), with(q.offset, q.ripple/10, unit))
	f.Values = addValue(f.Values, "ripple RMS", have(q.ripple, 0), unit)
	f.Values = addValue(f.Values, "steady-state error", have(q.offset, q.noise/math.Sqrt(float64(q.samples))), unit)
	f.Basis = fmt.Sprintf("Deviation from the setpoint over %d samples.", q.samples)
	return f
}

func (l *loop) loopFinding(name string, from, to float64) capture.Finding {
	return capture.Finding{Kind: capture.FindingLoop, Name: name, Channels: l.names(), From: from, To: to}
}
