package report

import (
	"fmt"
	"io"
	"strings"
	"unicode"

	"faultkeep/store/capture"
)

// headings stand above the findings of each kind.
var headings = map[capture.FindingKind]string{
	capture.FindingFirstMover: "What moved first",
	capture.FindingCause:      "Candidate causes",
	capture.FindingOnset:      "What followed",
	capture.FindingLimit:      "Limits touched",
	capture.FindingEdge:       "Bits that changed",
	capture.FindingExtreme:    "Values",
	capture.FindingStep:       "Answer to setpoint steps",
	capture.FindingRamp:       "Following of ramps",
	capture.FindingLoop:       "The loop",
	capture.FindingVibration:  "Vibration",
	capture.FindingGrowth:     "Oscillations",
	capture.FindingAlike:      "Look-alikes",
	capture.FindingUnable:     "What can't be told",
}

// Heading stands above the findings of a kind.
func Heading(k capture.FindingKind) string {
	if h := headings[k]; h != "" {
		return h
	}
	return string(k)
}

// Findings writes findings as text under their headings, a line or so each;
// with why also what each rests on. Findings of one kind follow one another.
func Findings(w io.Writer, list []capture.Finding, why bool) error {
	var b strings.Builder
	if len(list) == 0 {
		b.WriteString("Nothing was found.\n")
	}
	kind := capture.FindingKind("")
	for _, f := range list {
		if f.Kind != kind {
			kind = f.Kind
			fmt.Fprintln(&b, Heading(kind))
		}
		fmt.Fprintf(&b, "  %s\n", Plainly(f.Text))
		for _, s := range f.For {
			fmt.Fprintf(&b, "    for:     %s\n", Plainly(s))
		}
		for _, s := range f.Against {
			fmt.Fprintf(&b, "    against: %s\n", Plainly(s))
		}
		if why && f.Basis != "" {
			fmt.Fprintf(&b, "    rests on: %s\n", Plainly(f.Basis))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// FindingsCaution stands beneath findings. It defers to the machine's own
// rules. Sources: IEC 60204-1 §6.2.4 and OSHA 1910.147(d)(5) for stored energy.
const FindingsCaution = "Findings are evidence and candidates, no diagnosis. Before work on a drive or its machine: lock it out,\n" +
	"wait the time on the device's label, measure. Local codes and qualified people decide."

// Plainly keeps names that came from outside from steering a terminal or
// breaking a line.
func Plainly(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.In(r, unicode.Bidi_Control, unicode.Zl, unicode.Zp) || r == unicode.ReplacementChar {
			return '·'
		}
		return r
	}, s)
}
