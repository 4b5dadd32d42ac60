package response

import (
	"fmt"
	"math"
	"strings"

	"faultkeep/store/capture"
)

const stepBasis = "Rise from 10 % to 90 % of the change; peak and settling times count from the step, the first sample with the new setpoint; " +
	"settled is who enters the band about the settled level and stays in it. Crossings are interpolated by straight lines, peaks by parabolas."

// stepFinding puts a step into words.
func (l *loop) stepFinding(s step) capture.Finding {
	p, m, unit := s.m.p, s.m, l.unit()
	f := capture.Finding{Kind: capture.FindingStep, Name: "step", Channels: l.names(), From: p.at(s.at), To: p.at(m.end - 1)}
	said := []string{"rise 10–90 % " + s.rise.seconds()}
	said = append(said, swingWords(s)...)
	said = append(said, settleWords(s)...)
	if s.steady.ok {
		said = append(said, steadyWords(s, unit))
	}
	if s.ring.zeta.ok {
		said = append(said, ringWords(s.ring))
	}
	if s.ripple.ok && s.ripple.v > 1e-4*s.m.size() {
		said = append(said, "ripple "+s.ripple.text(strings.TrimSpace(unit+" RMS"))+" about the setpoint")
	}
	f.Text = fmt.Sprintf("%s after the step from %s to %s at %s (±%s): %s.", l.c.Channels[l.pair.act].Name,
		num(m.before, m.size()/100), with(m.after, m.size()/100, unit), instant(p.at(s.at), p.dt), span(p.dt, p.dt/10), strings.Join(said, ", "))
	f.Values = stepValues(s, unit)
	f.Basis = stepBasis
	if !s.settled {
		f.Basis += " The actual value hasn't settled at the end, so the setpoint stands for its level."
	}
	if s.ring.overOnly {
		f.Basis += " Damping comes from the overshoot alone, as if the swing were of second order."
	} else if s.ring.zeta.ok {
		f.Basis += " Damping comes from the logarithmic decrement, the natural frequency from it as for a second-order swing."
	}
	f.Basis += smoothWords(s.smoothed, p)
	return f
}

func smoothWords(w int, p *piece) (s string) {
	if w > 1 {
		s = fmt.Sprintf(" Noise was averaged over %d samples.", w)
	}
	if p.filled > 0 {
		s += fmt.Sprintf(" %d missing samples of this stretch were filled in by straight lines.", p.filled)
	}
	return s
}

func swingWords(s step) (said []string) {
	switch {
	case s.peak.ok:
		said = append(said, fmt.Sprintf("overshoot %s after %s", s.over.text("%"), s.peak.seconds()))
	default:
		said = append(said, fmt.Sprintf("no overshoot above %s", with(s.over.pm, s.over.pm, "%")))
	}
	if s.under.v > 0 {
		said = append(said, "undershoot "+s.under.text("%"))
	}
	if s.wrong.ok {
		said = append(said, "at first "+s.wrong.text("%")+" the wrong way")
	}
	return said
}

func settleWords(s step) (said []string) {
	watched := span(s.watched, s.m.p.dt)
	switch {
	case s.settle2.ok && s.settle5.ok:
		return []string{fmt.Sprintf("settled to 2 %% %s and to 5 %% %s after the step", s.settle2.seconds(), s.settle5.seconds())}
	case s.blurred && s.settle5.ok:
		return []string{fmt.Sprintf("settled to 5 %% %s after the step (2 %% can't be told in its noise)", s.settle5.seconds())}
	case s.blurred:
		return []string{"settled, but when can't be told in its noise"}
	case s.settle5.ok:
		return []string{fmt.Sprintf("settled to 5 %% %s after the step, but not to 2 %% within the %s before %s", s.settle5.seconds(), watched, s.m.ends)}
	}
	return []string{fmt.Sprintf("not settled to 2 %% or 5 %% within the %s before %s", watched, s.m.ends)}
}

func steadyWords(s step, unit string) string {
	if least := 1e-4 * s.m.size(); math.Abs(s.steady.v) < least && s.steady.pm < least {
		return "no steady-state error"
	}
	return "steady-state error " + s.steady.text(unit)
}

