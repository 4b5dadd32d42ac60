package likeness

import (
	"cmp"
	"math"
	"slices"

	"faultkeep/daemon/analysis/robust"
	"faultkeep/store/capture"
)

// How far a channel must leave its usual state to be seen, and from where on it
// is fully seen; between them by the logarithm. Common practice, no source: set
// by trying on simulated drives.
const (
	movesLow, movesHigh   = 8.0, 80.0 // times the standard deviation of the usual state
	swingsLow, swingsHigh = 1.7, 20.0 // times the usual swing
	swingWeight           = 0.4
	bitWeight             = 1.2
)

// row is one line of the picture: what a channel did in each bin, 1 for its
// largest deviation where that was clear, or how much it swung there, or whether
// a bit was other than usual.
type row struct {
	name  string
	rank  int // channels with a role before others, bits last
	cells [bins]float64
}

// rows of all channels, ascending by name; where there are too many, bits are
// left out first.
func (s *shot) rows() (out []row) {
	for _, g := range s.signals {
		switch {
		case g.Digital():
			out = append(out, s.bitRows(g)...)
		case g.Role != capture.RoleSetpoint: // commanded moves are no fault; see asked for those that are
			out = append(out, s.analogRows(g)...)
		}
	}
	slices.SortStableFunc(out, func(a, b row) int { return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(a.name, b.name)) })
	out = slices.CompactFunc(out, func(a, b row) bool { return a.name == b.name })
	out = out[:min(len(out), mostRows)]
	slices.SortFunc(out, func(a, b row) int { return cmp.Compare(a.name, b.name) })
	return out
}

func (s *shot) analogRows(g signal) []row {
	name, rank := g.Name, 1
	if g.Role != "" && g.Role != capture.RoleOther {
		name, rank = string(g.Role)+" "+g.Name, 0
	}
	x := g.x
	if d, _, ok := s.deviation(); ok && g.Role == capture.RoleSpeed {
		x = d
	}
	course, swing := s.trace(x)
	for b := range course {
		swing[b] *= swingWeight
		if s.way < 0 && slices.Contains(turned, g.Role) {
			course[b] = -course[b]
		}
	}
	return []row{{name + ": course", rank, course}, {name + ": swing", rank, swing}}
}

// turned are the roles whose sign depends on which way the shaft turns.
var turned = []capture.Role{capture.RoleSpeed, capture.RoleTorque, capture.RolePositionError}

// trace is where the samples went from their usual level, bin by bin, the
// largest deviation before the trigger and the largest after it made 1, less
// where it is hardly more than noise; and how much they swung within the bins.
func (s *shot) trace(x []float64) (course, swing [bins]float64) {
	var mean, swung [bins]float64
	pre := x[:min(s.trigger, len(x))]
	level := robust.Median(pre[:quiet(len(pre))])
	if math.IsNaN(level) {
		level = robust.Median(pre)
	}
	step := robust.Step(pre)
	noise := spread(pre, step)
	var usually []float64
	last := -1
	for b := s.from; b < s.to; b++ {
		m, sd, ok := moments(x, s.edges[b], s.edges[b+1], level)
		switch {
		case ok:
			mean[b], swung[b], last = m, sd, b
		case last >= 0: // coarser samples than bins: the last one stands
			mean[b], swung[b] = mean[last], swung[last]
		}
		if b < before-4 && ok {
			usually = append(usually, sd)
		}
	}
	floor := math.Max(robust.Median(usually), step/math.Sqrt(12))
	for _, part := range [][2]int{{0, before}, {before, bins}} {
		most := 0.0
		for _, m := range mean[part[0]:part[1]] {
			most = math.Max(most, math.Abs(m))
		}
		clear := significance(most/noise, movesLow, movesHigh)
		for b := part[0]; b < part[1]; b++ {
			if clear > 0 {
				course[b] = mean[b] / most * clear
			}
			swing[b] = significance(swung[b]/floor, swingsLow, swingsHigh)
		}
	}
	return course, swing
}

// moments are mean and standard deviation about the level; ok is false without
// a sample.
func moments(x []float64, from, to int, level float64) (mean, sd float64, ok bool) {
	var n, sum, squares float64
	for _, v := range x[min(from, len(x)):min(max(from, to), len(x))] {
		if v -= level; !math.IsNaN(v) && math.Abs(v) < 1e150 {
			n, sum, squares = n+1, sum+v, squares+v*v
		}
	}
	if n == 0 {
		return 0, 0, false
	}
	return sum / n, math.Sqrt(math.Max(0, squares/n-sum/n*sum/n)), true
}

// significance is 0 up to low, 1 from high on; 0 for what is no number, such as
// a channel's without noise that doesn't move.
func significance(z, low, high float64) float64 {
	if !(z > low) {
		return 0
	}
	return math.Min(1, math.Log(z/low)/math.Log(high/low))
}

// spread is the standard deviation in the usual state, which comes first.
func spread(pre []float64, step float64) float64 {
	s := robust.Spread(pre[:quiet(len(pre))], step)
	if noise := robust.Noise(pre); noise > s || math.IsNaN(s) {
		s = noise
	}
	return math.Max(s, step/math.Sqrt(12))
}

// quiet is how many of n samples before the trigger are taken for the usual
// state.
func quiet(n int) int { return n * 6 / 10 }

// bitRows are a word's bits before the trigger, where they are other than usual.
// From the trigger on the bits tell no more than that it tripped.
func (s *shot) bitRows(g signal) (out []row) {
	const mostBits = 32
	names := g.Bits
	for bit := range min(max(len(names), 1), mostBits) {
		r := row{rank: 2, name: g.Name + " bit"}
		if bit < len(names) {
			if names[bit] == "" {
				continue
			}
			r.name = g.Name + " " + names[bit]
		}
		on := func(from, to int) (share float64, ok bool) {
			n := 0.0
			for _, v := range g.x[min(from, len(g.x)):min(max(from, to), len(g.x))] {
				if v >= 0 && v < 1<<53 {
					n++
					share += float64(uint64(v) >> bit & 1)
				}
			}
			return share / n, n > 0
		}
		usually, ok := on(0, quiet(s.trigger))
		if !ok {
			continue
		}
		usually = math.Round(usually)
		for b := s.from; b < before; b++ {
			if share, ok := on(s.edges[b], s.edges[b+1]); ok {
				r.cells[b] = bitWeight * (share - usually)
			}
		}
		out = append(out, r)
	}
	return out
}
