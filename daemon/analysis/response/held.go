package response

import (
	"fmt"
	"math"

	"faultkeep/store/capture"
)

// heldBack tells that a current or torque lay at its highest during most of a
// rise: then a limit shaped the answer, and it says little about the tuning.
func (l *loop) heldBack(s step) string {
	first := s.m.p.first + s.at
	last := first + int(s.rise.v/s.m.p.dt)
	for i, ch := range l.c.Channels {
		if ch.Role != capture.RoleCurrent && ch.Role != capture.RoleTorque || i >= len(l.series) || last >= len(l.series[i]) || last-first < 5 {
			continue
		}
		during := l.series[i][first : last+1]
		most, high := 0.0, 0
		for _, v := range l.series[i] {
			if finite(v) {
				most = max(most, math.Abs(v))
			}
		}
		for _, v := range during {
			if math.Abs(v) >= 0.98*most {
				high++
			}
		}
		if most > 0 && 5*high >= 3*len(during) {
			return fmt.Sprintf("%s lay at its highest, %s, during most of the rise: a limit of drive or machine shaped it, so it says little about the tuning", ch.Name, with(most, most/100, ch.Unit))
		}
	}
	return ""
}
