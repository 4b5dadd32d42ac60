package vibration

import (
	"fmt"
	"math"
	"slices"

	"faultkeep/store/capture"
)

const basis = "Averaged spectrum of half-overlapping segments (Welch, Hann window), peaks interpolated between lines; noise alone shows a peak in about one capture of a hundred. " +
	"What oscillates faster than half the sample rate folds down and shows at a lower frequency."

// What whole multiples of the shaft's frequency often come from: values from
// memory, common in the trade; hints, not diagnoses.
var orderHints = map[int]string{
	1: "unbalance or an eccentric or bent part often shows at once per revolution",
	2: "misalignment often shows at twice per revolution",
}

// multiple is how a frequency stands to the shaft's.
type multiple struct {
	order, pm float64
	whole     int // 0: none
}

// orderOf compares a tone with the shaft.
func orderOf(t tone, s shaft) multiple {
	m := multiple{order: t.peak.Frequency, pm: t.peak.FrequencyPM}
	if !t.order {
		m.order = t.peak.Frequency / s.mean
		m.pm = t.peak.FrequencyPM/s.mean + m.order*math.Min(0.01, (s.high-s.low)/2/s.mean)
	}
	nearest := math.Round(m.order)
	if nearest >= 1 && nearest <= 20 && math.Abs(m.order-nearest) <= math.Max(m.pm, 0.01*nearest) && m.pm < 0.2 {
		m.whole = int(nearest)
	}
	return m
}

// The line frequencies of the world, and how many multiples are looked at.
// Lines are kept within a few tenths of a per cent.
var mains = []float64{50, 60}

const (
	mostMultiple  = 12
	mostPulses    = 36 // a three-phase bridge has multiples of six for long
	mainsAccuracy = 0.004
)

// multipleOf is which whole multiple of a line frequency lies within pm of hz; 0: none.
func multipleOf(line, hz, pm float64) int {
	n := math.Round(hz / line)
	if n < 1 || n > mostPulses || n > mostMultiple && math.Mod(n, 6) != 0 || math.Abs(hz-n*line) > math.Max(pm, mainsAccuracy*n*line) {
		return 0
	}
	return int(n)
}

// ofMains is which multiple of a line frequency a tone over time is; 0: none.
func ofMains(t tone, line float64) int {
	if t.order {
		return 0
	}
	return multipleOf(line, t.peak.Frequency, t.peak.FrequencyPM)
}

// mainsOf are the line frequencies that come into question: one, where only its
// multiples are there; both, where the data don't tell.
func mainsOf(groups []group) []float64 {
	alone := [2]int{}
	for _, g := range groups {
		a, b := ofMains(g.lead(), mains[0]), ofMains(g.lead(), mains[1])
		if a > 0 && b == 0 {
			alone[0]++
		} else if b > 0 && a == 0 {
			alone[1]++
		}
	}
	switch {
	case alone[0] > 0 && alone[1] == 0:
		return mains[:1]
	case alone[1] > 0 && alone[0] == 0:
		return mains[1:]
	}
	return mains
}

// finding puts an oscillation into words.
func (l *looking) finding(g group, lines []float64, rank int) capture.Finding {
	lead := g.lead()
	f := capture.Finding{Kind: capture.FindingVibration, Name: "peak", Rank: rank, Basis: basis}
	var strong []string
	var signals []*signal
	for i, t := range g.tones {
		f.Channels = append(f.Channels, t.signal.name())
		signals = append(signals, t.signal)
		f.Values = append(f.Values, capture.Quantity{Name: "amplitude of " + t.signal.name(), Value: t.peak.Amplitude, Unit: t.signal.channel.Unit, PlusMinus: t.peak.AmplitudePM})
		if i < 4 {
			strong = append(strong, plusMinus(t.peak.Amplitude, t.peak.AmplitudePM, t.signal.channel.Unit)+" in "+t.signal.name())
		}
	}
	f.From, f.To = l.span(signals)
	at := plusMinus(lead.peak.Frequency, lead.peak.FrequencyPM, "Hz")
	if g.order {
		f.Name = "order"
		at = fmt.Sprintf("%s × shaft speed, from %s to %s Hz as the speed changes", plusMinus(lead.peak.Frequency, lead.peak.FrequencyPM, ""),
			num(lead.peak.Frequency*l.shaft.low, 0), num(lead.peak.Frequency*l.shaft.high, 0))
		f.From = math.Max(f.From, l.shaft.speed.at(len(l.shaft.speed.x)-len(l.shaft.angle)))
		f.Basis += " Resampled at even steps of the shaft's angle."
	} else {
		f.Values = slices.Insert(f.Values, 0, capture.Quantity{Name: "frequency", Value: lead.peak.Frequency, Unit: "Hz", PlusMinus: lead.peak.FrequencyPM})
	}
	f.Text = fmt.Sprintf("Oscillation at %s, amplitude %s", at, list(strong))
	if l.shaft.known() {
		l.sayOrder(&f, g)
	}
	sayMains(&f, lead, lines)
	f.Text += "."
	return f
}

// sayOrder adds how the frequency stands to the shaft's.
func (l *looking) sayOrder(f *capture.Finding, g group) {
	m := orderOf(g.lead(), l.shaft)
	if !g.order && l.shaft.varies {
		f.Against = append(f.Against, fmt.Sprintf("the shaft's speed changes between %s and %s revolutions a second while the frequency stays: it doesn't follow the shaft", num(l.shaft.low, 0), num(l.shaft.high, 0)))
		return
	}
	f.Values = append(f.Values, capture.Quantity{Name: "order", Value: m.order, PlusMinus: m.pm})
	if !g.order {
		f.Text += fmt.Sprintf("; %s × shaft speed", plusMinus(m.order, m.pm, ""))
	}
	if m.whole == 0 {
		return
	}
	f.Name = "order"
	if hint := orderHints[m.whole]; hint != "" {
		f.For = append(f.For, hint+" (a hint, not a diagnosis)")
	}
}

// sayMains adds of which line frequency it is a multiple.
func sayMains(f *capture.Finding, t tone, lines []float64) {
	var said []string
	for _, line := range lines {
		if n := ofMains(t, line); n > 0 {
			said = append(said, fmt.Sprintf("%d × a line frequency of %g Hz", n, line))
			f.Values = append(f.Values, capture.Quantity{Name: fmt.Sprintf("multiple of %g Hz", line), Value: float64(n)})
		}
	}
	if len(said) == 0 {
		return
	}
	if f.Name == "peak" {
		f.Name = "line"
	}
	f.Text += "; it fits " + said[0]
	if len(said) > 1 {
		f.Text += " or " + said[1]
	}
	f.For = append(f.For, "multiples of the line frequency often come from the supply or its rectifier, and remain when the speed changes (a hint, not a diagnosis)")
}
