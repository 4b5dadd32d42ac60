// Package vibration finds oscillations in captures: at which frequencies, how
// strong in which channels, whether they follow the shaft or the supply, whether
// they grow, and, over several captures, whether a frequency stays put or goes
// with the speed. Pure functions, no I/O.
//
// Amplitudes are peak values in the channel's unit, frequencies in Hz, orders in
// multiples of the shaft's frequency. What a multiple may point to is a hint.
package vibration

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"faultkeep/daemon/analysis/spectrum"
	"faultkeep/store/capture"
)

const (
	chance      = 0.01 // that noise alone shows a peak anywhere in a capture
	mostTold    = 8    // oscillations that are told, the clearest first
	mostGrowths = 3    // of which it is told whether they grow
	least       = 512  // samples of a channel that are needed
	smallest    = 1e-4 // of a channel's largest value: smaller amplitudes don't matter
)

// Find gives what the capture says about vibration. series are the channels'
// samples in the order of c.Channels; a missing sample is NaN. What can't be
// said is a finding too, with the reason.
func Find(c capture.Capture, series []capture.Series) []capture.Finding {
	found, _ := FindAndLook(c, series)
	return found
}

// FindAndLook is Find and Look in one, which share most of their work.
func FindAndLook(c capture.Capture, series []capture.Series) ([]capture.Finding, Tones) {
	l := look(c, series)
	return l.findings(series), l.told()
}

func (l *looking) findings(series []capture.Series) []capture.Finding {
	if len(l.signals) == 0 {
		return []capture.Finding{unable(l.c, l.why)}
	}
	groups := l.groups()
	told := groups[:min(len(groups), mostTold)]
	lines := mainsOf(groups)
	var out []capture.Finding
	for rank, g := range told {
		out = append(out, l.finding(g, lines, rank+1))
	}
	swell, swells := l.swell(series)
	if swells {
		out = append(out, l.swellFinding(swell))
	}
	growths := 0
	for _, g := range told {
		if growths == mostGrowths {
			break
		}
		if f, ok := l.growth(g, swell); ok {
			out = append(out, f)
			growths++
		}
	}
	if len(out) == 0 {
		out = append(out, l.nothing())
	}
	for _, why := range l.left {
		out = append(out, unable(l.c, why))
	}
	if left := len(groups) - len(told); left > 0 {
		out = append(out, unable(l.c, fmt.Sprintf("%d weaker oscillations are left out; the %d clearest are told", left, len(told))))
	}
	if l.shaft.why != "" && len(groups) > 0 {
		out = append(out, unable(l.c, l.shaft.why+", so orders aren't given"))
	}
	return out
}

// tone is a peak in the spectrum of a channel.
type tone struct {
	signal *signal
	peak   spectrum.Peak // in Hz, or in orders where byAngle
	noise  float64       // density of the noise around it, unit²/Hz
	step   float64       // width of a line
	order  bool          // found over the shaft's angle
}

// look is a capture while it is looked at.
type looking struct {
	c       capture.Capture
	signals []*signal
	shaft   shaft
	tones   []tone
	left    []string // channels that can't be looked at, and why
	why     string   // why there are no signals
}

func look(c capture.Capture, series []capture.Series) *looking {
	l := &looking{c: c}
	l.signals, l.left, l.why = signalsOf(c, series)
	if len(l.signals) == 0 {
		return l
	}
	l.shaft = shaftOf(c, series)
	by := plans{}
	for _, s := range l.signals {
		l.tones = append(l.tones, by.tonesOf(s, s.x, 1/s.dt, chance/float64(len(l.signals)))...)
		if !l.shaft.varies {
			continue
		}
		if x, perRev, ok := l.shaft.byAngle(s); ok {
			for _, t := range by.tonesOf(s, x, perRev, chance/float64(len(l.signals))) {
				if t.order = true; t.peak.Frequency < highest*perRev {
					l.tones = append(l.tones, t)
				}
			}
		}
	}
	return l
}

// plans are the spectra's of one look, by segment length.
type plans map[int]*spectrum.Plan

func (p plans) welch(x []float64, rate float64) (spectrum.Spectrum, error) {
	size := spectrum.SizeFor(len(x))
	if p[size] == nil {
		plan, err := spectrum.NewPlan(spectrum.Options{Size: size})
		if err != nil {
			return spectrum.Spectrum{}, err
		}
		p[size] = plan
	}
	return p[size].Welch(x, rate)
}