func ringWords(r ring) string {
	s := "damping ratio " + r.zeta.text("")
	if r.decay.ok {
		s += ", decay ratio " + r.decay.text("")
	}
	return s + ", swinging at " + r.damped.text("Hz")
}

func stepValues(s step, unit string) (out []capture.Quantity) {
	add := func(name string, q quantity, unit string) { out = addValue(out, name, q, unit) }
	add("step", have(s.m.after-s.m.before, 0), unit)
	add("rise time", s.rise, "s")
	add("peak time", s.peak, "s")
	add("overshoot", s.over, "%")
	add("undershoot", s.under, "%")
	add("wrong way", s.wrong, "%")
	add("settling time 2 %", s.settle2, "s")
	add("settling time 5 %", s.settle5, "s")
	add("steady-state error", s.steady, unit)
	add("ripple RMS", s.ripple, unit)
	return append(out, ringValues(s.ring)...)
}

func ringValues(r ring) (out []capture.Quantity) {
	out = addValue(out, "decay ratio", r.decay, "")
	out = addValue(out, "logarithmic decrement", r.decrement, "")
	out = addValue(out, "damping ratio", r.zeta, "")
	out = addValue(out, "damped frequency", r.damped, "Hz")
	return addValue(out, "natural frequency", r.natural, "Hz")
}

// addValue adds a quantity that could be had.
func addValue(out []capture.Quantity, name string, q quantity, unit string) []capture.Quantity {
	if !q.ok || !finite(q.v, q.pm) {
		return out
	}
	return append(out, capture.Quantity{Name: name, Value: q.v, Unit: unit, PlusMinus: q.pm})
}

// rampFinding puts a ramp into words.
func (l *loop) rampFinding(r ramp) capture.Finding {
	m, unit := r.m, l.unit()
	p := m.p
	f := capture.Finding{Kind: capture.FindingRamp, Name: "ramp", Channels: l.names(), From: p.at(m.from), To: p.at(m.end - 1)}
	perSecond := unit + "/s"
	said := []string{"following error " + r.following.text(unit)}
	if r.growing {
		said = append(said, "not yet steady at the end of the ramp")
	}
	if math.Abs(r.lag.v) > r.lag.pm {
		said = append(said, "that is "+r.lag.seconds()+" behind")
	}
	said = append(said, "at most "+r.largest.text(unit)+" off")
	said = append(said, rampEndWords(r, unit)...)
	if r.ring.zeta.ok {
		said = append(said, ringWords(r.ring))
	}
	f.Text = fmt.Sprintf("%s on the ramp from %s to %s in %s (%s) at %s: %s.", l.c.Channels[l.pair.act].Name,
		num(m.before, m.size()/100), with(m.after, m.size()/100, unit), span(m.lasts(), p.dt), with(r.slope, 0, perSecond), instant(p.at(m.from), p.dt), strings.Join(said, ", "))
	out := addValue(nil, "slope", have(r.slope, 0), perSecond)
	out = addValue(out, "following error", r.following, unit)
	out = addValue(out, "lag", r.lag, "s")
	out = addValue(out, "largest deviation", r.largest, unit)
	out = addValue(out, "overshoot", r.over, unit)
	out = addValue(out, "settling time 2 %", r.settle2, "s")
	f.Values = append(out, ringValues(r.ring)...)
	f.Basis = "Following error is setpoint − actual value, mean over the last fifth of the ramp's longest straight part; settling counts from the ramp's end." + smoothWords(r.smoothed, p)
	return f
}

// rampEndWords say how the actual value came to rest after a ramp.
func rampEndWords(r ramp, unit string) (said []string) {
	switch {
	case !r.over.ok:
		return nil
	case r.over.v > 0:
		said = append(said, "overshoot at the end "+r.over.text(unit))
	default:
		said = append(said, "no overshoot at the end above "+with(r.over.pm, r.over.pm, unit))
	}
	switch {
	case !r.settle2.ok:
	case r.settle2.v == 0:
		said = append(said, "within 2 % of the change from its end on")
	default:
		said = append(said, "settled to 2 % of the change "+r.settle2.seconds()+" after its end")
	}
	return said
}
