package anatomy

import (
	"math"
	"sort"

	"faultkeep/store/capture"
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
		s.tracks = append(s.tracks, t)
		s.byIndex[g.index] = t
	}
	for _, g := range r.signals { // those that a setpoint rules tell where moves are no excuse any more
		if g.partner != nil {
			add(g)
		}
	}
	for _, t := range s.tracks {
		if t.moved {
			lead := int(0.05 / max(r.pace(t.onset), 1e-9))
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
			s.movers = append(s.movers, mover{signal: t.signal, track: t, onset: t.onset, alarm: t.alarm})
		}
	}
	s.overreach()
	sort.SliceStable(s.movers, func(i, j int) bool { return s.movers[i].onset < s.movers[j].onset })
	return s
}

// overreach adds the setpoint where its move was what the drive couldn't do:
// the actual value stays behind by a good part of it, from its beginning on.
func (s *study) overreach() {
	for _, t := range s.tracks {
		if t.partner == nil || t.cmd == nil || len(t.cmd.moves) == 0 {
			continue
		}
		m := &t.cmd.moves[len(t.cmd.moves)-1]
		behind, top := 0.0, 0.0
		for i := m.from; i < len(t.off); i++ {
			if v := -t.off[i] * math.Copysign(1, m.change); v > behind {
				behind = v
			}
		}
		for _, v := range t.partner.before(s.trigger) {
			top = max(top, math.Abs(v))
		}
		if behind > 0.5*math.Abs(m.change) && behind > 0.05*top && behind > 8*t.sigma {
			s.movers = append(s.movers, mover{signal: t.partner, move: m, onset: m.from, alarm: m.from + 1})
		}
	}
}

// Find is a placeholder.
func Find(c capture.Capture, series []capture.Series) []capture.Finding {
	r, _ := newRecord(c, series)
	s := r.study()
	var out []capture.Finding
	for _, m := range s.movers {
		out = append(out, capture.Finding{Kind: capture.FindingOnset, Channels: []string{m.signal.name}, From: r.at(m.onset)})
	}
	return out
}
