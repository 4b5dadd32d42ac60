package web

import (
	"context"
	"slices"
	"strconv"
	"strings"

	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

// findings are what a page tells of a capture's study.
type findings struct {
	Shown   bool   // of a recording; a trace has none
	Missing string // why there are none yet
	First   string // the one to tell first
	Groups  []findingGroup
	Unable  []finding
	Basis   []string // what they rest on, each once
}

type findingGroup struct {
	Heading string
	Main    bool // for a report of one page too
	List    []finding
}

// finding is one statement. Channels, From and To are the lanes and the span
// that it is about, which the waveform view lights up.
type finding struct {
	Text         string
	For, Against []string
	Channels     string // numbers of channels, "0,3"
	From, To     string // in seconds from the trigger
	Spans        bool   // it is about lanes and a span
}

// mainKinds are those for which a printed page has room.
var mainKinds = []capture.FindingKind{capture.FindingFirstMover, capture.FindingCause, capture.FindingOnset, capture.FindingAlike}

func (s *server) findings(ctx context.Context, c capture.Capture) (findings, error) {
	if c.Origin != capture.Recorded {
		return findings{}, nil
	}
	study, err := s.Store.Study(ctx, c.ID, s.Zone)
	if err != nil {
		return findings{}, err
	}
	out := findings{Shown: true, First: study.Headline()}
	if study.Version == 0 {
		out.Missing = "Not analysed yet. faultkeep does that while it runs, newest first."
	}
	for _, f := range study.Findings {
		one := findingOf(c, f)
		if f.Kind == capture.FindingUnable {
			out.Unable = append(out.Unable, one)
			continue
		}
		if f.Kind == capture.FindingExtreme {
			continue // these stand in a table of their own
		}
		heading := report.Heading(f.Kind)
		if k := len(out.Groups); k == 0 || out.Groups[k-1].Heading != heading {
			out.Groups = append(out.Groups, findingGroup{Heading: heading, Main: slices.Contains(mainKinds, f.Kind)})
		}
		last := &out.Groups[len(out.Groups)-1]
		last.List = append(last.List, one)
		if f.Basis != "" && !slices.Contains(out.Basis, f.Basis) {
			out.Basis = append(out.Basis, f.Basis)
		}
	}
	return out, nil
}

func findingOf(c capture.Capture, f capture.Finding) finding {
	one := finding{Text: f.Text, For: f.For, Against: f.Against}
	var lanes []string
	for i, ch := range c.Channels {
		if slices.Contains(f.Channels, ch.Name) {
			lanes = append(lanes, strconv.Itoa(i))
		}
	}
	one.Channels = strings.Join(lanes, ",")
	one.From, one.To = strconv.FormatFloat(f.From, 'g', -1, 64), strconv.FormatFloat(f.To, 'g', -1, 64)
	one.Spans = len(lanes) > 0
	return one
}

// annotate gives the rows of captures the finding to tell first, and what was
// said of them.
func (s *server) annotate(ctx context.Context, rows []row) error {
	var ids []capture.ID
	for _, r := range rows {
		if r.id != "" {
			ids = append(ids, r.id)
		}
	}
	shorts, err := s.Store.Short(ctx, ids...)
	if err != nil {
		return err
	}
	for i := range rows {
		rows[i].First, rows[i].Family = shorts[rows[i].id].Headline, shorts[rows[i].id].Family
	}
	marks, err := s.Store.Marks(ctx, ids)
	markRows(rows, marks)
	return err
}
