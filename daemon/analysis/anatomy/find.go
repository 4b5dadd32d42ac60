package anatomy

import (
	"fmt"
	"math"
	"sort"

	"faultkeep/store/capture"
)

// What findings rest on.
const (
	basisOrder = "Evidence, not a diagnosis. The course of each channel is learned from what the command did to it before, two-sided CUSUM with at most " +
		"1 % false alarms in a record of noise; onset where the deviation exceeds four standard deviations and a tenth of its largest."
	basisSwell = "Evidence, not a diagnosis. An exponential swing is laid through speed and position error, and the course of each channel learned beside it " +
		"from the whole record; onset where the mean of measured and fitted swing exceeds four standard deviations and 11.5 % of its largest, beyond a quarter of what a move of the command changed."
	basisSurge = "Evidence, not a diagnosis. A load that begins at one instant and grows is laid through the torque, and the course of torque and current learned beside it " +
		"from the whole record; onset where the deviation exceeds four standard deviations and a tenth of its largest, beyond a quarter of what a move of the command changed."
	basisHeat = "Evidence, not a diagnosis. The course of a temperature is a line and the losses that the current leaves, until another fits better from one instant on; " +
		"onset where the deviation from it exceeds four standard deviations and a tenth of its largest."
	basisCause  = "A candidate by rule, not a diagnosis: what moved first and how, in this record alone. Whoever opens or re-tunes a drive is qualified for it and follows the local rules."
	basisLimit  = "Samples that stay at the edge of what was recorded."
	basisPlain  = "Read off the samples."
	basisUnable = "Left out rather than guessed."
)

// Find tells what moved before the trigger of a capture: the first mover, the
// order of the others, limits, edges and extremes, and candidate causes with
// the evidence for and against each. series are the channels' samples in their
// units, missing ones NaN. It never fails: what can't be had is a finding that
// says why. The cost grows linearly with the samples.
func Find(c capture.Capture, series []capture.Series) []capture.Finding {
	var out []capture.Finding
	unable := func(channels []string, format string, args ...any) {
		out = append(out, capture.Finding{Kind: capture.FindingUnable, Text: fmt.Sprintf(format, args...),
			Name: "anatomy", Channels: channels, Basis: basisUnable})
	}
	if len(c.Channels) == 0 {
		unable(nil, "What moved first can't be told: the capture has no channels.")
		return out
	}
	r, empty := newRecord(c, series)
	for _, name := range empty {
		unable([]string{name}, "%s has no samples.", capital(name))
	}
	if len(r.signals) == 0 {
		return out
	}
	if r.trigger < least {
		unable(nil, "What moved first can't be told: the record has %d samples before the trigger, at least %d are needed.", r.trigger, least)
	}
	if r.skipped > 0 {
		unable(nil, "What moved first was looked for in the last %d samples before the %s only.", window, (&study{record: r}).event())
	}
	s := r.study()
	for _, g := range s.short {
		if r.trigger >= least {
			unable([]string{g.name}, "%s has fewer than %d samples before the trigger that can be used.", capital(g.name), least)
		}
	}
	if t := s.aside; t != nil {
		unable([]string{t.name}, "%s went off gradually, by up to %s, but alone of the channels in which a load shows: that can't be told from what loads do by themselves.",
			capital(t.name), amount(math.Abs(t.peak), t.unit))
	}
	if len(s.tracks) == 0 && r.trigger >= least {
		unable(nil, "What moved first can't be told: no channel is measured over enough samples.")
	}
	out = append(out, s.order()...)
	out = append(out, s.causes()...)
	out = append(out, s.touched()...)
	out = append(out, s.changes()...)
	out = append(out, s.extremes()...)
	sort.SliceStable(out, func(i, j int) bool { return rank(out[i].Kind) < rank(out[j].Kind) })
	return out
}

func rank(k capture.FindingKind) int {
	for i, kind := range capture.FindingKinds {
		if k == kind {
			return i
		}
	}
	return len(capture.FindingKinds)
}