// tonesOf are the peaks that matter of a channel: of a fine spectrum, and of one
// four times as coarse and steadier, in which broad resonances stand out.
func (p plans) tonesOf(s *signal, x []float64, rate, chance float64) (out []tone) {
	fine, err := p.welch(x, rate)
	if err != nil {
		return nil // numbers so large that their squares are none
	}
	for _, found := range []spectrum.Spectrum{fine, fine.Coarser()} {
		for _, peak := range found.Peaks(chance / 2) {
			known := slices.ContainsFunc(out, func(t tone) bool { return math.Abs(t.peak.Frequency-peak.Frequency) <= 2*found.Step })
			if peak.Amplitude >= smallest*s.most && !known {
				out = append(out, tone{signal: s, peak: peak, noise: found.Density[peak.Line] / peak.Above, step: found.Step})
			}
		}
	}
	return out
}

// group is one oscillation, in all the channels that show it, clearest first.
type group struct {
	tones []tone
	order bool
}

func (g group) lead() tone { return g.tones[0] }

// groups puts peaks of different channels at the same frequency together,
// clearest first.
func (l *looking) groups() (out []group) {
	tones := slices.Clone(l.tones)
	slices.SortStableFunc(tones, func(a, b tone) int { return cmp.Compare(l.clearness(b), l.clearness(a)) })
	for _, t := range tones {
		if l.shaft.varies && l.toldOtherwise(out, t) {
			continue
		}
		at := slices.IndexFunc(out, func(g group) bool {
			lead := g.lead()
			return g.order == t.order && math.Abs(lead.peak.Frequency-t.peak.Frequency) <= math.Max(lead.peak.FrequencyPM+t.peak.FrequencyPM, 0.75*math.Max(lead.step, t.step))
		})
		if at < 0 {
			out = append(out, group{tones: []tone{t}, order: t.order})
		} else if !slices.ContainsFunc(out[at].tones, func(other tone) bool { return other.signal == t.signal }) {
			out[at].tones = append(out[at].tones, t)
		}
	}
	return out
}

// clearness ranks peaks. One over the angle that is no whole multiple must be
// much clearer than the same over time: shafts give whole multiples, mostly.
func (l *looking) clearness(t tone) float64 {
	if t.order && orderOf(t, l.shaft).whole == 0 {
		return t.peak.Above / 4
	}
	return t.peak.Above
}

// toldOtherwise tells whether a peak over time is only what an oscillation over
// the angle, told already, leaves there while the speed dwells, or the other way
// round: then it holds no more power than that, within a factor of three.
func (l *looking) toldOtherwise(told []group, t tone) bool {
	return slices.ContainsFunc(told, func(g group) bool {
		at := slices.IndexFunc(g.tones, func(other tone) bool { return other.signal == t.signal })
		if g.order == t.order {
			return false
		}
		f, low, high := g.lead().peak.Frequency, t.peak.Frequency-1.5*t.step, t.peak.Frequency+1.5*t.step
		share := l.shaft.dwells(low/f, high/f)
		if t.order {
			share = l.shaft.dwells(f/high, f/math.Max(low, t.step))
		}
		if at < 0 { // in other channels: the same if the speed dwells there
			return share > 0.3
		}
		ours := t.peak.Amplitude / g.tones[at].peak.Amplitude
		return ours*ours <= 3*share
	})
}

// nothing says that nothing stands out.
func (l *looking) nothing() capture.Finding {
	slow, fast := math.Inf(1), 0.0
	var names []string
	for _, s := range l.signals {
		names = append(names, s.name())
		slow, fast = math.Min(slow, 4/(s.dt*float64(spectrum.SizeFor(len(s.x))))), math.Max(fast, 0.5/s.dt)
	}
	from, to := l.span(l.signals)
	return capture.Finding{Kind: capture.FindingVibration, Name: "none", Channels: names, From: from, To: to,
		Text:  fmt.Sprintf("No oscillation stands out of the noise between %s and %s Hz.", num(slow, 0), num(fast, 0)),
		Basis: basis}
}

func (l *looking) span(signals []*signal) (from, to float64) {
	from, to = math.Inf(1), math.Inf(-1)
	for _, s := range signals {
		from, to = math.Min(from, s.at(0)), math.Max(to, s.at(len(s.x)-1))
	}
	return from, to
}

func unable(c capture.Capture, why string) capture.Finding {
	f := capture.Finding{Kind: capture.FindingUnable, Name: "vibration", Text: "Vibration: " + why + "."}
	if c.Timing.Samples > 0 {
		if from, to := c.At(0), c.At(c.Timing.Samples-1); from <= to && !math.IsInf(from-to, 0) {
			f.From, f.To = from, to
		}
	}
	return f
}
