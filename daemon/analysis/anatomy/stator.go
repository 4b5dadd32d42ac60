package anatomy

import "math"

// stator tells the output current that goes with a torque. Of a motor whose flux
// is kept, the magnetising current and the one that makes torque are at right
// angles, so that I² = a + b·T² (field orientation; from memory, no source at hand).
type stator struct {
	torque *signal
	a, b   float64 // A², A²/(N·m)²
}

func (s *stator) current(torque float64) float64 { return math.Sqrt(max(0, s.a+s.b*torque*torque)) }

// unexplained is the share of the current's square that torque may leave
// unexplained for the two to belong together (common practice, no source).
const unexplained = 0.1

// statorOf learns from the blocks of a record how the current goes with the
// torque, nil where it doesn't.
func (s *study) statorOf(c *track) *stator {
	m := s.of(torque)
	if m == nil || len(m.blocks) != len(c.blocks) || len(m.before(s.trigger)) != len(c.off) || c.kind.setpoint {
		return nil
	}
	n, x, y, xx, xy, yy := 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
	for i, i2 := range c.blocks {
		t2 := m.blocks[i] * m.blocks[i]
		if i2 *= i2; !math.IsNaN(t2-t2) && !math.IsNaN(i2-i2) { // means and variances, updated (Welford)
			n++
			dx, dy := t2-x, i2-y
			x, y = x+dx/n, y+dy/n
			xx, xy, yy = xx+dx*(t2-x), xy+dx*(i2-y), yy+dy*(i2-y)
		}
	}
	if n < 2*least || !(xx > 0) || !(xy > 0) || yy-xy*xy/xx > unexplained*yy {
		return nil
	}
	return &stator{m, y - xy/xx*x, xy / xx}
}