// unsure is the resolution of an onset in seconds: the sample interval, and half
// the time until the deviation was twice as large.
func (s *study) unsure(m *mover) float64 {
	return math.Max(s.pace(m.onset), (s.at(m.alarm)-s.at(m.onset))/2)
}

// did says what a mover did.
func (m *mover) did() string {
	switch {
	case m.move != nil:
		return "changed"
	case m.track.swing > 0:
		return "began to swing"
	case m.track.peak*m.track.side < 0 || m.kind.quantity == positionError:
		return "went off"
	case m.track.side < 0:
		return "fell"
	}
	return "rose"
}

// order is the first mover and those that followed.
func (s *study) order() (out []capture.Finding) {
	if len(s.tracks) == 0 {
		return nil
	}
	if len(s.movers) == 0 {
		return []capture.Finding{{Kind: capture.FindingFirstMover, Name: "none", Basis: basisOrder,
			Text: fmt.Sprintf("No channel left its course before the %s.", s.event()), From: s.at(0), To: 0}}
	}
	for i := range s.movers {
		m := &s.movers[i]
		at, res := s.at(m.onset), s.unsure(m)
		f := capture.Finding{Kind: capture.FindingOnset, Rank: i + 1, Name: m.did(), Channels: []string{m.signal.name},
			From: at, To: 0, Basis: basisOrder, Values: []capture.Quantity{{Name: "onset", Value: at, Unit: "s", PlusMinus: res}}}
		if i == 0 {
			f.Kind, f.Rank = capture.FindingFirstMover, 1
			f.Text = capital(fmt.Sprintf("%s %s first, %s (±%s)%s.", m.signal.name, m.did(), s.when(at), span(res), s.then()))
		} else {
			after := "together with"
			if m.onset > s.movers[0].onset {
				after = span(at-s.at(s.movers[0].onset)) + " after"
			}
			f.Text = capital(fmt.Sprintf("%s %s %s (±%s), %s %s.", m.signal.name, m.did(), s.when(at), span(res), after, s.movers[0].signal.name))
		}
		if m.track != nil && m.track.basis != "" {
			f.Basis = m.track.basis
		}
		if m.track != nil {
			f.Values = append(f.Values, capture.Quantity{Name: "largest deviation", Value: m.track.peak, Unit: m.unit, PlusMinus: finite(m.track.sigma)})
		}
		out = append(out, f)
	}
	return out
}

// then names what followed the first mover.
func (s *study) then() string {
	if len(s.movers) < 2 {
		return "; nothing else did"
	}
	f := &s.movers[0]
	var same []string
	for i := 1; i < len(s.movers); i++ {
		m := &s.movers[i]
		if gap := s.at(m.onset) - s.at(f.onset); gap <= s.unsure(f) {
			same = append(same, m.signal.name)
			continue
		} else if len(same) == 0 {
			return fmt.Sprintf("; %s followed %s later", m.signal.name, span(gap))
		}
		break
	}
	return fmt.Sprintf("; %s can't be told from it at this resolution", list(same))
}

// causes are the candidates in their order, or that none stands out.
func (s *study) causes() (out []capture.Finding) {
	if len(s.tracks) == 0 {
		return nil
	}
	all := s.candidates()
	clear := len(all) > 0 && all[0].score >= leastScore && (len(all) == 1 || all[0].score-all[1].score >= leastLead)
	if !clear {
		f := capture.Finding{Kind: capture.FindingCause, Name: NotClear, Rank: 1, Basis: basisCause, From: s.at(0),
			Text: "Not clear: no cause stands out in this record."}
		if len(s.movers) == 0 {
			f.For = []string{fmt.Sprintf("No channel left its course before the %s, so it may have been ordered from outside.", s.event())}
		}
		out = append(out, f)
	}
	for _, c := range all {
		out = append(out, capture.Finding{Kind: capture.FindingCause, Name: c.name, Rank: len(out) + 1, Channels: c.channels,
			Text: fmt.Sprintf("Candidate cause: %s.", c.name), From: s.at(c.from), For: capitals(c.pro), Against: capitals(c.contra), Basis: basisCause,
			Values: []capture.Quantity{{Name: "weight of evidence", Value: c.score}}})
	}
	return out
}

