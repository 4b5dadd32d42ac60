// Package anatomy says what a capture of a trip shows: which channel deviated
// first and when, which others followed, and which causes fit that. Its findings
// are evidence and candidates, never diagnoses.
package anatomy

import (
	"math"
	"sort"
)

// mover is a channel that left its course, or a setpoint that asked too much.
type mover struct {
	*signal
	*track       // nil for a setpoint
	move   *move // of a setpoint
	onset  int
	alarm  int
}

// study is a record with what moved in it.
type study struct {
	*record
	tracks  []*track
	byIndex map[int]*track
	movers  []mover // first to last
	short   []*signal
}

func (r *record) study() *study {
	s := &study{record: r, byIndex: map[int]*track{}}
	n := 0
	for _, g := range r.signals {
		if g.kind.quantity != digital && !g.kind.setpoint {
			n++
		}
	}
	share := 1 / float64(max(n, 1))
	freeAt := math.MaxInt
	add := func(g *signal) {
		t, ok := r.follow(g, share, freeAt)
		if !ok {
			s.short = append(s.short, g)
			return
		}
		if g.kind.quantity == link {
			if w, ok := r.ripple(g, share); ok && (!t.moved || w.onset < t.onset) {
				t.moved, t.onset, t.alarm, t.swing = true, w.onset, w.alarm, w.peak
			}
		}
		s.tracks = append(s.tracks, t)
		s.byIndex[g.index] = t
	}
	for _, g := range r.signals { // those that a setpoint rules tell where moves are no excuse any more
		if g.partner != nil {
			add(g)
		}
	}
	for _, t := range s.tracks {
		if m := r.overreach(t); m != nil {
			s.movers = append(s.movers, mover{signal: t.partner, move: m, onset: m.from, alarm: m.from + 1})
			freeAt = min(freeAt, m.from)
			if !t.moved {
				t.moved, t.onset, t.alarm = true, m.from+1, m.to
			}
			t.onset = max(t.onset, m.from+1)
		}
		if t.moved {
			lead := int(0.03 / max(r.pace(t.onset), 1e-9))
			freeAt = min(freeAt, max(0, t.onset-lead))
		}
	}
	for _, g := range r.signals {
		if g.kind.quantity != digital && !g.kind.setpoint && g.partner == nil {
			add(g)
		}
	}
	for _, t := range s.tracks {
		if t.moved {
			for _, m := range s.movers { // what follows from a setpoint can't come before it
				if m.move != nil && t.onset <= m.onset && t.cmd == m.signal.cmd {
					t.onset = m.onset + 1
				}
			}
			s.movers = append(s.movers, mover{signal: t.signal, track: t, onset: t.onset, alarm: t.alarm})
		}
	}
	s.sharpen()
	sort.SliceStable(s.movers, func(i, j int) bool { return s.movers[i].onset < s.movers[j].onset })
	return s
}

// sharpen settles what can't be told by onsets alone: a channel that jumps has
// a sure onset, and one that crept out of the noise about then didn't come before.
func (s *study) sharpen() {
	for _, j := range s.movers {
		if j.alarm-j.onset > 2 {
			continue
		}
		for i := range s.movers {
			if m := &s.movers[i]; m.onset < j.onset && m.alarm >= j.onset {
				m.onset = j.onset + 1
			}
		}
	}
}

// overreach is the move of a setpoint that the drive couldn't follow, or nil:
// the largest deviation is a good part of the top speed, and it arose because
// the setpoint left its course, not the actual value.
func (r *record) overreach(t *track) *move {
	sp, top := t.partner.before(r.trigger), 0.0
	n := min(len(t.off), len(sp))
	peak := 0
	for _, v := range t.partner.samples {
		if v = math.Abs(v); v > top && !math.IsInf(v, 0) {
			top = v
		}
	}
	for i := range n {
		if math.Abs(t.off[i]) > math.Abs(t.off[peak]) {
			peak = i
		}
	}
	size := math.Abs(t.off[peak])
	if !(size > 0.05*top) || size < 8*t.sigma {
		return nil
	}
	half := peak
	for half > 0 && !(math.Abs(t.off[half]) < 0.1*size) {
		half--
	}
	from := half
	for half < peak && math.Abs(t.off[half]) < 0.5*size {
		half++
	}
	w := max(4, int(0.02/max(r.pace(from), 1e-9)))
	from -= w // of the way there, the part that hides in the noise
	if from < w {
		return nil
	}
	bent := func(x []float64, i int) float64 { // from the line through the samples before
		slope := (x[from] - x[from-w]) / float64(w)
		return x[i] - x[from] - slope*float64(i-from)
	}
	asked := bent(sp, half)
	if math.Abs(asked) < 1.5*math.Abs(bent(t.samples, half)) || math.Abs(asked) < 0.3*size {
		return nil
	}
	at := from
	for at < half && math.Abs(bent(sp, at+1)) <= t.cmd.step/2 {
		at++
	}
	return &move{from: at, to: peak, change: sp[peak] - sp[at], rate: math.Abs(sp[half]-sp[at]) / max(r.at(half)-r.at(at), r.pace(at))}
}
