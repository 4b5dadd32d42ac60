// Package anatomy says what a capture of a trip shows: which channel deviated
// first and when, which others followed, and which causes fit that. Its findings
// are evidence and candidates, never diagnoses.
package anatomy

import (
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
	tracks []*track
	movers []mover // first to last
	short  []*signal
	aside  *track // that moved, but alone, or nil
	swells *swell // that grows until the trigger, or nil
}

// add follows a signal.
func (s *study) add(g *signal, share float64, follows int) *track {
	t, ok := s.follow(g, share, lasting, follows)
	if !ok {
		s.short = append(s.short, g)
		return nil
	}
	if g.kind.quantity == link {
		if w, hz, ok := s.ripples(g, share); ok {
			t.rippled(w, hz, s.samplesIn(rippleWindow))
		}
	}
	s.tracks = append(s.tracks, t)
	return t
}

func (r *record) study() *study {
	s := &study{record: r}
	n := 0
	for _, g := range r.signals {
		if r.measured(g) {
			n++
		}
	}
	if r.moves == nil {
		r.moves = r.effectsOf(nil)
	}
	share, follows := 1/float64(max(n, 1)), r.trigger
	for _, g := range r.signals {
		if g.partner != nil {
			if t := s.add(g, share, r.trigger); t != nil && t.moved {
				follows = min(follows, t.onset)
			}
		}
	}
	for _, g := range r.signals {
		if r.measured(g) && g.partner == nil {
			s.add(g, share, follows)
		}
	}
	s.companions(share)
	s.swell()
	s.surge()
	s.alone()
	for _, t := range s.tracks {
		if t.partner == nil {
			continue
		}
		if m := r.overreach(t); m != nil {
			s.movers = append(s.movers, mover{signal: t.partner, move: m, onset: m.from, alarm: m.from + 1})
			if !t.moved {
				t.moved, t.onset, t.alarm = true, m.from+1, m.to
			}
			t.onset = max(t.onset, m.from+1)
			s.overtaken(m.from, share)
		}
	}
	for _, t := range s.tracks {
		if t.moved {
			s.movers = append(s.movers, mover{signal: t.signal, track: t, onset: t.onset, alarm: t.alarm})
		}
	}
	sort.SliceStable(s.movers, func(i, j int) bool { return s.movers[i].onset < s.movers[j].onset })
	return s
}