func capitals(of []string) []string {
	for i := range of {
		of[i] = capital(of[i])
	}
	return of
}

// touched are the limits that channels reached.
func (s *study) touched() (out []capture.Finding) {
	for _, l := range s.limits() {
		from, to := s.at(l.from), s.at(l.to)
		how := "held about"
		if l.exact {
			how = "was clipped at"
		}
		out = append(out, capture.Finding{Kind: capture.FindingLimit, Name: how, Channels: []string{l.name}, From: from, To: to, Basis: basisLimit,
			Text:   capital(fmt.Sprintf("%s %s %s for %s, from %s (±%s).", l.name, how, amount(l.value, l.unit), span(to-from), s.when(from), span(s.pace(l.from)))),
			Values: []capture.Quantity{{Name: "limit", Value: l.value, Unit: l.unit}, {Name: "duration", Value: to - from, Unit: "s", PlusMinus: s.pace(l.from)}}})
	}
	return out
}

// changes are the bits that changed.
func (s *study) changes() (out []capture.Finding) {
	for _, e := range s.edges() {
		at, to := s.at(e.at), "0 → 1"
		if !e.rises {
			to = "1 → 0"
		}
		text := fmt.Sprintf("%s: %s %s (±%s)", e.name, to, s.when(at), span(s.pace(e.at)))
		if e.number > 1 {
			text += fmt.Sprintf(", %d changes in the record", e.number)
		}
		out = append(out, capture.Finding{Kind: capture.FindingEdge, Name: e.name, Channels: []string{e.signal.name}, From: at, To: at,
			Text: capital(text) + ".", Basis: basisPlain, Values: []capture.Quantity{
				{Name: "time", Value: at, Unit: "s", PlusMinus: s.pace(e.at)}, {Name: "changes", Value: float64(e.number)}}})
	}
	return out
}

// extremes are value at the trigger, lowest and highest of each analog channel.
func (s *study) extremes() (out []capture.Finding) {
	for _, g := range s.signals {
		if g.kind.quantity == digital {
			continue
		}
		low, high := -1, -1
		for i, v := range g.all {
			if math.IsNaN(v - v) {
				continue
			}
			if low < 0 || v < g.all[low] {
				low = i
			}
			if high < 0 || v > g.all[high] {
				high = i
			}
		}
		if low < 0 {
			out = append(out, capture.Finding{Kind: capture.FindingUnable, Name: "extremes", Channels: []string{g.name}, Basis: basisUnable,
				Text: capital(g.name) + " has no sample that can be used."})
			continue
		}
		out = append(out, s.extreme(g, low, high))
	}
	return out
}

func (s *study) extreme(g *signal, low, high int) capture.Finding {
	f := capture.Finding{Kind: capture.FindingExtreme, Name: "extremes", Channels: []string{g.name}, Basis: basisPlain,
		From: math.Min(s.c.At(low), s.c.At(high)), To: math.Max(s.c.At(low), s.c.At(high))}
	text := g.name + ": "
	if s.trigger < len(g.samples) && !math.IsNaN(g.samples[s.trigger]-g.samples[s.trigger]) {
		v := g.samples[s.trigger]
		text += fmt.Sprintf("%s at the %s, ", amount(v, g.unit), s.event())
		f.Values = append(f.Values, capture.Quantity{Name: "at trigger", Value: v, Unit: g.unit})
	}
	l, h := g.all[low], g.all[high]
	if l == h {
		text += fmt.Sprintf("constant at %s", amount(l, g.unit))
	} else {
		text += fmt.Sprintf("lowest %s %s, highest %s %s", amount(l, g.unit), s.when(s.c.At(low)), amount(h, g.unit), s.when(s.c.At(high)))
	}
	f.Text = capital(text) + "."
	f.Values = append(f.Values, capture.Quantity{Name: "lowest", Value: l, Unit: g.unit}, capture.Quantity{Name: "highest", Value: h, Unit: g.unit})
	return f
}

// finite is v, or 0 where it is no number.
func finite(v float64) float64 {
	if math.IsNaN(v - v) {
		return 0
	}
	return v
}
