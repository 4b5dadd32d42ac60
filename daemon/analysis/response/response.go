// Package response judges control loops by what a capture shows of them: how
// the actual value answered to steps and ramps of its setpoint, and how quietly
// it kept to a setpoint that stood still. Pure functions, no I/O.
//
// Percentages are of the change from the level before to the settled level
// after it; where the actual value hasn't settled, of the change up to the
// setpoint. Rise is the time from 10 % to 90 % of the change. Peak and settling
// times count from the step, which is the first sample with the new setpoint.
// Settled is who enters a band about the settled level and stays in it.
package response

import (
	"fmt"
	"slices"

	"faultkeep/store/capture"
)

// mostMoves is how many steps and ramps of a pair are told, the largest first;
// a profile of hundreds of moves would bury everything else.
const mostMoves = 12

// mostFailed is for how many of them it is told one by one why they can't be judged.
const mostFailed = 3

// Find gives what the capture says about its control loops. series are the
// channels' samples in the order of c.Channels; a missing sample is NaN. What
// can't be said is a finding too, with the reason.
func Find(c capture.Capture, series []capture.Series) []capture.Finding {
	pairs, why := pairUp(c.Channels)
	if len(pairs) == 0 {
		return []capture.Finding{unable(c, nil, why)}
	}
	var out []capture.Finding
	for _, p := range pairs {
		out = append(out, findPair(c, series, p)...)
	}
	return out
}

// loop is one setpoint with its actual value while it is looked at.
type loop struct {
	c      capture.Capture
	series []capture.Series
	pair   pair
	steps  []step
	ramps  []ramp
	quiet  []quiet
	out    []capture.Finding
	failed []capture.Finding
}

func findPair(c capture.Capture, series []capture.Series, p pair) []capture.Finding {
	names := []string{c.Channels[p.set].Name, c.Channels[p.act].Name}
	if p.set >= len(series) || p.act >= len(series) {
		return []capture.Finding{unable(c, names, "the capture has no samples of them")}
	}
	pieces := cut(c, series[p.set], series[p.act])
	if len(pieces) == 0 {
		return []capture.Finding{unable(c, names, whyNothing(c, series[p.set], series[p.act]))}
	}
	l := &loop{c: c, series: series, pair: p}
	var moves []move
	ends := make([]int, len(pieces)) // where each piece's moves end
	for i, at := range pieces {
		moves = append(moves, findMoves(at)...)
		ends[i] = len(moves)
	}
	told := largest(moves, mostMoves)
	failed := 0
	for _, m := range told {
		if why := l.judge(m); why == "" {
			continue
		} else if failed++; failed <= mostFailed {
			l.failMove(m, why)
		}
	}
	from := 0
	for i, at := range pieces {
		l.rest(at, moves[from:ends[i]])
		from = ends[i]
	}
	if failed > mostFailed {
		l.fail(0, 0, "%d more changes of the setpoint can't be judged, for reasons like these", failed-mostFailed)
	}
	if left := len(moves) - len(told); left > 0 {
		l.fail(0, 0, "%d smaller changes of the setpoint are left out; the %d largest are told", left, len(told))
	}
	if len(moves) == 0 {
		l.fail(0, 0, "the setpoint doesn't change %s, so no step or ramp could be measured", l.where())
		if len(l.quiet) == 0 {
			l.fail(0, 0, "fewer than %d samples in a row are too few to say how quietly the loop keeps to its setpoint", leastRest)
		}
	}
	out := append(l.out, l.verdicts()...)
	return append(out, l.failed...)
}

// where says in which part of the record setpoint changes are looked for.
func (l *loop) where() string {
	if tripped(l.c) {
		return "before the trip"
	}
	return "within the record"
}

// judge measures one move as what it is, or says why it can't.
func (l *loop) judge(m move) (why string) {
	if why := m.unfit(); why != "" {
		return why
	}
	s, why := measureStep(m)
	if why == "" && (m.jump || s.rise.v >= 5*m.lasts()) {
		l.steps = append(l.steps, s)
		l.out = append(l.out, l.stepFinding(s))
		return ""
	}
	if m.jump {
		return why
	}
	r, why := measureRamp(m)
	if why == "" {
		l.ramps = append(l.ramps, r)
		l.out = append(l.out, l.rampFinding(r))
	}
	return why
}

// largest picks the n largest moves, the earlier of equal ones, and gives them in
// the order of time.
func largest(moves []move, n int) []move {
	var kept []int // largest first
	for i := range moves {
		at := len(kept)
		for at > 0 && moves[i].size() > moves[kept[at-1]].size() {
			at--
		}
		if at < n {
			kept = slices.Insert(kept, at, i)[:min(len(kept)+1, n)]
		}
	}
	slices.Sort(kept)
	out := make([]move, len(kept))
	for k, i := range kept {
		out[k] = moves[i]
	}
	return out
}

func (l *loop) names() []string {
	return []string{l.c.Channels[l.pair.set].Name, l.c.Channels[l.pair.act].Name}
}

func (l *loop) failMove(m move, why string) {
	what := "ramp"
	if m.jump {
		what = "step"
	}
	l.fail(m.p.at(m.to), m.p.at(m.end), "the %s of %s from %s to %s at %s can't be judged: %s", what,
		l.c.Channels[l.pair.set].Name, num(m.before, m.size()/100), with(m.after, m.size()/100, l.unit()), instant(m.p.at(m.to), m.p.dt), why)
}

func (l *loop) fail(from, to float64, format string, args ...any) {
	f := unable(l.c, l.names(), fmt.Sprintf(format, args...))
	if from != to {
		f.From, f.To = from, to
	}
	l.failed = append(l.failed, f)
}

func (l *loop) unit() string {
	if u := l.c.Channels[l.pair.act].Unit; u != "" {
		return u
	}
	return l.c.Channels[l.pair.set].Unit
}

// unable is the finding that something couldn't be found out.
func unable(c capture.Capture, channels []string, why string) capture.Finding {
	f := capture.Finding{Kind: capture.FindingUnable, Name: "response", Channels: channels,
		Text: "Response of the loop: " + why + "."}
	if c.Timing.Samples > 0 {
		f.From, f.To = c.At(0), c.At(c.Timing.Samples-1)
	}
	return f
}
