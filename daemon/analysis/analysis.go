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
const Version = 1

// analyses are all that look at one capture by itself.
var analyses = []struct {
	about string // after "can't be told:"
	find  func(capture.Capture, []capture.Series) []capture.Finding
}{
	{"what moved first", anatomy.Find},
	{"how the loop answered", response.Find},
	{"what swings", vibration.Find},
}

// Study computes everything that one capture says by itself, most telling
// first, and the picture by which it is compared with others. series are the
// channels' samples in their units, one a channel, missing ones NaN. It never
// fails: what can't be had is a finding that says why.
func Study(c capture.Capture, series []capture.Series) ([]capture.Finding, likeness.Print) {
	var out []capture.Finding
	for _, a := range analyses {
		out = append(out, guarded(a.about, func() []capture.Finding { return a.find(c, series) })...)
	}
	var print likeness.Print
	out = append(out, guarded("what it looks like", func() []capture.Finding { print = likeness.Of(c, series); return nil })...)
	return Sorted(out), print
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
