package response

import (
	"fmt"
	"math"
	"slices"
)

// move is one change of the setpoint from one level to another, and what was
// before and after it. Indexes are those of the piece.
type move struct {
	p             *piece
	holdFrom      int // first sample of the level before
	from, to      int // last sample of the level before, first of the level after
	end           int // index after the last sample of the level after
	ends          string
	before, after float64
	jump          bool // within two intervals: a step
	bumpy         bool // goes back and forth on its way
	lineFrom      int  // the longest straight part
	lineTo        int
}

func (m move) size() float64  { return math.Abs(m.after - m.before) }
func (m move) lasts() float64 { return float64(m.to-m.from) * m.p.dt }
func (m move) sign() float64  { return math.Copysign(1, m.after-m.before) }

// unfit says why nothing can be measured at the move, if so.
func (m move) unfit() string {
	switch {
	case m.bumpy:
		return "the setpoint goes back and forth in it, or several changes follow each other without a pause"
	case m.from-m.holdFrom < 2:
		return "what was before it isn't known"
	case m.end-m.to < 10:
		return fmt.Sprintf("only %s before %s", count(m.end-m.to, "sample follows", "samples follow"), m.ends)
	}
	return ""
}

// segment is a stretch [from, to] that a straight line follows.
type segment struct {
	from, to int
	still    bool
}

// segments is the setpoint as straight lines that stay within tol of it: from
// an anchor the cone of the slopes that still do is narrowed sample by sample,
// until none is left. One pass.
func segments(r []float64, tol float64) (out []segment) {
	begin, low, high := 0, math.Inf(-1), math.Inf(1)
	add := func(end int) {
		out = append(out, segment{begin, end, math.Abs(r[end]-r[begin]) <= 2*tol})
	}
	for i := 1; i < len(r); i++ {
		n := float64(i - begin)
		lo, hi := math.Max(low, (r[i]-tol-r[begin])/n), math.Min(high, (r[i]+tol-r[begin])/n)
		if lo > hi {
			add(i - 1)
			begin = i - 1
			lo, hi = r[i]-tol-r[begin], r[i]+tol-r[begin]
		}
		low, high = lo, hi
	}
	if begin < len(r)-1 {
		add(len(r) - 1)
	}
	return out
}

// tolerance is how far a setpoint may be off a straight line and still be on
// it: its own noise and resolution, and a thousandth of its range.
func tolerance(r []float64) (tol, span float64) {
	low, high := slices.Min(r), slices.Max(r)
	span = high - low
	if span <= 1e-9*math.Max(math.Abs(low), math.Abs(high)) {
		return 0, 0
	}
	tol = math.Max(4*noiseOf(r), span/1000)
	if q := quantum(r); q <= span/50 {
		tol = math.Max(tol, 1.5*q)
	}
	return tol, span
}

// findMoves finds the changes of the setpoint of a piece.
func findMoves(p *piece) (out []move) {
	tol, span := tolerance(p.set)
	if span <= 4*tol {
		return nil
	}
	segs := segments(p.set, tol)
	group(segs)
	for i := 0; i < len(segs); {
		j := i
		for j < len(segs) && segs[j].still == segs[i].still {
			j++
		}
		if !segs[i].still {
			out = append(out, moveOf(p, segs[i:j]))
		}
		i = j
	}
	out = bound(p, out)
	return slices.DeleteFunc(out, func(m move) bool { return m.size() < 4*tol && !m.bumpy })
}

// group takes pauses of less than three samples for a part of the move around them.
func group(segs []segment) {
	for i := 0; i < len(segs); {
		j := i
		for j < len(segs) && segs[j].still == segs[i].still {
			j++
		}
		if segs[i].still && i > 0 && j < len(segs) && segs[j-1].to-segs[i].from < 3 {
			for k := i; k < j; k++ {
				segs[k].still = false
			}
		}
		i = j
	}
}

func moveOf(p *piece, segs []segment) move {
	m := move{p: p, from: segs[0].from, to: segs[len(segs)-1].to}
	way, longest := 0.0, 0.0
	for _, s := range segs {
		d := math.Abs(p.set[s.to] - p.set[s.from])
		way += d
		if d > longest {
			longest, m.lineFrom, m.lineTo = d, s.from, s.to
		}
	}
	m.jump = m.to-m.from <= 2
	m.bumpy = way > 1.2*math.Abs(p.set[m.to]-p.set[m.from])
	return m
}

// bound gives every move the levels and the time between its neighbours.
func bound(p *piece, moves []move) []move {
	for i := range moves {
		m := &moves[i]
		m.end, m.ends = len(p.set), p.ends
		if i > 0 {
			m.holdFrom = moves[i-1].to
		}
		if i+1 < len(moves) {
			m.end, m.ends = moves[i+1].from+1, "the setpoint changes again"
		}
		m.before = mean(p.set[m.holdFrom : m.from+1])
		m.after = mean(p.set[m.to:m.end])
	}
	return moves
}
