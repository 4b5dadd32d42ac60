// Package analysis turns a capture into findings: what moved first and what
// may be behind it, how the loop answered, what swings. Pure functions, no
// I/O. Findings are evidence and candidates, never diagnoses.
package analysis

import (
	"fmt"
	"slices"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/daemon/analysis/likeness"
	"faultkeep/daemon/analysis/response"
	"faultkeep/daemon/analysis/vibration"
	"faultkeep/store/capture"
)

// Version is that of the analyses. It goes up whenever one of them would say
// something else of the same capture, so that stored findings are known to be old.
const Version = 2

// Result is what one capture says by itself, and what is needed of it to say
// more together with others.
type Result struct {
	Findings []capture.Finding // most telling first
	Print    likeness.Print    // the picture by which it is compared
	Tones    vibration.Tones   // its oscillations, for vibration.Across
}

// Study looks at one capture. series are the channels' samples in their units,
// one a channel, missing ones NaN. It never fails: what can't be had is a
// finding that says why.
func Study(c capture.Capture, series []capture.Series) (r Result) {
	add := func(about string, find func() []capture.Finding) {
		r.Findings = append(r.Findings, guarded(about, find)...)
	}
	add("what moved first", func() []capture.Finding { return anatomy.Find(c, series) })
	add("how the loop answered", func() []capture.Finding { return response.Find(c, series) })
	add("what swings", func() (found []capture.Finding) {
		found, r.Tones = vibration.FindAndLook(c, series)
		return found
	})
	add("what it looks like", func() []capture.Finding {
		r.Print = likeness.Of(c, series)
		r.Print.Cause = standsOut(r.Findings)
		return nil
	})
	r.Findings = Sorted(r.Findings)
	return r
}

// standsOut is the cause that is the first candidate by what moved first; empty: none is.
func standsOut(found []capture.Finding) string {
	for _, f := range found {
		if f.Kind == capture.FindingCause && f.Rank == 1 && f.Name != anatomy.NotClear {
			return f.Name
		}
	}
	return ""
}

// Sorted are findings in the order in which they are told.
func Sorted(list []capture.Finding) []capture.Finding {
	slices.SortStableFunc(list, func(a, b capture.Finding) int {
		return slices.Index(capture.FindingKinds, a.Kind) - slices.Index(capture.FindingKinds, b.Kind)
	})
	return list
}

// guarded lets an analysis that meets what it doesn't know take no other with it.
func guarded(about string, find func() []capture.Finding) (out []capture.Finding) {
	defer func() {
		if p := recover(); p != nil {
			out = []capture.Finding{{Kind: capture.FindingUnable, Name: "defect",
				Text:  fmt.Sprintf("It can't be told %s: faultkeep itself has a defect there (%v). The capture is safe; its makers need it to mend that.", about, p),
				Basis: "Left out rather than guessed."}}
		}
	}()
	return find()
}
