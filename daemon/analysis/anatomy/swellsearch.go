package anatomy

import "math"

// explained is the mean share that a swell explains of the channels.
func (s *study) explained(fits []*fitter, hz, rate float64) (sum float64) {
	for _, f := range fits {
		sum += f.explains(s, hz, rate) / float64(len(fits))
	}
	return sum
}

// search tries frequencies from one with a few periods in the record to one with a few blocks in a period.
func (s *study) search(fits []*fitter) (best swell) {
	span := s.at(s.trigger) - s.at(0)
	for hz := slowest / span; hz <= fastest*float64(len(fits[0].y))/span; hz *= 1.15 {
		for _, g := range []float64{0.6, 1} { // logarithm of the growth from one swing to the next
			if v := s.explained(fits, hz, g*2*hz); v > best.share {
				best = swell{hz, g * 2 * hz, v}
			}
		}
	}
	return best
}

// refine walks uphill from a swell in frequency and growth.
func (s *study) refine(fits []*fitter, best swell, rounds int) swell {
	best.share = s.explained(fits, best.hz, best.rate)
	step := [2]float64{0.07, 0.2}
	for range rounds {
		for p := range step {
			for _, side := range []float64{1, -1} {
				hz, g := best.hz, math.Log(best.grow())
				if p == 0 {
					hz *= 1 + side*step[0]
				} else if g += side * step[1]; g < 0.05 || g > 1.5 {
					continue
				}
				if v := s.explained(fits, hz, g*2*hz); v > best.share {
					best = swell{hz, g * 2 * hz, v}
					break
				}
			}
			step[p] /= 1.6
		}
	}
	return best
}
