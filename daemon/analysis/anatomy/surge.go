package anatomy

import (
	"math"

	"faultkeep/daemon/analysis/robust"
)

// What a surge must show.
const (
	surgeDoubt = 6   // standard deviations that its largest must come to …
	surgeFloor = 0.5 // … and share of what other deviations must
	stays      = 0.6 // share of its largest that is left at the trigger
	ahead      = 3   // times the way from the first onset to the trigger, by how much earlier it may begin
	quietShare = 0.1 // of the record, before it
	together   = 2   // channels of the mechanics that moved anyhow
)

// surge dates torque and current anew where they left their course together: that
// is then learned from the whole record, beside a load that comes on top of it,
// grows steadily from one instant and, from another, more slowly or no more. So a
// move of the command in whose course the load came doesn't hide it. Where the
// command asked too much, or where a signal broke, there is no such load.
func (s *study) surge() {
	if s.swells != nil {
		return
	}
	moved, first := 0, s.trigger
	for _, t := range s.mechanics() {
		if t.partner != nil && s.overreach(t) != nil {
			return
		}
		if t.moved {
			moved, first = moved+1, min(first, t.onset)
		}
	}
	if v := s.moved(speed); v != nil && s.shapeOf(v).jump >= jumps {
		return
	}
	if moved < together {
		return
	}
	var all []*track
	for _, t := range s.mechanics() {
		if q := t.kind.quantity; (q == torque || q == current) && len(t.off) >= blocks {
			all = append(all, t)
		}
	}
	s.redate(all, func(t *track) *laid { return s.load(t, first-ahead*(s.trigger-first)) })
}

// load lays a surge that begins at a sample or later through a channel, nil where
// there is none.
func (s *study) load(t *track, earliest int) *laid {
	h := s.hingesOf(t)
	from, turn, share := h.best(max(earliest/t.size, int(quietShare*float64(len(h.at)))))
	if share == 0 {
		return nil
	}
	l, sizes := s.beside(t, h.weight, h.hinge(from), h.hinge(turn))
	if l == nil {
		return nil
	}
	l.from, l.earliest, l.gap, l.begun, l.basis = from*t.size, from*t.size, math.Inf(1), begun, basisSurge
	l.part = func(i int) float64 {
		at := s.at(i)
		return sizes[0]*max(0, at-h.at[from]) + sizes[1]*max(0, at-h.at[turn])
	}
	largest, left := 0.0, 0.0
	for i := l.from; i < len(l.off); i += t.size {
		if v := robust.Median(l.off[i:min(i+t.size, len(l.off))]); !math.IsNaN(v) {
			if left = v; math.Abs(v) > math.Abs(largest) {
				largest = v
			}
		}
	}
	if !(math.Abs(largest) > max(surgeDoubt*l.quietly(), surgeFloor*matters[t.kind.quantity]*t.top)) || left/largest < stays {
		return nil
	}
	return l
}
